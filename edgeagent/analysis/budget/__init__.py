"""budget"""
