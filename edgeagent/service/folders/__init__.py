"""One export folder: its watch, its listings, its files.

Only this wing touches an export folder, and only from threads of its own: a share that hangs must not hold the
loop up. What is decided from what they see is decided in the loop, by ``rules.files.settling`` and
``rules.files.reading_order``.
"""
