"""How the agent stands, composed of what it knows, and what has happened since its start.

Nothing here is written or sent: the service does that.
"""
