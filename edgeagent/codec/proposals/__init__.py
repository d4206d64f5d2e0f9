"""proposals"""
