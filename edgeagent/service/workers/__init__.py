"""Analysis in processes of its own: the worker, the pool that watches it, and files on their way to the record.

A file can end a worker, never the loop. Nothing here knows MQTT.
"""
