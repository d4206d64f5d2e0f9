"""configuration"""
