"""Pure bytes: bytes to values and back. No file, clock, socket or log in here."""
