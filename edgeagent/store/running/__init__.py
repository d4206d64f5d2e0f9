"""Who runs with this store and which build, what it says of itself to other terminals and monitors, who asks.

None of it is synced, and none of it is worth anything once its process is gone.
"""
