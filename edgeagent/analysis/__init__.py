"""Pure numbers: float64 arrays in, frozen results out. No I/O, clock, log or verdict in here."""
