"""Journal records, results and archived results: the only place that looks into a record's body.

Nothing here knows a folder or the chain's files: one line or one object at a time.
"""
