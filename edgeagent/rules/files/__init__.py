"""When a file is whole, which is read next, when a folder counts as unavailable, and when a file is given up.

What was seen and when comes in as values; nobody here looks at a disk or a clock.
"""
