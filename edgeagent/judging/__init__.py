"""From bytes to decisions: a file judged (``evaluation``), the journal folded, parts decided, studies of files.

Pure: no disk, clock or thread. Time, configuration and records come in as values.
"""
