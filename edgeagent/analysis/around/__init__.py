"""around"""
