"""Drawings and documents of an assessment: the timeline as SVG, the report as one HTML file or as PDF.

Everything here lays out what an `Assessment` holds and works out nothing of it. No module reads a clock: days are
passed in.
"""
