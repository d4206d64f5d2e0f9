"""Sparkplug B 3.0: the edge node's behaviour as a pure table, what records become metrics, topics and host.

No bytes and no clock in here; ``node`` says what is to be done, ``service.sparkplug`` does it.
"""
