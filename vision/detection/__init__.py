"""Where something is and how large: spots, lines, their outlines, halos and features.

Imports the field's background-subtracted signal, and classification for the names; no picture, no pipeline.
"""
