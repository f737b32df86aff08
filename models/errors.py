"""The errors of the domain. Each message says what is wrong, where, and what was expected.

LehrbookError(ValueError)
  NoSuchRecord            a label, id or name that is not in the books
    NoSuchSheet
  NotAllowedNow           the record is in a state in which this act makes no sense
  BadValue                a value that cannot be right
  StoreError              the photo store is damaged or cannot be written
  DatabaseError           the database cannot be used as it is
    NewerDatabase         written by a later version of this program
  BackupError             a backup that cannot be made, read or put back
  SignInRefused           wrong name, password or PIN, or locked
"""

from __future__ import annotations


class LehrbookError(ValueError):
    """Base of everything that a person can put right; its text is shown as it stands."""


class NoSuchRecord(LehrbookError):  # noqa: N818 - reads as a sentence
    """Nothing in the books goes by this name."""


class NoSuchSheet(NoSuchRecord):
    """No sheet carries this label."""


class NotAllowedNow(LehrbookError):  # noqa: N818 - reads as a sentence
    """The act does not fit the state of the record."""


class BadValue(LehrbookError):  # noqa: N818 - reads as a sentence
    """A value that cannot be right; nothing was written."""


class StoreError(LehrbookError):
    """A photo file is missing, damaged or cannot be written."""


class DatabaseError(LehrbookError):
    """The database cannot be used as it is."""


class NewerDatabase(DatabaseError):  # noqa: N818 - reads as a sentence
    """The database was written by a later version of this program."""


class BackupError(LehrbookError):
    """A backup cannot be made, read or put back."""


class ClaimLost(LehrbookError):  # noqa: N818 - reads as a sentence
    """The job is no longer this worker's: it was silent too long and another took over."""
