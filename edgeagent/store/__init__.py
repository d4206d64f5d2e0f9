"""Files that last: journal, archive, state, requests, configuration on disk, and their proof (verify, replay).

Every write here is durable when it returns, or raises a typed error. No thread, no socket.
"""
