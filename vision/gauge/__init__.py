"""The gauge card: printed marks of known sizes, and how well photos of them are measured.

Imports the pipeline; nothing imports it but the command line.
"""
