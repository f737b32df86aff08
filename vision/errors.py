"""What can go wrong with a photo or its set-up, each said in one sentence.

    ValueError
      VisionError            anything below; the message names what, where and what was expected
        PhotoError           the file cannot be read as a photo (empty, cut short, too large, not a picture)
        SetupError           the set-up file is missing a field, or a field is not what it has to be
        StageError           a stage was called with arrays that do not belong together

Photos that decode but cannot be trusted (too dark, out of focus, tags that do not fit) are not errors: the
result carries flags and a sentence for the inspector, and no sizes.
"""


class VisionError(ValueError):
    """One clear sentence: what is wrong, where, and what was expected."""


class PhotoError(VisionError):
    """The bytes are not a photo that we can look at."""


class SetupError(VisionError):
    """The photo's set-up is incomplete, malformed or contradicts itself."""


class StageError(VisionError):
    """Arrays handed from stage to stage do not fit together (a fault of the caller)."""


def refused(name: str, what: str, expected: str) -> PhotoError:
    """The error that says what is wrong with the file `name` and what was expected instead."""
    return PhotoError(f"{name}: {what}; expected {expected}")


def damaged(name: str, form: str) -> PhotoError:
    """The error for a file of which the picture is not all there, or not as it was written."""
    return refused(name, f"the {form} file is damaged or cut short", "a whole photo")
