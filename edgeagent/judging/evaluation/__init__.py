"""One file's bytes to its judged result: the way that service, inspect and replay share.

The same bytes with the same configuration give the same result; nothing of other files comes in.
"""
