"""Photo in, measured finds out.

This package imports numpy, OpenCV, Pillow and itself. It knows no database, no web and no grades.
What it gives back are frozen dataclasses in pixels and millimetres; who stores or judges them is not its
business.
"""

from vision.errors import PhotoError, SetupError, StageError, VisionError
from vision.frames import Frame
from vision.photo.setup_file import PhotoSetup
from vision.pictures.overlay import draw_overlay
from vision.pipeline import inspect_photo
from vision.results import BackgroundSubtracted, Find, Inspection, Scale

__all__ = [
    "BackgroundSubtracted",
    "Find",
    "Frame",
    "Inspection",
    "PhotoError",
    "PhotoSetup",
    "Scale",
    "SetupError",
    "StageError",
    "VisionError",
    "draw_overlay",
    "inspect_photo",
]
