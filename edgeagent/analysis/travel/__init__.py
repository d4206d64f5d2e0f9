"""travel"""
