"""Arrays of sound, and progress: what every call takes."""

from __future__ import annotations

import os
import shutil
import tempfile
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from types import TracebackType
from typing import IO, Any, Optional, Union, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _native
from ._errors import ArgumentTypeError, InvalidArgumentError, from_os_error

Path = Union[str, "os.PathLike[str]"]
ProgressCallback = Callable[[str, float], Optional[bool]]
Progress = Union[None, bool, ProgressCallback]
Sound = Union[NDArray[np.float32], NDArray[np.float64], NDArray[np.int16], NDArray[np.int32], NDArray[np.uint8]]
File = Union[Path, IO[bytes]]

_DTYPES = tuple(np.dtype(kind) for kind in (np.float32, np.float64, np.int16, np.int32, np.uint8))


def as_sound(samples: ArrayLike, name: str = "samples", axis: int = 0) -> Sound:
    """Checks an array of sound and returns it, as it lies wherever that is possible.

    `name` is what the caller calls it, `axis` the one along which frames follow each other.
    """
    if isinstance(samples, np.ma.MaskedArray):
        # What is masked was not recorded: silence, which 8 bits have at 128.
        array = samples.filled(128 if samples.dtype == np.uint8 else 0)
    else:
        try:
            array = np.asarray(samples)
        except ValueError:
            raise InvalidArgumentError(f"{name} is not an array of sound") from None
    if array.dtype == np.float16:
        array = array.astype(np.float32)
    native = array.dtype.newbyteorder("=")
    if array.ndim not in (1, 2):
        raise InvalidArgumentError(f"{name}: samples have {array.ndim} dimensions, not 1 (mono) or 2 (frames by channels)")
    if array.size == 0 and name != "samples":
        # One of several sounds: which one would be hard to find out later.
        raise InvalidArgumentError(f"{name} is empty: its shape is {array.shape}")
    if native not in _DTYPES:
        raise InvalidArgumentError(
            f"{name}: samples are {array.dtype}, not float16, float32, float64, int32, int16 or uint8",
            remedy="convert them so that full scale is 1.0",
        )
    if axis not in (0, 1, -1):
        raise InvalidArgumentError(f"axis is {axis!r}, not 0 (frames by channels) or 1 (channels by frames)")
    if array.ndim == 2 and axis != 0:
        array = array.T
    if array.ndim == 2 and array.shape[1] > 64:
        raise InvalidArgumentError(
            f"{name}: samples have the shape {array.shape}: {array.shape[1]} channels, not 1 to 64",
            remedy="give frames by channels; perhaps axis=1 or the transposed array, samples.T, is meant",
        )
    # Byte order and alignment that the machine cannot read as it is are copied; strides are not.
    sound: Sound = np.require(array, dtype=native, requirements="A")
    return sound


def as_rate(rate_hz: float, name: str = "rate_hz") -> float:
    """A sampling rate as a float, or a refusal that names it."""
    try:
        rate = float(rate_hz)
    except (TypeError, ValueError):
        raise InvalidArgumentError(f"{name} is {rate_hz!r}, not a number of samples per second") from None
    if not 1000.0 <= rate <= 768_000.0:
        raise InvalidArgumentError(f"{name} is {rate}, not within 1000 to 768000")
    return rate


def numbers(function: str, given: Mapping[str, Any]) -> dict[str, Optional[float]]:
    """Those of a function's arguments that are numbers or switches of its options, by name; `None`: the default."""
    named = {name: given[name] for name in _native.OPTIONS[function]}
    check_numbers(**named)
    return named


def check_numbers(**named: Optional[float]) -> None:
    """Refuses arguments that are neither numbers nor `None`, by name: before Python 3.11 the compiled half cannot say it."""
    for name, value in named.items():
        if not isinstance(value, (int, float, np.number, np.bool_, type(None))):
            raise ArgumentTypeError(f"{name} is {value!r}, not a number")


@contextmanager
def as_path(file: File, name: str = "path") -> Iterator[Path]:
    """The path of a file, or of a temporary copy of what a file object holds from where it stands."""
    if not hasattr(file, "read"):
        if not isinstance(file, (str, os.PathLike)):
            raise InvalidArgumentError(f"{name} is {type(file).__name__}, neither a path nor a binary file object")
        yield file
        return
    source = cast("IO[bytes]", file)
    called = getattr(source, "name", "")
    suffix = os.path.splitext(called)[1] if isinstance(called, str) else ""
    try:
        with tempfile.TemporaryDirectory(prefix="coeval-") as folder:
            copy = os.path.join(folder, f"sound{suffix}")
            with open(copy, "wb") as out:
                try:
                    shutil.copyfileobj(source, out)
                except TypeError:
                    raise InvalidArgumentError(f"{name} is a file of text, not of bytes") from None
            yield copy
    except OSError as error:
        raise from_os_error(error) from error


def renamed(old: str, new: str, given: Any, value: Any) -> Any:
    """The value of a parameter that had another name before; `given` is what came under that, `None` if nothing."""
    if given is None:
        return value
    warnings.warn(f"{old} is now called {new}", DeprecationWarning, stacklevel=3)
    return given


def as_threads(threads: Optional[int]) -> int:
    """A number of threads for the compiled half, where 0 stands for as many as there are cores."""
    if threads is None:
        return 0
    if not isinstance(threads, (int, np.integer)) or not 1 <= threads <= 1024:
        raise InvalidArgumentError(f"threads is {threads!r}, not within 1 to 1024")
    return int(threads)


