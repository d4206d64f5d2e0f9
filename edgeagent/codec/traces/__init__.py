"""traces"""
