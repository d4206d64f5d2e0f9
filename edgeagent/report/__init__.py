"""Pages that stand alone: one HTML file for a part, for a measured file or for a period.

Readers of journal and archive; they change nothing. ``command`` holds the command, ``write`` the functions.
"""
