"""The ball track as a surface in space: its normal, how a gauge reads it, two flanks together, set-up advice.

Here lives what follows from a thread's geometry once harmonics are known.
No fitting of traces and no verdicts: those belong to around/ and rules/.
"""
