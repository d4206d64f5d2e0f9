"""Filters and parameters of surface texture on evenly spaced profiles, along a track or across a flank.

Here lives what ISO 21920-2 and ISO 16610 define. Nothing in here knows grooves, turns or kinds of trace.
"""
