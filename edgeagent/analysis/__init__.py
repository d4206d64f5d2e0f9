"""Numbers: float64 arrays in, frozen results out, in wings by what is measured; ``kinds`` has a module a kind.

Pure: numpy and scipy alone. No file, clock or log, and never a verdict: what a value means is for ``rules``.
"""
