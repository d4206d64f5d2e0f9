"""Sparkplug B payloads to bytes and back, by the specification's schema (protobuf, an extra).

``sparkplug_b.proto`` is the schema, ``schema_bytes`` what the protobuf compiler makes of it, ``payload`` the
only module that imports protobuf.
"""
