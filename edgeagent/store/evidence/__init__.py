"""Evidence on disk: keys, checkpoints with their cosignatures, and what is proved with them.

Nothing here is needed to decide a part; without it a journal proves less to others.
"""
