"""The photo itself: its bytes, which way up it is, and the set-up that says how it was taken.

Imports errors, results and flags; no other stage.
"""
