"""Export for customers, courts and databases: what the tables are, and their files, whole or not at all.

``tables`` makes rows of records and results, ``export_files`` writes them, ``parquet`` is an extra.
"""
