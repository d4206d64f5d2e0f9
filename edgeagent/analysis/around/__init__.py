"""Traces around the part: harmonics with the alignment fitted jointly, roundness, peaks, values at speed.

Here live numbers of one trace over its angle, and the checks that say whether to trust them.
No recipes or limits, and nothing that needs a second trace: two flanks and set-up advice are in track/.
"""
