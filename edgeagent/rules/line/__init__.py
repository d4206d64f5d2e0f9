"""What the line is sent and shown: messages of records, the lamp, expiry, acknowledgements, handshake, and
delivery as a table of states and events.

No socket and no clock: events come in with their time, actions go out.
"""
