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
    """Something is wrong with a file, but the rest of it was read.

    Turn it into an error with ``warnings.simplefilter("error", coeval.ReadWarning)``.
    """


@dataclass(frozen=True)
class MediaInfo:
    """What the headers of a file say; made by `probe`."""

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
    """Bits per sample, for lossless codecs."""
    frames: Optional[int]
    """Length of the sound in frames, if the headers give it exactly."""
    start_is_exact: bool
    """Whether the file states the delay that its encoder added. If it does not, the start may be up to 25 ms late (common
    practice, no source)."""
    frame_rate: Optional[tuple[int, int]]
    """Frame rate (fps) as a ratio, such as (30000, 1001); `None` without picture."""
    picture_size: Optional[tuple[int, int]]
    """Width and height, pixels."""
    created_unix_s: Optional[int]
    """Creation time in the file, seconds since 1970-01-01 UTC."""
    timecode_s: Optional[float]
    """Timecode of the first moment, seconds since midnight."""
    timecode: Optional[str]
    """Timecode of the first frame as written."""


def probe(path: File, *, allow_ffmpeg: bool = False) -> MediaInfo:
    """Read the headers of a file: container, length, sound, picture, times.

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

    Examples
    --------
    >>> import coeval
    >>> info = coeval.probe("camera.mp4")
    >>> info.container, info.duration_s, info.rate_hz, info.frame_rate
    ('MP4', 68.0, 48000, (25, 1))
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
    """Read the sound of a file, from the first moment that a player presents.

    Edit lists are applied, and encoder delay is removed. A sound track that starts late begins with silence.

    Parameters
    ----------
    path : str, path-like or binary file object
        A sound or picture file.
    start_s : float
        First moment to read, seconds.
    duration_s : float, optional
        How much to read, seconds; all if not given.
    always_2d : bool
        Return mono sound in the shape (frames, 1) too.
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
        When something is wrong with the file, but the rest of it was read. Often its end is broken.

    Examples
    --------
    >>> import coeval
    >>> samples, rate_hz = coeval.read("camera.mp4", start_s=10.0, duration_s=2.0)
    >>> samples.shape, samples.dtype.name, rate_hz
    ((96000, 2), 'float32', 48000)
    """
    check_numbers(start_s=start_s, duration_s=duration_s)
    with as_path(path) as real, Listener(progress) as callback:
        samples, rate_hz, notes = _native.read(real, start_s, duration_s, allow_ffmpeg, callback)
    for note in notes:
        warnings.warn(f"{path}: {note}", ReadWarning, stacklevel=2)
    return (samples[:, 0] if samples.shape[1] == 1 and not always_2d else samples), rate_hz
