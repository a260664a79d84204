"""The map from one file's time to the timeline, and sound moved along it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Optional, Union, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _native
from ._errors import InvalidArgumentError
from ._sound import Listener, Progress, as_rate, as_sound, check_numbers

if TYPE_CHECKING:
    from ._pair import PairAlignment

_Times = Union[float, NDArray[np.float64]]


class ClockMap:
    """Piecewise-linear map from file time to timeline time, both in seconds.

    File time starts at the first moment that a player presents.

    Parameters
    ----------
    knots : array_like, shape (n, 2)
        Rows ``file_s, timeline_s``, ascending in file time; two rows at one file time are a jump.

    Raises
    ------
    InvalidArgumentError
        When the knots are fewer than two, not finite, or do not ascend. It is a `ValueError`.

    Examples
    --------
    >>> map = ClockMap.linear(offset_s=28.0, drift_ppm=-31.8, duration_s=530.0)
    >>> float(map.to_timeline(0.0))
    28.0
    >>> map.to_timeline([0.0, 100.0])
    array([ 28.     , 127.99682])
    """

    __slots__ = ("_inner",)
    _inner: _native.ClockMap

    def __init__(self, knots: ArrayLike) -> None:
        try:
            rows = np.ascontiguousarray(knots, dtype=np.float64)
        except (TypeError, ValueError):
            raise InvalidArgumentError("knots are not an array of numbers") from None
        if rows.ndim != 2 or rows.shape[1] != 2:
            raise InvalidArgumentError(f"knots have the shape {rows.shape}, not (n, 2)")
        self._inner = _native.ClockMap(rows)

    @classmethod
    def linear(cls, offset_s: float, drift_ppm: float, duration_s: float) -> ClockMap:
        """A straight map over a file of `duration_s` seconds.

        Parameters
        ----------
        offset_s : float
            Timeline time minus file time at the file's start.
        drift_ppm : float
            (timeline seconds per file second - 1) * 1e6.
        duration_s : float
            Length of the file.
        """
        if not (np.isfinite(offset_s) and np.isfinite(drift_ppm) and np.isfinite(duration_s)):
            raise InvalidArgumentError("offset_s, drift_ppm and duration_s must be finite numbers")
        return cls(_native.ClockMap.linear(offset_s, drift_ppm, duration_s).knots)

    @property
    def knots(self) -> NDArray[np.float64]:
        """The knots, shape (n, 2), float64: file time and timeline time, seconds."""
        return self._inner.knots

    @property
    def offset_s(self) -> float:
        """Timeline time minus file time at the file's start, seconds."""
        return self._inner.offset_s

    @property
    def drift_ppm(self) -> float:
        """(timeline seconds per file second - 1) * 1e6, mean over the map without its jumps."""
        return self._inner.drift_ppm

    @property
    def jumps(self) -> list[tuple[float, float]]:
        """Jumps as ``(file_s, lost_s)``; `lost_s` < 0 is sound that the file repeated."""
        return self._inner.jumps

    @overload
    def to_timeline(self, file_s: float) -> float: ...
    @overload
    def to_timeline(self, file_s: ArrayLike) -> _Times: ...
    def to_timeline(self, file_s: ArrayLike) -> _Times:
        """Timeline time of moments in the file, seconds; any shape."""
        times = np.asarray(file_s, dtype=np.float64)
        mapped = self._inner.to_timeline(times.ravel()).reshape(times.shape)
        return float(mapped) if times.ndim == 0 else mapped

    @overload
    def to_file(self, timeline_s: float) -> float: ...
    @overload
    def to_file(self, timeline_s: ArrayLike) -> _Times: ...
    def to_file(self, timeline_s: ArrayLike) -> _Times:
        """File time of moments on the timeline, seconds; any shape. Inside a gap that the file lost: the moment of the jump."""
        times = np.asarray(timeline_s, dtype=np.float64)
        mapped = self._inner.to_file(times.ravel()).reshape(times.shape)
        return float(mapped) if times.ndim == 0 else mapped

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ClockMap) and np.array_equal(self.knots, other.knots)

    def __hash__(self) -> int:
        return hash(self.knots.tobytes())

    def __reduce__(self) -> tuple[Any, ...]:
        return ClockMap, (self.knots,)

    def __repr__(self) -> str:
        count = len(self.knots)
        return f"ClockMap(offset_s={self.offset_s:.6f}, drift_ppm={self.drift_ppm:.2f}, {count} knots)"


def resample(
    samples: ArrayLike,
    rate_hz: float,
    clock_map: Union[ClockMap, PairAlignment],
    target_rate_hz: Optional[float] = None,
    *,
    under: Optional[ClockMap] = None,
    start_s: float = 0.0,
    frames: Optional[int] = None,
    fade_s: float = 0.005,
    axis: int = 0,
    progress: Progress = None,
) -> NDArray[np.float32]:
    """Conform sound in memory: move it onto the timeline, or under a clip of another recording.

    A band-limited resampler follows the map: drift, wander and jumps. Where the source lost sound, there is silence.

    Parameters
    ----------
    samples : array_like, shape (frames,) or (frames, channels)
        The source; float32, float64 or int16.
    rate_hz : float
        Its nominal sampling rate.
    clock_map : ClockMap or PairAlignment
        The map from source time to timeline time. A pair maps time of `b` to time of `a`.
    target_rate_hz : float, optional
        Rate of the output; `rate_hz` if not given.
    under : ClockMap, optional
        The clip's own map to the timeline. Output time is then the clip's file time; otherwise it is timeline time.
    start_s : float
        Output time of the first output frame, seconds.
    frames : int, optional
        Length of the output; if not given, up to the end of the source.
    fade_s : float
        Length of the fades at jumps, 0 to 1 s.
    axis : int
        Axis of the frames (time); see `track`. The output has the same layout.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    ndarray of float32, shape (frames,) or (frames, channels)
        Mono if `samples` is mono.

    Raises
    ------
    InvalidArgumentError
        For arguments out of range. It is a `ValueError`.

    Examples
    --------
    >>> import numpy as np, coeval
    >>> tone = np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000)
    >>> clock = coeval.ClockMap.linear(offset_s=0.5, drift_ppm=80.0, duration_s=1.0)
    >>> coeval.resample(tone, 48_000, clock).shape
    (72004,)
    """
    sound, rate = as_sound(samples, axis=axis), as_rate(rate_hz)
    if not isinstance(clock_map, ClockMap):
        clock_map = clock_map.clock_map
    target = rate if target_rate_hz is None else as_rate(target_rate_hz, "target_rate_hz")
    if frames is None:
        end = clock_map.to_timeline(sound.shape[0] / rate)
        if under is not None:
            end = under.to_file(end)
        # A hair less than the end, so that rounding of the map does not cost a frame of silence.
        frames = max(0, int(np.ceil((end - start_s) * target - 1e-6)))
    if not isinstance(frames, (int, np.integer)):
        raise InvalidArgumentError(f"frames is {frames!r}, not a whole number")
    if frames < 0:
        raise InvalidArgumentError(f"frames is {frames}, less than 0")
    check_numbers(start_s=start_s, fade_s=fade_s)
    under_native = None if under is None else under._inner
    with Listener(progress) as callback:
        out = _native.resample(
            sound, rate, clock_map._inner, under_native, target, start_s, frames, fade_s, callback
        )
    if sound.ndim == 1:
        return out[:, 0]
    return out if axis == 0 else out.T
