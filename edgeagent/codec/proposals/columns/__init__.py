"""Which column of an unknown export is what, in which unit, and what speaks against it.

Names come first, then units, then how the values run. Nothing here reads a header but by its hints.
"""
