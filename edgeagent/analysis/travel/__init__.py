"""Curves over the travel of a screw: mean line, variations in windows, permissible values by grade.

Here lives what ISO 3408-3 defines on a curve. No trace columns, recipe keys or verdicts (kinds/, rules/).
"""
