"""judging"""
