"""texture"""
