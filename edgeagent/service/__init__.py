"""The running agent: one loop, its folders, workers and broker, and what systemd and the terminal see of it.

Owns all threads, sockets and processes. Nothing imports it but ``commands/run.py``.
"""
