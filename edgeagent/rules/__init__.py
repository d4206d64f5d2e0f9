"""Pure decisions: values in, values out. No I/O, clock or log in here."""
