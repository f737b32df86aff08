"""Pictures for people: finds drawn on the photo, and what each stage saw.

Imports every stage below; only the pipeline and the doors of the program import it.
"""
