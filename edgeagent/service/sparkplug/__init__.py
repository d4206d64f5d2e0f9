"""The Sparkplug edge node beside the plain topics: a connection, a place in the journal and a state of its own.

Whatever fails here is reported and tried again later; lamp, plain topics and journal know nothing of it.
"""