def _argument_at_fault(error: object, trace: Optional[TracebackType]) -> Optional[str]:
    """What the compiled half says of an argument that it cannot take; `None` for any other error."""
    # Below the call of the compiled half there is no frame, but for what a callback raises.
    if not isinstance(error, TypeError) or trace is None or trace.tb_next is not None:
        return None
    # From Python 3.11 on the name is in a note.
    for note in getattr(error, "__notes__", ()):
        if note.startswith("while processing '"):
            return f"{note.split(chr(39))[1]}: {error}"
    return str(error)


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

    def __exit__(self, kind: object, error: object, trace: Optional[TracebackType]) -> None:
        if self._bar is not None:
            self._bar.close()
        named = _argument_at_fault(error, trace)
        if named is not None:
            raise ArgumentTypeError(named) from None
        if isinstance(error, OverflowError):
            raise InvalidArgumentError(f"a number is out of range: {error}") from None


class Track:
    """The part of a recording that aligning needs: mono sound at 8 kHz with a flattened (whitened) spectrum.

    You make a track once and can compare it with many others. It takes two bytes per sample at 8 kHz. Make one with `track`,
    or load a saved one with `Track.load`.

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

    def __init__(
        self,
        samples: Union[ArrayLike, Iterable[ArrayLike]],
        rate_hz: float,
        *,
        axis: int = 0,
        progress: Progress = None,
    ) -> None:
        self._inner = _make(samples, rate_hz, "samples", axis, progress)

    @classmethod
    def _of(cls, inner: _native.Track) -> Track:
        made = cls.__new__(cls)
        made._inner = inner
        return made

    @classmethod
    def from_bytes(cls, content: bytes) -> Track:
        """Make a track from the output of `to_bytes`, of this version or an earlier one.

        Raises
        ------
        DamagedFileError, UnknownFormatError
            When the bytes are not a track. They are `ValueError`.
        """
        return cls._of(_native.Track.from_bytes(bytes(content)))

    def to_bytes(self) -> bytes:
        """The track as bytes, for storing or sending: about two bytes per sample at 8 kHz."""
        return self._inner.to_bytes()

    @classmethod
    def load(cls, path: Path) -> Track:
        """Read a file that `save` wrote. Raises what `from_bytes` raises, and the errors of reading a file."""
        try:
            with open(path, "rb") as file:
                return cls.from_bytes(file.read())
        except OSError as error:
            raise from_os_error(error) from error

    def save(self, path: Path) -> None:
        """Write the track to a file."""
        try:
            with open(path, "wb") as file:
                file.write(self.to_bytes())
        except OSError as error:
            raise from_os_error(error) from error

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Track) and self.to_bytes() == other.to_bytes()

    def __hash__(self) -> int:
        return hash((len(self), self.is_silent))

    def __reduce__(self) -> tuple[Any, ...]:
        return Track.from_bytes, (self.to_bytes(),)

    def __copy__(self) -> Track:
        return self

    def __deepcopy__(self, memo: object) -> Track:
        # It cannot be changed.
        return self

    @property
    def duration_s(self) -> float:
        return self._inner.duration_s

    @property
    def is_silent(self) -> bool:
        return self._inner.is_silent

    def samples(self) -> NDArray[np.float32]:
        """The whitened sound, float32, mono, 8000 samples per second."""
        return self._inner.samples()

    def __len__(self) -> int:
        return len(self._inner)

    def __repr__(self) -> str:
        return f"Track(duration_s={self.duration_s:.3f}{', silent' if self.is_silent else ''})"


def _make(
    samples: Union[ArrayLike, Iterable[ArrayLike]],
    rate_hz: float,
    name: str,
    axis: int,
    progress: Progress,
    rate_name: str = "rate_hz",
) -> _native.Track:
    rate = as_rate(rate_hz, rate_name)
    if not isinstance(samples, Iterator):
        sound = as_sound(cast("ArrayLike", samples), name, axis)
        with Listener(progress) as callback:
            return _native.track(sound, rate, callback)
    builder: Optional[_native.TrackBuilder] = None
    for block in samples:
        sound = as_sound(block, f"a block of {name}", axis)
        if builder is None:
            builder = _native.TrackBuilder(rate, 1 if sound.ndim == 1 else sound.shape[1])
        builder.push(sound)
    if builder is None:
        raise InvalidArgumentError(f"{name} is empty: it has no block")
    return builder.finish()


def track(
    samples: Union[ArrayLike, Iterable[ArrayLike]], rate_hz: float, *, axis: int = 0, progress: Progress = None
) -> Track:
    """Make the analysis track of a recording.

    Parameters
    ----------
    samples : array_like, shape (frames,) or (frames, channels), or an iterator of such blocks
        Sound: float16, float32 or float64 (full scale 1.0), int32 (also for 24 bits, as SciPy reads them), int16 or uint8.
        Arrays are read in place, whatever their strides, so do not write to them during the call. NaN, infinite and masked
        samples count as silence. Blocks are taken one at a time, so the whole sound need not fit in memory.
    rate_hz : float
        Sampling rate, 1000 to 768000.
    axis : int
        Axis of the frames (time): 0 for frames by channels, 1 or -1 for channels by frames.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    Track

    Raises
    ------
    InvalidArgumentError
        For other types, shapes and rates. It is a `ValueError`.

    Examples
    --------
    >>> import coeval
    >>> samples, rate_hz = coeval.read("recorder.wav")
    >>> coeval.track(samples, rate_hz)
    Track(duration_s=75.000)
    """
    return Track(samples, rate_hz, axis=axis, progress=progress)
