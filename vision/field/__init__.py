"""What is looked at: the mask of the glass, the light without defects, and whether the photo can be trusted.

Imports geometry and the photo's set-up; nothing that looks for defects.
"""
