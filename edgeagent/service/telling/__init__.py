"""What people and monitors on this machine see of the service: status, metrics, the live table of a terminal.

Nothing that the line sees depends on any of it.
"""
