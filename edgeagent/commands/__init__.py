"""One module a command, thin over pure functions; ``shared_*`` is what several of them use.

Imported when called. Nothing here decides or computes, and only ``run`` knows the service.
"""
