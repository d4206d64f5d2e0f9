"""I/O: one owner per resource. Everything that touches disk, clock, socket or thread is in here."""
