"""Geometry of one groove: arcs, the seated ball, the helicoid between section and normal plane, contact, pitch.

No trace and no option comes in here: points and nominal dimensions in, geometry out.
"""
