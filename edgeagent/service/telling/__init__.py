"""What the service tells whoever looks at it on this machine: status, metrics, the live table of a terminal.

Nothing that the line sees depends on any of it.
"""
