"""Values and decisions of ten years in rows that a report reads without the archive: a cache like the index.

Nothing in here is evidence: it may be deleted at any time, and what it does not hold yet is read from journal
and archive.
"""
