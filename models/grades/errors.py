"""Errors of the judging part.

LehrbookError
  BadGrade      a grade file that cannot be read as rules: names file and key
  BadSheet      a sheet or its defects cannot be judged as given: names file and key
  NoSuchGrade   no grade goes by this name
"""

from __future__ import annotations

from models.errors import LehrbookError, NoSuchRecord


class BadGrade(LehrbookError):  # noqa: N818 - reads as a sentence
    """A grade file is wrong; the message names the file, the key and what was expected."""


class BadSheet(LehrbookError):  # noqa: N818 - reads as a sentence
    """A sheet to judge is wrong; the message names the file, the key and what was expected."""


class NoSuchGrade(NoSuchRecord):
    """No grade goes by this name."""
