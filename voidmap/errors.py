"""One tree of errors; each branch has its exit code, each message says what is wrong and what to do.

::

    VoidmapError
    ├── InputError        exit 2   the input can't be used
    │   ├── PhotoError             a photo is missing, broken or of the wrong kind
    │   ├── ScaleError             no usable scale in view, or one that contradicts itself
    │   ├── JobError               the job folder lacks a step, or belongs to another slab
    │   └── ValueRefused           a number or name typed by the user can't be right
    └── CantTell          exit 3   done, but the honest answer is "take another photo"
"""

from __future__ import annotations

from typing import ClassVar


class VoidmapError(Exception):
    """Base of all errors that are meant for the user's eyes.

    Parameters
    ----------
    wrong
        What is wrong, without a full stop ("the photo slab.jpg is empty").
    remedy
        What to do about it, without a full stop ("copy it from the phone again").
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, wrong: str, remedy: str) -> None:
        super().__init__(f"{wrong}: {remedy}.")
        self.wrong = wrong
        self.remedy = remedy


class InputError(VoidmapError):
    """The input can't be used."""

    exit_code = 2


class PhotoError(InputError):
    """A photo is missing, broken, empty or of a kind that can't be read."""


class ScaleError(InputError):
    """No usable scale is in view, or the scale contradicts itself."""


class JobError(InputError):
    """The job folder lacks an earlier step, can't be written, or belongs to another slab."""


class ValueRefused(InputError):
    """A number or a name that the user typed can't be right."""


class CantTell(VoidmapError):
    """The photo can't answer the question; another photo can."""

    exit_code = 3
