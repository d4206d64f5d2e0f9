"""Proofs of the journal: its hash tree, signed checkpoints and their cosignatures, and proofs for one part.

Bytes and numbers only: nothing here knows a folder, a clock or a connection.
"""
