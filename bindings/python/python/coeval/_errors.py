"""What goes wrong, as exceptions that a caller can catch by the built-in class it would expect."""

from __future__ import annotations

import os
from typing import Any, Optional

__all__ = [
    "ArgumentTypeError",
    "CancelledError",
    "CoevalError",
    "ConformError",
    "DamagedFileError",
    "FileMissingError",
    "InternalError",
    "InvalidArgumentError",
    "MediaError",
    "NoAccessError",
    "NoSoundError",
    "OutputExistsError",
    "ReadWriteError",
    "UnknownFormatError",
    "UnsupportedFormatError",
]


class CoevalError(Exception):
    """Every failure of this package.

    Attributes
    ----------
    kind : str
        What went wrong, in one word.
    path : str or None
        The file it is about.
    message : str
        What was wrong, without file and remedy.
    remedy : str or None
        What to do about it.
    """

    kind: str = "Unknown"

    def __init__(self, message: str, path: Optional[str] = None, remedy: Optional[str] = None) -> None:
        super().__init__(message)
        self.message = message
        self.path = path
        self.remedy = remedy

    def __str__(self) -> str:
        start = f"{self.path}: " if self.path else ""
        end = f"; {self.remedy}" if self.remedy else ""
        return f"{start}{self.message}{end}"

    def __reduce__(self) -> tuple[Any, ...]:
        # Errors travel between the processes of a cluster whole.
        return _again, (type(self), self.message, self.path, self.remedy, self.kind)


def _again(
    cls: type[CoevalError], message: str, path: Optional[str], remedy: Optional[str], kind: str
) -> CoevalError:
    error = cls(message, path, remedy)
    error.kind = kind
    if isinstance(error, OSError):
        error.filename = path
    return error


class InvalidArgumentError(CoevalError, ValueError):
    """An argument is out of its range, or two contradict each other."""

    kind = "InvalidArgument"


class ArgumentTypeError(InvalidArgumentError, TypeError):
    """An argument has a type that is not supported."""


class ReadWriteError(CoevalError, OSError):
    """Reading or writing failed part-way."""

    kind = "Io"


class ConformError(ReadWriteError):
    """Some of the sound could not be made. The rest was written to disk.

    Attributes
    ----------
    made : tuple of Conformed
        One for each sound. If a sound could not be made, its `path` is `None` and its `problem` says why.
    """

    made: tuple[Any, ...] = ()

    def __reduce__(self) -> tuple[Any, ...]:
        return _again, (type(self), self.message, self.path, self.remedy, self.kind), {"made": self.made}


class FileMissingError(CoevalError, FileNotFoundError):
    """A file or folder does not exist."""

    kind = "NotFound"


class NoAccessError(CoevalError, PermissionError):
    """The system refuses access."""

    kind = "PermissionDenied"


class OutputExistsError(CoevalError, FileExistsError):
    """The output exists already, and may not be replaced."""

    kind = "OutputExists"


class MediaError(CoevalError, ValueError):
    """The content of a file cannot be used."""


class UnknownFormatError(MediaError):
    """The file is not in a known media format."""

    kind = "UnknownFormat"


class UnsupportedFormatError(MediaError):
    """The format is known, but not this variety of it."""

    kind = "Unsupported"


class DamagedFileError(MediaError):
    """The file breaks its own format's rules."""

    kind = "Damaged"


class NoSoundError(MediaError):
    """The file has no sound track, or one without samples."""

    kind = "NoSound"


class CancelledError(CoevalError, RuntimeError):
    """The progress callback asked to stop."""

    kind = "Cancelled"


class InternalError(CoevalError, RuntimeError):
    """A fault in Coeval itself."""

    kind = "Internal"


CLASSES: dict[str, type[CoevalError]] = {
    cls.kind: cls
    for cls in (
        InvalidArgumentError,
        FileMissingError,
        NoAccessError,
        ReadWriteError,
        UnknownFormatError,
        UnsupportedFormatError,
        DamagedFileError,
        NoSoundError,
        OutputExistsError,
        CancelledError,
        InternalError,
    )
}


def make(kind: str, path: Optional[str], message: str, remedy: Optional[str]) -> CoevalError:
    """The exception of a kind. One that is not known here yet is a plain `CoevalError`."""
    return _again(CLASSES.get(kind, CoevalError), message, None if path is None else os.fsdecode(path), remedy, kind)


def from_os_error(error: OSError) -> CoevalError:
    """What the system said, as this package says it."""
    kinds = {FileNotFoundError: "NotFound", PermissionError: "PermissionDenied"}
    return make(kinds.get(type(error), "Io"), error.filename, error.strerror or str(error), None)
