"""Who runs with this store, and what it says of itself: for a person at another terminal and for monitors.

None of it is synced, and none of it is worth anything once its process is gone.
"""
