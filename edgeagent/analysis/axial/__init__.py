"""Traces in the plane of the part's axis: grooves found, brought into the normal plane, arcs fitted.

Here lives the geometry of grooves and what follows from it: seated balls, pitch, ball circle, contact.
No trace headers, recipes or limits; those belong to kinds/ and rules/.
"""
