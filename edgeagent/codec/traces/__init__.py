"""Bytes of a trace file to a Trace: trace text, delimited exports with their layout, X3P and SMD.

Everything that comes in is bounded before it is parsed, and refused by a TraceFormatError that names what is
allowed. No judgement of values here, no recipe, no file access; may import configuration, never proposals.
"""
