"""Figures of a report as SVG: of traces around the part, of grooves, of travel, of a period.

``draw`` holds the one appearance of each thing; nothing here reads a store.
"""
