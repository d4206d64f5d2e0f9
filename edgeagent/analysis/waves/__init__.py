"""Waves over the angle: exact trigonometric sums, harmonics fitted with the alignment, orders between, noise.

No thread, recipe or kind comes in here: angles and readings in, amplitudes out.
"""
