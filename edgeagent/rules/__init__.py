"""Decisions: values in, value out. Limits, verdicts, gate, part sets, charts; ``line`` and ``files`` are wings.

Pure, and without trace or record format: what a rule needs comes in as plain values.
"""
