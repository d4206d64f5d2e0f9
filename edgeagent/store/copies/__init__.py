"""What a store must hold, and copies of it: consistent backups, sealed files, bytes cut off the journal's end.

Copies are made beside the running service; what is taken out of the archive is taken out while no agent runs.
"""
