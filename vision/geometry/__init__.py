"""Where on the sheet the photo lies: reference tags, lens, scale, blur of its edges, and plane geometry.

Imports the photo's set-up, frames and results; nothing that looks for defects.
"""
