"""Bytes to values and back: traces, configuration, records, and proposals of layouts and recipes.

Pure: bytes come in and go out, and nothing here opens a file. No number is analysed, no value judged.
"""
