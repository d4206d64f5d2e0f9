"""What journal and archive say of a part, a file or a period, gathered for a page.

Opens files for reading only; sentences and pictures of what was gathered are made outside of it.
"""
