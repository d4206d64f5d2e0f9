"""axial"""
