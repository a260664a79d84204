"""Two recordings: how their clocks relate."""

from __future__ import annotations

import html
import json
import math
import os
from dataclasses import dataclass, field, replace
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple, Optional, Union, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _native
from ._errors import DamagedFileError, InvalidArgumentError, from_os_error
from ._map import ClockMap, resample
from ._media import read
from ._sound import File, Listener, Path, Progress, Track, _make, as_path, as_threads, check_numbers

if TYPE_CHECKING:
    import pandas
    from matplotlib.axes import Axes
    from typing_extensions import Unpack

    from ._options import ResampleOptions


class PairJump(NamedTuple):
    """A sudden change of offset between two recordings."""

    a_s: float
    """Where in `a`, seconds."""
    b_s: float
    """Where in `b`, seconds."""
    step_s: float
    """Change of (time of `a` minus time of `b`), seconds; > 0 is sound that `b` lost or `a` repeated."""


class PairStretch(NamedTuple):
    """A part of `b` whose place is known equally well throughout."""

    from_s: float
    """First moment in `b`, seconds."""
    to_s: float
    """Last moment in `b`, seconds."""
    confidence: float
    """Probability that the map is right in this part."""
    uncertainty_s: float
    """One standard deviation of the error in its place, at the worse end of the stretch, seconds."""


class SoundPath(NamedTuple):
    """One source of common sound, with the difference between its delays to the two devices.

    Voices and an engine are in different places, so their sound reaches two microphones with different delays.
    """

    delay_s: float
    """How much later `a` hears this source than the placement says, seconds."""
    voices: float
    """Probability that this source is people's voices; 0 for sound that continues while nobody speaks."""


class RivalPlace(NamedTuple):
    """Another place at which two recordings might lie to each other."""

    shift_s: float
    """How much later in `a` than the placement says, seconds."""
    probability: float
    """Probability that it is the right place."""


