"""What it is: class probabilities from features, re-scored in the context of the photo.

Imports results and errors only: rows of numbers in, rows of probabilities out.
"""
