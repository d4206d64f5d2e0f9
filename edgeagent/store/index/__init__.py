"""Where in the journal something stands: a cache beside it that may be deleted at any time.

Nothing in here is evidence: what is looked up is read from the journal, each record checked by its own hash.
"""
