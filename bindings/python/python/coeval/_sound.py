"""Arrays of sound, and progress: what every call takes."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from typing import Any, Optional, Union

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _native
from ._errors import InvalidArgumentError

Path = Union[str, "os.PathLike[str]"]
ProgressCallback = Callable[[str, float], Optional[bool]]
Progress = Union[None, bool, ProgressCallback]
Sound = Union[NDArray[np.float32], NDArray[np.float64], NDArray[np.int16]]

_DTYPES = (np.dtype(np.float32), np.dtype(np.float64), np.dtype(np.int16))


def as_sound(samples: ArrayLike) -> Sound:
    """Checks an array of sound and returns it, as it lies wherever that is possible."""
    array = np.asarray(samples)
    native = array.dtype.newbyteorder("=")
    if native not in _DTYPES:
        raise InvalidArgumentError(
            f"samples are {array.dtype}, not float32, float64 or int16",
            remedy="convert them so that full scale is 1.0",
        )
    if array.ndim not in (1, 2):
        raise InvalidArgumentError(f"samples have {array.ndim} dimensions, not 1 (mono) or 2 (frames by channels)")
    if array.ndim == 2 and array.shape[1] > 64:
        raise InvalidArgumentError(
            f"samples have the shape {array.shape}: {array.shape[1]} channels, not 1 to 64",
            remedy="give frames by channels; perhaps the transposed array, samples.T, is meant",
        )
    # Byte order and alignment that the machine cannot read as it is are copied; strides are not.
    sound: Sound = np.require(array, dtype=native, requirements="A")
    return sound


def as_rate(rate_hz: float, name: str = "rate_hz") -> float:
    """A sampling rate as a float, or a refusal that names it."""
    try:
        rate = float(rate_hz)
    except TypeError:
        raise InvalidArgumentError(f"{name} is {rate_hz!r}, not a number of samples a second") from None
    if not 1000.0 <= rate <= 768_000.0:
        raise InvalidArgumentError(f"{name} is {rate}, not within 1000 to 768000")
    return rate


def numbers(function: str, given: Mapping[str, Any]) -> dict[str, Optional[float]]:
    """Those of a function's arguments that are numbers or switches of its options, by name; `None`: the default."""
    return {name: given[name] for name in _native.OPTIONS[function]}


def as_threads(threads: Optional[int]) -> int:
    """A number of threads for the compiled half, where 0 stands for as many as there are cores."""
    if threads is None:
        return 0
    if not 1 <= threads <= 1024:
        raise InvalidArgumentError(f"threads is {threads}, not within 1 to 1024")
    return int(threads)


class Listener:
    """Turns what users pass as `progress` into a callback, and closes the bar that it may have opened."""

    def __init__(self, progress: Progress) -> None:
        self._bar: Any = None
        self.callback: Optional[ProgressCallback] = None
        if callable(progress):
            self.callback = progress
        elif progress is True:
            try:
                from tqdm.auto import tqdm
            except ImportError:
                # Without tqdm there is nothing to draw with; the work is the same.
                return
            self._bar = tqdm(total=100.0, bar_format="{desc:18}{percentage:3.0f} %|{bar}| {elapsed}")
            self.callback = self._draw
        elif progress is not None and progress is not False:
            raise InvalidArgumentError(f"progress is {progress!r}, not a function, True, False or None")

    def _draw(self, stage: str, done: float) -> None:
        self._bar.set_description_str(stage, refresh=False)
        self._bar.n = round(100.0 * done, 1)
        self._bar.refresh()

    def __enter__(self) -> Optional[ProgressCallback]:
        return self.callback

    def __exit__(self, *exception: object) -> None:
        if self._bar is not None:
            self._bar.close()


class Track:
    """What aligning needs of a recording: mono sound at 8 kHz whose spectrum is levelled.

    A track is made once and compared with many; it is a sixth of the sound's size (two bytes a sample). Make
    one with `track` or `Track.from_file`.

    Attributes
    ----------
    duration_s : float
        Length, seconds.
    is_silent : bool
        Whether the sound was one constant value throughout.

    Examples
    --------
    >>> import numpy as np, coeval
    >>> noise = np.random.default_rng(0).standard_normal(96_000)
    >>> coeval.track(noise, 48_000)
    Track(duration_s=2.000)
    """

    __slots__ = ("_inner",)
    _inner: _native.Track

    def __init__(self, samples: ArrayLike, rate_hz: float, *, progress: Progress = None) -> None:
        sound, rate = as_sound(samples), as_rate(rate_hz)
        with Listener(progress) as callback:
            self._inner = _native.track(sound, rate, callback)

    @property
    def duration_s(self) -> float:
        return self._inner.duration_s

    @property
    def is_silent(self) -> bool:
        return self._inner.is_silent

    def samples(self) -> NDArray[np.float32]:
        """The levelled sound, float32, mono, 8000 samples a second."""
        return self._inner.samples()

    def __len__(self) -> int:
        return len(self._inner)

    def __repr__(self) -> str:
        return f"Track(duration_s={self.duration_s:.3f}{', silent' if self.is_silent else ''})"


def track(samples: ArrayLike, rate_hz: float, *, progress: Progress = None) -> Track:
    """Make the analysis track of a recording.

    Parameters
    ----------
    samples : array_like, shape (frames,) or (frames, channels)
        Sound, float32 or float64 (full scale 1.0) or int16. It is used as it lies, whatever its strides; it
        must not be written to meanwhile. NaN and infinite samples count as silence.
    rate_hz : float
        Sampling rate, 1000 to 768000.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    Track

    Raises
    ------
    InvalidArgumentError
        For other types, shapes and rates. It is a `ValueError`.
    """
    return Track(samples, rate_hz, progress=progress)