class Measurement(NamedTuple):
    """One row of `Evidence`."""

    a_s: float
    """Time in `a`, seconds."""
    b_s: float
    """Time in `b`, seconds."""
    sigma_s: float
    """One standard deviation of `a_s` given `b_s`, seconds."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """The measurements behind a placement: three read-only float64 arrays with one entry for each measurement."""

    a_s: NDArray[np.float64]
    """Time in `a`, seconds."""
    b_s: NDArray[np.float64]
    """Time in `b`, seconds."""
    sigma_s: NDArray[np.float64]
    """One standard deviation of `a_s` given `b_s`, seconds."""

    def __post_init__(self) -> None:
        for array in self._columns():
            array.flags.writeable = False

    def _columns(self) -> tuple[NDArray[np.float64], ...]:
        return self.a_s, self.b_s, self.sigma_s

    def __len__(self) -> int:
        return len(self.a_s)

    def __iter__(self) -> Iterator[Measurement]:
        return (Measurement(*map(float, row)) for row in zip(*self._columns()))

    def __contains__(self, row: object) -> bool:
        return any(one == row for one in self)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Evidence) and all(map(np.array_equal, self._columns(), other._columns()))

    def __hash__(self) -> int:
        return hash(tuple(array.tobytes() for array in self._columns()))

    def __reduce__(self) -> tuple[Any, ...]:
        # Made anew, its arrays are read-only again.
        return Evidence, self._columns()

    def __repr__(self) -> str:
        return f"<{len(self)} measurements>"


@dataclass(frozen=True, eq=False)
class LagCurve:
    """Correlation of two recordings at lags around the alignment; arrays are read-only.

    Made by `PairAlignment.lag_curve`.
    """

    lag_s: NDArray[np.float64]
    """Lag from the alignment, seconds, ascending in steps of 1/8000 s. It is time of `a` minus the time that the alignment
    gives; 0 is the alignment."""
    correlation: NDArray[np.float32]
    """Correlation coefficient at each lag, -1 to 1; 0 where the two have no sound in common."""
    rival_lag_s: NDArray[np.float64]
    """Other lags at which the two are similar, more than 20 ms from 0 and from each other, strongest first."""
    rival_correlation: NDArray[np.float64]
    """Correlation coefficient of each rival."""

    def __post_init__(self) -> None:
        for array in self._columns():
            array.flags.writeable = False

    def _columns(self) -> tuple[NDArray[Any], ...]:
        return self.lag_s, self.correlation, self.rival_lag_s, self.rival_correlation

    def __eq__(self, other: object) -> bool:
        return isinstance(other, LagCurve) and all(map(np.array_equal, self._columns(), other._columns()))

    def __hash__(self) -> int:
        return hash(tuple(array.tobytes() for array in self._columns()))

    def __reduce__(self) -> tuple[Any, ...]:
        # Made anew, its arrays are read-only again.
        return LagCurve, self._columns()

    def plot(self, ax: Optional[Axes] = None) -> Axes:
        """Draw the curve and mark its rivals (``pip install coeval[plot]``)."""
        from ._plot import plot_lag

        return plot_lag(self, ax)

    def __repr__(self) -> str:
        peak = self.correlation[np.argmax(np.abs(self.correlation))]
        return f"LagCurve({len(self.lag_s)} lags, peak {peak:.3f}, {len(self.rival_lag_s)} rivals)"


def _frozen(array: NDArray[np.float64]) -> NDArray[np.float64]:
    array.flags.writeable = False
    return array


@dataclass(frozen=True, eq=False)
class PairAlignment:
    """Offset and drift of recording `b` against recording `a`, or the reason why there is no placement.

    Made by `align` and `align_files`. Where `placed` is false there is no guess: numbers are NaN, arrays are empty, and
    `reason` says why.

    Examples
    --------
    >>> import coeval
    >>> result = coeval.align_files("camera.mp4", "recorder.wav")
    >>> if result.placed:
    ...     print(f"the recorder starts {-result.offset_s:.2f} s before the camera")
    ... else:
    ...     print(result.reason)
    the recorder starts 2.66 s before the camera
    >>> f"{result.clock_map.to_timeline(10.0):.2f} s"       # second 10 of the recorder, in the camera's clip
    '7.34 s'
    """

    placed: bool
    """Whether common sound was found."""
    reason: Optional[str]
    """Why there is no placement, in words; `None` when placed."""
    offset_s: float
    """Time of `a` minus time of `b` at the start of `b`, seconds."""
    drift_ppm: float
    """(seconds of `a` per second of `b` - 1) * 1e6, without jumps."""
    confidence: float
    """Probability that the placement is right."""
    uncertainty_s: float
    """One standard deviation of the placement's error at its worst moment, seconds."""
    overlap_s: float
    """Seconds during which both recorded."""
    residual_rms_s: float
    """Root mean square difference between the measurements and the map, seconds."""
    inverted: bool
    """Whether the polarity of `b` is opposite to that of `a`."""
    rate_mixup: bool
    """Whether the drift is 999 to 1001 ppm. Then two rates were mixed up (1000/1001); the clock itself is good."""
    knots: NDArray[np.float64] = field(repr=False)
    """The map, shape (n, 2): time of `b`, time of `a`; two rows at one time of `b` are a jump."""
    jumps: tuple[PairJump, ...]
    """Jumps, in time order."""
    evidence: Evidence = field(repr=False)
    """The measurements, in time order."""

    sources: Optional[tuple[str, str]] = field(default=None, repr=False, compare=False)
    """The files of `a` and `b`, where `align_files` compared them."""
    stretches: tuple[PairStretch, ...] = field(default=(), repr=False)
    """How well the place is known in each part: before the first measurement, between jumps, where a jump lies sooner
    or later in a silence, after the last measurement."""
    paths: tuple[SoundPath, ...] = field(default=(), repr=False)
    """Sources of common sound with different delays, the one that the placement follows first; empty if voices could not
    be told from the rest."""
    rivals: tuple[RivalPlace, ...] = field(default=(), repr=False)
    """Other places that are not ruled out, the most probable first; three at most."""

    def __post_init__(self) -> None:
        self.knots.flags.writeable = False

    def _key(self) -> tuple[Any, ...]:
        numbers = (self.offset_s, self.drift_ppm, self.confidence, self.uncertainty_s, self.overlap_s)
        # Where there is no placement they are NaN, which equals nothing.
        bits = np.array([*numbers, self.residual_rms_s]).tobytes()
        marks = (self.jumps, self.evidence, self.stretches, self.paths, self.rivals)
        return (self.reason, bits, self.inverted, self.rate_mixup, self.knots.tobytes(), *marks)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, PairAlignment) and self._key() == other._key()

    def __hash__(self) -> int:
        return hash(self._key())

    def __reduce__(self) -> tuple[Any, ...]:
        return PairAlignment, tuple(getattr(self, name) for name in PairAlignment.__dataclass_fields__)

    def __bool__(self) -> bool:
        """Whether there is a placement."""
        return self.placed

    def __len__(self) -> int:
        """Number of measurements."""
        return len(self.evidence)

    def __iter__(self) -> Iterator[Measurement]:
        """The measurements, in time order."""
        return iter(self.evidence)

    def __contains__(self, row: object) -> bool:
        return row in self.evidence

    @classmethod
    def _from_native(cls, found: dict[str, Any]) -> PairAlignment:
        reason = found.get("reason")
        rows = found.get("evidence", np.empty((0, 3)))
        columns = [_frozen(np.ascontiguousarray(rows[:, i])) for i in range(3)]

        def number(key: str) -> float:
            return float(found.get(key, math.nan))

        return cls(
            placed=reason is None,
            reason=reason,
            offset_s=number("offset_s"),
            drift_ppm=number("drift_ppm"),
            confidence=number("confidence"),
            uncertainty_s=number("uncertainty_s"),
            overlap_s=number("overlap_s"),
            residual_rms_s=number("residual_rms_s"),
            inverted=bool(found.get("inverted", False)),
            rate_mixup=bool(found.get("rate_mixup", False)),
            knots=_frozen(found.get("knots", np.empty((0, 2)))),
            jumps=tuple(PairJump(*jump) for jump in found.get("jumps", ())),
            evidence=Evidence(*columns),
            stretches=tuple(PairStretch(*stretch) for stretch in found.get("stretches", ())),
            paths=tuple(SoundPath(*path) for path in found.get("paths", ())),
            rivals=tuple(RivalPlace(*rival) for rival in found.get("rivals", ())),
        )

    @property
    def clock_map(self) -> ClockMap:
        """The map from time of `b` to time of `a`.

        Raises
        ------
        InvalidArgumentError
            When there is no placement.
        """
        if not self.placed:
            raise InvalidArgumentError(f"there is no placement: {self.reason}")
        return ClockMap(self.knots)

    def resample(
        self,
        samples: ArrayLike,
        rate_hz: float,
        target_rate_hz: Optional[float] = None,
        **options: Unpack[ResampleOptions],
    ) -> NDArray[np.float32]:
        """Move sound of `b` onto the clock of `a`; see the function `resample`.

        Examples
        --------
        >>> import coeval
        >>> result = coeval.align_files("camera.mp4", "recorder.wav")
        >>> sound, rate_hz = coeval.read("recorder.wav")
        >>> result.resample(sound, rate_hz, 48_000, frames=96_000).shape
        (96000,)
        """
        return resample(samples, rate_hz, self, target_rate_hz, **options)

    def conform(
        self,
        out: Path,
        *,
        source: Optional[File] = None,
        rate_hz: Optional[int] = None,
        duration_s: Optional[float] = None,
        sample_format: str = "int24",
        replace: bool = False,
        allow_ffmpeg: bool = False,
        progress: Progress = None,
    ) -> int:
        """Write the sound of `b` on the clock of `a` as a WAV file that starts and ends with `a`.

        Parameters
        ----------
        out : str or path-like
            The file to write.
        source : str, path-like or binary file object, optional
            The file of `b`; needed if `align_files` did not make the pair.
        rate_hz : int, optional
            Rate of the output; that of the file if not given.
        duration_s : float, optional
            Length of the output, seconds. If not given: that of the file of `a` if `align_files` made the pair, else up
            to the end of `b`.
        sample_format : {"int24", "int16", "float32"}
            How samples are written.
        replace : bool
            Whether a file of the same name may be replaced.
        allow_ffmpeg : bool
            Whether an ``ffmpeg`` on PATH may read what cannot be read otherwise.

        Returns
        -------
        int
            Number of samples that were beyond full scale.

        Raises
        ------
        InvalidArgumentError
            When there is no placement, or the source is not known. It is a `ValueError`.
        OutputExistsError
            When `out` exists and `replace` is false. It is a `FileExistsError`.

        Examples
        --------
        >>> import coeval
        >>> coeval.align_files("camera.mp4", "recorder.wav").conform("sound/under.wav", replace=True)
        0
        >>> coeval.probe("sound/under.wav").duration_s
        68.0
        """
        from ._media import probe

        if source is None and self.sources is None:
            raise InvalidArgumentError("source is missing: the pair was not made of files")
        sound, rate = read(
            cast("File", source if source is not None else self.sources and self.sources[1]),
            always_2d=True,
            allow_ffmpeg=allow_ffmpeg,
            progress=progress,
        )
        target = rate if rate_hz is None else rate_hz
        if duration_s is None and self.sources is not None:
            duration_s = probe(self.sources[0], allow_ffmpeg=allow_ffmpeg).duration_s
        frames = None if duration_s is None else max(0, round(duration_s * target))
        made = self.resample(sound, rate, target, frames=frames, progress=progress)
        with Listener(None):
            return _native.write_wav(out, made, target, sample_format, replace)

    def lag(self, b_s: ArrayLike) -> NDArray[np.float64]:
        """Offset (time of `a` minus time of `b`, seconds) at moments of `b`, seconds."""
        times = np.asarray(b_s, dtype=np.float64)
        return np.asarray(self.clock_map.to_timeline(times) - times)

    def lag_curve(self, a: Track, b: Track, *, reach_s: float = 10.0, progress: Progress = None) -> LagCurve:
        """Correlate `a` with the aligned `b` at lags around the alignment.

        A clear peak at lag 0 without rivals means that no other place within `reach_s` fits. Rivals come from sound that
        repeats, such as music with a beat.

        Parameters
        ----------
        a, b : Track
            The tracks that were aligned.
        reach_s : float
            Largest lag, seconds, 0.02 to 60.
        progress : callable or bool, optional
            See `align`.

        Returns
        -------
        LagCurve

        Raises
        ------
        InvalidArgumentError
            When there is no placement, or for a reach out of range. It is a `ValueError`.

        Examples
        --------
        >>> import numpy as np, coeval
        >>> world = np.random.default_rng(7).standard_normal(30 * 8000)
        >>> a, b = coeval.track(world, 8000), coeval.track(world[40_000:], 8000)
        >>> curve = coeval.align(a, b).lag_curve(a, b, reach_s=1.0)
        >>> f"{curve.lag_s[np.argmax(curve.correlation)]:.4f}", len(curve.rival_lag_s)
        ('0.0000', 0)
        """
        for name, one in (("a", a), ("b", b)):
            if not isinstance(one, Track):
                raise InvalidArgumentError(f"{name} is {type(one).__name__}, not a Track", remedy="make one with track")
        check_numbers(reach_s=reach_s)
        with Listener(progress) as callback:
            lag_s, correlation, rivals = _native.lag_curve(a._inner, b._inner, self.clock_map._inner, reach_s, callback)
        columns = [np.ascontiguousarray(rivals[:, i]) for i in range(2)]
        return LagCurve(lag_s, correlation, *columns)

    def to_pandas(self, start: Optional[datetime] = None) -> pandas.DataFrame:
        """One row for each measurement, as a pandas table (``pip install coeval[table]``).

        Parameters
        ----------
        start : datetime, optional
            When `a` began: the column ``time`` then holds the moment of each measurement.
        """
        import pandas

        found = self.evidence
        columns: dict[str, Any] = {"a_s": found.a_s, "b_s": found.b_s, "sigma_s": found.sigma_s}
        columns["lag_s"] = found.a_s - found.b_s
        columns["residual_s"] = found.a_s - self.clock_map.to_timeline(found.b_s) if self.placed else found.a_s
        if start is not None:
            columns["time"] = pandas.Timestamp(start) + pandas.to_timedelta(found.a_s, unit="s")
        table: pandas.DataFrame = pandas.DataFrame(columns)
        return table

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> PairAlignment:
        """Make a result from the output of `to_dict`. Anything else raises `DamagedFileError`."""
        try:
            rows, numbers = data["evidence"], ("offset_s", "drift_ppm", "confidence", "uncertainty_s", "overlap_s")
            number: dict[str, Any] = {
                name: math.nan if data[name] is None else float(data[name]) for name in (*numbers, "residual_rms_s")
            }
            return cls(
                placed=bool(data["placed"]),
                reason=data["reason"],
                **number,
                inverted=bool(data["inverted"]),
                rate_mixup=bool(data["rate_mixup"]),
                knots=np.array(data["knots"], dtype=np.float64).reshape(-1, 2),
                jumps=tuple(PairJump(**jump) for jump in data["jumps"]),
                evidence=Evidence(*(np.array(rows[name], dtype=np.float64) for name in ("a_s", "b_s", "sigma_s"))),
                stretches=tuple(PairStretch(**stretch) for stretch in data.get("stretches", ())),
                paths=tuple(SoundPath(**path) for path in data.get("paths", ())),
                rivals=tuple(RivalPlace(**rival) for rival in data.get("rivals", ())),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise DamagedFileError(f"not a pair: {error}") from None

    @classmethod
    def from_json(cls, text: str) -> PairAlignment:
        """Make a result from the output of `to_json`. Anything else raises `DamagedFileError`."""
        try:
            return cls.from_dict(json.loads(text))
        except json.JSONDecodeError as error:
            raise DamagedFileError(f"not a pair: {error}") from None

    @classmethod
    def load(cls, path: Path) -> PairAlignment:
        """Read a file that `save` wrote. Raises what `from_json` raises, and the errors of reading a file."""
        try:
            with open(path, encoding="utf-8") as file:
                return cls.from_json(file.read())
        except OSError as error:
            raise from_os_error(error) from error

    def save(self, path: Path) -> None:
        """Write the result to a file, as JSON."""
        try:
            with open(path, "w", encoding="utf-8") as file:
                file.write(self.to_json())
        except OSError as error:
            raise from_os_error(error) from error

    def to_dict(self) -> dict[str, Any]:
        """All fields as plain Python values, ready for `json.dumps`; NaN becomes `None`."""

        def plain(x: float) -> Optional[float]:
            return None if math.isnan(x) else x

        return {
            "placed": self.placed,
            "reason": self.reason,
            "offset_s": plain(self.offset_s),
            "drift_ppm": plain(self.drift_ppm),
            "confidence": plain(self.confidence),
            "uncertainty_s": plain(self.uncertainty_s),
            "overlap_s": plain(self.overlap_s),
            "residual_rms_s": plain(self.residual_rms_s),
            "inverted": self.inverted,
            "rate_mixup": self.rate_mixup,
            "knots": self.knots.tolist(),
            "jumps": [jump._asdict() for jump in self.jumps],
            "evidence": {
                "a_s": self.evidence.a_s.tolist(),
                "b_s": self.evidence.b_s.tolist(),
                "sigma_s": self.evidence.sigma_s.tolist(),
            },
            "stretches": [stretch._asdict() for stretch in self.stretches],
            "paths": [path._asdict() for path in self.paths],
            "rivals": [rival._asdict() for rival in self.rivals],
        }

    def to_json(self) -> str:
        """`to_dict` as JSON text."""
        return json.dumps(self.to_dict())

    def plot(self, ax: Optional[Axes] = None) -> Axes:
        """Draw the offset over time: the measurements with their uncertainty, and the map through them.

        The time in which both devices ran is shaded.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw. If not given, a new figure, with the residuals (the measurements minus the map) below.

        Returns
        -------
        matplotlib.axes.Axes
            Those of the offset.

        Raises
        ------
        ImportError
            Without matplotlib (``pip install coeval[plot]``).
        """
        from ._plot import plot_pair

        return plot_pair(self, ax)

    def __str__(self) -> str:
        if not self.placed:
            return f"unplaced: {self.reason}"
        jumps = "" if not self.jumps else f", {len(self.jumps)} jump{'s' if len(self.jumps) > 1 else ''}"
        return (
            f"offset {self.offset_s:.6f} s, drift {self.drift_ppm:+.2f} ppm{jumps}, "
            f"std. dev. {self.uncertainty_s * 1e3:.3f} ms, confidence {self.confidence:.4f}"
        )

    def _repr_html_(self) -> str:
        if not self.placed:
            return f"<p><b>unplaced</b>: {html.escape(self.reason or '')}</p>"
        rows = [
            ("offset", f"{self.offset_s:.6f} s"),
            ("drift", f"{self.drift_ppm:+.3f} ppm"),
            ("std. dev.", f"{self.uncertainty_s * 1e3:.3f} ms"),
            ("confidence", f"{self.confidence:.6f}"),
            ("overlap", f"{self.overlap_s:.1f} s"),
            ("measurements", str(len(self.evidence))),
            ("jumps", ", ".join(f"{j.step_s:+.3f} s at {j.b_s:.1f} s" for j in self.jumps) or "none"),
        ]
        body = "".join(f"<tr><th style='text-align:left'>{name}</th><td>{value}</td></tr>" for name, value in rows)
        return f"<table>{body}</table>"


def _range(offset_range_s: Optional[tuple[float, float]]) -> Optional[tuple[float, float]]:
    if offset_range_s is None:
        return None
    try:
        low, high = offset_range_s
        return float(low), float(high)
    except (TypeError, ValueError):
        raise InvalidArgumentError(f"offset_range_s is {offset_range_s!r}, not (lowest, highest) in seconds") from None


def align(
    a: Union[Track, ArrayLike],
    b: Union[Track, ArrayLike],
    rate_a: Optional[float] = None,
    rate_b: Optional[float] = None,
    *,
    max_drift_ppm: float = 500.0,
    offset_range_s: Optional[tuple[float, float]] = None,
    axis: int = 0,
    threads: Optional[int] = None,
    progress: Progress = None,
) -> PairAlignment:
    """Find offset and drift of recording `b` against recording `a`.

    Parameters
    ----------
    a, b : Track or array_like, shape (frames,) or (frames, channels)
        The recordings. If you compare one recording with many, make its `track` once.
    rate_a : float, optional
        Sampling rate of `a`, Hz; needed for an array.
    rate_b : float, optional
        Sampling rate of `b`, Hz; `rate_a` if not given.
    max_drift_ppm : float
        Largest drift between the two clocks to search for, ppm, 0 to 1200.
    offset_range_s : (float, float), optional
        Lowest and highest possible offset, seconds, if you know them.
    axis : int
        Axis of the frames (time) in arrays; see `track`.
    threads : int, optional
        Number of threads; the number of cores if not given. The result does not depend on it.
    progress : callable or bool, optional
        ``progress(stage, done)`` is called a few times a second, in this thread. `done` goes from 0 to 1 in each
        stage. If it returns `False`, the work stops with `CancelledError`. `True` draws a bar if tqdm is installed.

    Returns
    -------
    PairAlignment
        If the two share no sound, this is not an error: `placed` is false.

    Raises
    ------
    InvalidArgumentError
        For arguments out of range. It is a `ValueError`.
    CancelledError
        When `progress` returned `False`.
    KeyboardInterrupt
        On Ctrl-C, within a fraction of a second.

    Notes
    -----
    The interpreter's lock is released, so several threads can align at the same time. Do not write to the arrays
    until the call returns.

    Examples
    --------
    >>> import numpy as np, coeval
    >>> rng = np.random.default_rng(7)
    >>> world = rng.standard_normal(30 * 8000)
    >>> a = world + rng.standard_normal(world.size)
    >>> b = world[5 * 8000:] + rng.standard_normal(world.size - 5 * 8000)
    >>> result = coeval.align(a, b, 8000)
    >>> print(f"{result.offset_s:.4f} s")
    5.0000 s
    """

    def as_track(sound: Union[Track, ArrayLike], rate: Optional[float], name: str) -> Track:
        if isinstance(sound, Track):
            return sound
        if rate is None:
            raise InvalidArgumentError(f"{name} is missing: an array does not contain its sampling rate")
        return Track._of(_make(sound, rate, name[-1], axis, None, name))

    rate_b = rate_a if rate_b is None else rate_b
    count, known = as_threads(threads), _range(offset_range_s)
    check_numbers(max_drift_ppm=max_drift_ppm)
    track_a, track_b = as_track(a, rate_a, "rate_a"), as_track(b, rate_b, "rate_b")
    with Listener(progress) as callback:
        found = _native.align(track_a._inner, track_b._inner, max_drift_ppm, known, count, callback)
    return PairAlignment._from_native(found)


def align_files(
    a: File,
    b: File,
    *,
    max_drift_ppm: float = 500.0,
    offset_range_s: Optional[tuple[float, float]] = None,
    allow_ffmpeg: bool = False,
    threads: Optional[int] = None,
    progress: Progress = None,
) -> PairAlignment:
    """Find offset and drift of the sound of file `b` against that of file `a`.

    Zero is the first moment that a player presents. Files are read in blocks, so they may be longer than memory.

    Parameters
    ----------
    a, b : str, path-like or binary file object
        Sound or picture files. A file object is copied to a temporary file, from its current position on.
    max_drift_ppm, offset_range_s, threads, progress
        See `align`.
    allow_ffmpeg : bool
        Whether an ``ffmpeg`` on PATH may read what cannot be read otherwise.

    Returns
    -------
    PairAlignment

    Raises
    ------
    FileMissingError, NoAccessError, MediaError
        When a file cannot be used. They are `FileNotFoundError`, `PermissionError` and `ValueError`.

    Examples
    --------
    >>> import coeval
    >>> result = coeval.align_files("camera.mp4", "recorder.wav")
    >>> print(f"offset {result.offset_s:.2f} s, drift {result.drift_ppm:.0f} ppm")
    offset -2.66 s, drift -52 ppm
    """
    count, known = as_threads(threads), _range(offset_range_s)
    check_numbers(max_drift_ppm=max_drift_ppm)
    with as_path(a, "a") as path_a, as_path(b, "b") as path_b, Listener(progress) as callback:
        found = _native.align_files(path_a, path_b, max_drift_ppm, known, allow_ffmpeg, count, callback)
    paths = None if path_a is not a or path_b is not b else (os.fspath(path_a), os.fspath(path_b))
    return replace(PairAlignment._from_native(found), sources=paths)
