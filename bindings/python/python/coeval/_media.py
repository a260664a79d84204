"""Files, read on presentation time."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Optional

import numpy as np
from numpy.typing import NDArray

from . import _native
from ._sound import File, Listener, Progress, as_path, check_numbers


class ReadWarning(UserWarning):
    """Something is wrong with a file that could be read past."""


@dataclass(frozen=True)
class MediaInfo:
    """What the headers of a file say."""

    container: str
    """Container in words: ``WAV``, ``MP4``, ``Matroska``, ..."""
    duration_s: float
    """Length of the presentation, seconds."""
    rate_hz: Optional[int]
    """Sampling rate, Hz; `None` without sound."""
    channels: Optional[int]
    """Number of channels."""
    codec: Optional[str]
    """Codec in words."""
    bits: Optional[int]
    """Bits a sample, for lossless codecs."""
    frames: Optional[int]
    """Length of the sound in frames, where the headers tell it exactly."""
    start_is_exact: bool
    """Whether the format says how much delay its encoder added; else the start may be late by some 25 ms."""
    frame_rate: Optional[tuple[int, int]]
    """Pictures a second as a ratio; `None` without picture."""
    picture_size: Optional[tuple[int, int]]
    """Width and height, pixels."""
    created_unix_s: Optional[int]
    """When the file says it was made, seconds since 1970-01-01."""
    timecode_s: Optional[float]
    """Timecode of the first moment, seconds since midnight."""
    timecode: Optional[str]
    """Timecode of the first frame as written."""


def probe(path: File, *, allow_ffmpeg: bool = False) -> MediaInfo:
    """Read the headers of a file.

    Parameters
    ----------
    path : str, path-like or binary file object
        A sound or picture file.
    allow_ffmpeg : bool
        Whether an ``ffmpeg`` on PATH may read what cannot be read otherwise.

    Returns
    -------
    MediaInfo

    Raises
    ------
    FileMissingError, NoAccessError, MediaError
        When it cannot be read. They are `FileNotFoundError`, `PermissionError` and `ValueError`.
    """
    with as_path(path) as real:
        return MediaInfo(**_native.probe(real, allow_ffmpeg))


def read(
    path: File,
    *,
    start_s: float = 0.0,
    duration_s: Optional[float] = None,
    always_2d: bool = False,
    allow_ffmpeg: bool = False,
    progress: Progress = None,
) -> tuple[NDArray[np.float32], int]:
    """Read the sound of a file on presentation time.

    Sample 0 is what a player plays first: edit lists are applied, the encoder's delay is taken away, and a
    sound track that starts late starts with silence.

    Parameters
    ----------
    path : str, path-like or binary file object
        A sound or picture file.
    start_s : float
        Where to begin, seconds.
    duration_s : float, optional
        How much to read, seconds; all if not given.
    always_2d : bool
        Whether mono sound has the shape (frames, 1) too.
    allow_ffmpeg : bool
        Whether an ``ffmpeg`` on PATH may read what cannot be read otherwise.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    samples : ndarray of float32, shape (frames,) or (frames, channels)
        Full scale is 1.
    rate_hz : int
        Sampling rate.

    Raises
    ------
    FileMissingError, NoAccessError, MediaError
        When it cannot be read. They are `FileNotFoundError`, `PermissionError` and `ValueError`.

    Warns
    -----
    ReadWarning
        When something is wrong with the file that could be read past, a broken end above all.
    """
    check_numbers(start_s=start_s, duration_s=duration_s)
    with as_path(path) as real, Listener(progress) as callback:
        samples, rate_hz, notes = _native.read(real, start_s, duration_s, allow_ffmpeg, callback)
    for note in notes:
        warnings.warn(f"{path}: {note}", ReadWarning, stacklevel=2)
    return (samples[:, 0] if samples.shape[1] == 1 and not always_2d else samples), rate_hz
