"""Archived files computed or judged again, many at once, with one outcome for any number of processes.

``files`` and ``judged`` turn a chunk of records into outcomes, ``executors`` and ``cluster`` carry chunks out,
here or elsewhere, and give the outcomes back in the journal's order. ``places`` opens stores wherever they lie.
"""
