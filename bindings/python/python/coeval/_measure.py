"""Markers and levels of one recording, and peaks kept under a limit."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple, Optional

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _native
from ._errors import InvalidArgumentError
from ._native import Marker
from ._sound import Listener, Progress, as_rate, as_sound, check_numbers, numbers, renamed

if TYPE_CHECKING:
    import pandas


class MarkerPair(NamedTuple):
    """A marker of each recording; both are the same sound."""

    index_a: int
    """Index into the markers of `a`."""
    index_b: int
    """Index into the markers of `b`."""
    a_s: float
    """Its time in `a`, seconds."""
    b_s: float
    """Its time in `b`, seconds."""
    sigma_s: float
    """One standard deviation of `a_s` given `b_s`, seconds."""


@dataclass(frozen=True)
class MarkerMatch:
    """Offset and drift of `b` against `a`, from their markers alone; made by `match_markers`."""

    offset_s: float
    """Time of `a` minus time of `b` at the start of `b`, seconds."""
    drift_ppm: float
    """(seconds of `a` per second of `b` - 1) * 1e6."""
    drift_sigma_ppm: float
    """One standard deviation of `drift_ppm`."""
    uncertainty_s: float
    """One standard deviation of the offset in the middle of the matched markers, seconds."""
    residual_rms_s: float
    """Root mean square difference between the pairs and the straight line, seconds."""
    chance: float
    """Expected number of equally good matches by chance."""
    confidence: float
    """Probability that the match is right."""
    pairs: tuple[MarkerPair, ...]
    """The matched markers, in time order."""

    def to_dict(self) -> dict[str, Any]:
        """All fields as plain Python values."""
        return {**asdict(self), "pairs": [pair._asdict() for pair in self.pairs]}


class Stretch(NamedTuple):
    """A stretch of a recording."""

    start_s: float
    """Where it starts, seconds after the first sample."""
    length_s: float
    """How long it is, seconds."""


class Advice(NamedTuple):
    """Advice on a level, for people."""

    serious: bool
    """Whether this spoils the recording; if not, it is only worth knowing."""
    text: str
    """In words."""


@dataclass(frozen=True)
class ChannelLevel:
    """One channel's readings."""

    sample_peak_dbfs: float
    """Largest sample, dB relative to full scale; minus infinity for silence."""
    true_peak_dbtp: float
    """True peak (ITU-R BS.1770): the largest magnitude, also between samples, dB relative to full scale."""
    dc: float
    """Mean of the samples; full scale is 1."""
    rms_dbfs: float
    """Root mean square, dB relative to full scale."""
    clipped_runs: int
    """Runs of three or more clipped samples."""
    clipped_samples: int
    """Number of samples in these runs."""
    active_level_dbfs: Optional[float]
    """Level of the active part (ITU-T P.56, method B), dB relative to full scale."""
    activity: float
    """Fraction of the time that is active, 0 to 1."""


@dataclass(frozen=True)
class LevelReport:
    """Levels and faults of a recording; made by `levels`.

    `None` stands where there is too little sound to measure.
    """

    duration_s: float
    """Length, seconds."""
    channels: tuple[ChannelLevel, ...]
    """Each channel's readings."""
    integrated_lufs: Optional[float]
    """Integrated loudness (ITU-R BS.1770, EBU R 128), LUFS. A single channel counts as two, as if played in both ears."""
    momentary_max_lufs: Optional[float]
    """Largest momentary loudness (0.4 s), LUFS."""
    short_term_max_lufs: Optional[float]
    """Largest short-term loudness (3 s), LUFS."""
    loudness_range_lu: Optional[float]
    """Loudness range (EBU Tech 3342), LU."""
    noise_floor_dbfs: Optional[float]
    """10th percentile of the levels of 50 ms frames, dB relative to full scale."""
    hum_hz: Optional[float]
    """Mains frequency whose multiples stand out, Hz; `None` without hum."""
    hum_dbfs: Optional[float]
    """Level of this hum, all multiples together, dB relative to full scale."""
    clipping: tuple[Stretch, ...]
    """The first thousand clipped runs."""
    silence: tuple[Stretch, ...]
    """Stretches of digital silence of 0.1 s or more, the first thousand."""
    silence_total_s: float
    """All digital silence together, seconds."""
    dropouts: tuple[Stretch, ...]
    """Drop-outs: zeros for 1 to 100 ms within sound, the first thousand."""
    dropout_count: int
    """Number of drop-outs."""
    advice: tuple[Advice, ...]
    """Advice that follows from the readings, serious advice first."""

    def to_dict(self) -> dict[str, Any]:
        """All fields as plain Python values. Levels of silence are minus infinity."""
        lists = {name: [s._asdict() for s in getattr(self, name)] for name in ("clipping", "silence", "dropouts", "advice")}
        return {**asdict(self), "channels": [asdict(channel) for channel in self.channels], **lists}

    def _repr_html_(self) -> str:
        def row(name: str, value: Optional[float], unit: str) -> str:
            said = "none" if value is None else f"{value:.1f} {unit}"
            return f"<tr><th style='text-align:left'>{name}</th><td>{said}</td></tr>"

        rows = [
            row("loudness", self.integrated_lufs, "LUFS"),
            row("loudness range", self.loudness_range_lu, "LU"),
            row("noise floor", self.noise_floor_dbfs, "dBFS"),
            row("hum", self.hum_dbfs, "dBFS"),
            *(row(f"true peak, channel {i + 1}", c.true_peak_dbtp, "dBTP") for i, c in enumerate(self.channels)),
        ]
        advice = "".join(f"<p>{html.escape(one.text)}</p>" for one in self.advice)
        return f"<table>{''.join(rows)}</table>{advice}"


def markers(
    samples: ArrayLike,
    rate_hz: float,
    *,
    min_peak_dbfs: float = -60.0,
    min_score: float = 0.0,
    every: bool = False,
    axis: int = 0,
    progress: Progress = None,
    all: Optional[bool] = None,
) -> list[Marker]:
    """Find the short sharp sounds of a recording: claps, slates, knocks.

    Parameters
    ----------
    samples : array_like, shape (frames,) or (frames, channels)
        Sound; float32, float64 or int16.
    rate_hz : float
        Sampling rate, 8000 to 192000.
    min_peak_dbfs : float
        Minimum peak. Quieter sounds are left out.
    min_score : float
        Minimum score (log odds) of a marker.
    every : bool
        Return every candidate, with any shape, grouping and score.
    axis : int
        Axis of the frames (time); see `track`.
    progress : callable or bool, optional
        See `align`.
    all : bool, optional
        The earlier name of `every`; deprecated.

    Returns
    -------
    list of Marker
        In time order.

    Raises
    ------
    InvalidArgumentError
        For other shapes and rates, and options out of their ranges. It is a `ValueError`.

    Examples
    --------
    >>> import coeval
    >>> samples, rate_hz = coeval.read("claps.wav")
    >>> # From 2 on the command shows them to a person.
    >>> for marker in coeval.markers(samples, rate_hz, min_score=2.0):
    ...     print(f"{marker.shape} at {marker.time_s:.2f} s")
    clap at 5.81 s
    clap at 28.76 s
    clap at 29.69 s
    """
    every = renamed("all", "every", all, every)
    given = numbers("markers", {**locals(), "all": every})
    sound, rate = as_sound(samples, axis=axis), as_rate(rate_hz)
    with Listener(progress) as callback:
        return _native.find_markers(sound, rate, given, callback)


def markers_to_pandas(markers: Sequence[Marker], start: Optional[datetime] = None) -> pandas.DataFrame:
    """One row for each marker, as a pandas table (``pip install coeval[table]``).

    Parameters
    ----------
    markers : sequence of Marker
        What `markers` found.
    start : datetime, optional
        When the recording began: the column ``time`` then holds the moment of each marker.

    Returns
    -------
    pandas.DataFrame
        Times and uncertainties in seconds, levels in dB; empty without markers.

    Examples
    --------
    >>> import coeval
    >>> table = coeval.markers_to_pandas(coeval.markers(*coeval.read("recorder.wav")))
    >>> [name for name in table.columns if name.endswith("_s")]
    ['time_s', 'uncertainty_s']
    """
    import pandas

    figures = ("time_s", "uncertainty_s", "sharpness_db", "peak_dbfs", "snr_db", "score")
    columns: dict[str, Any] = {name: np.array([getattr(m, name) for m in markers], dtype=np.float64) for name in figures}
    columns["shape"] = [m.shape for m in markers]
    columns["grouping"] = [m.grouping for m in markers]
    if start is not None:
        columns["time"] = pandas.Timestamp(start) + pandas.to_timedelta(columns["time_s"], unit="s")
    table: pandas.DataFrame = pandas.DataFrame(columns)
    return table


def match_markers(
    a: Sequence[Marker],
    b: Sequence[Marker],
    *,
    max_drift_ppm: float = 500.0,
    offset_range_s: Optional[tuple[float, float]] = None,
    durations_s: Optional[tuple[float, float]] = None,
    min_confidence: float = 0.9,
) -> Optional[MarkerMatch]:
    """Find the offset and drift at which most markers of two recordings coincide.

    Parameters
    ----------
    a, b : sequence of Marker
        What `markers` found in each.
    max_drift_ppm : float
        Largest drift between the two clocks to search for, ppm, 0 to 1200.
    offset_range_s : (float, float), optional
        Lowest and highest possible offset, seconds, if you know them.
    durations_s : (float, float), optional
        Lengths of the two recordings, seconds. They show how likely a coincidence by chance is.
    min_confidence : float
        Minimum confidence of a match, 0 to 1.

    Returns
    -------
    MarkerMatch or None
        `None` if chance alone could explain the match. One clap in each recording proves nothing.

    Raises
    ------
    InvalidArgumentError
        For options out of their ranges. It is a `ValueError`.

    Examples
    --------
    The second recording is the first without its first two seconds:

    >>> import coeval
    >>> samples, rate_hz = coeval.read("claps.wav")
    >>> a, b = (coeval.markers(part, rate_hz, min_score=2.0) for part in (samples, samples[2 * rate_hz :]))
    >>> match = coeval.match_markers(a, b)
    >>> f"offset {match.offset_s:.3f} s, from {len(match.pairs)} claps"
    'offset 2.000 s, from 3 claps'
    """
    check_numbers(max_drift_ppm=max_drift_ppm, min_confidence=min_confidence)
    with Listener(None):
        found = _native.match_markers(a, b, max_drift_ppm, offset_range_s, durations_s, min_confidence)
    if found is None:
        return None
    return MarkerMatch(**{**found, "pairs": tuple(MarkerPair(*pair) for pair in found["pairs"])})


def levels(samples: ArrayLike, rate_hz: float, *, progress: Progress = None) -> LevelReport:
    """Measure the levels of a recording: peaks, loudness, clipping, hum, drop-outs.

    Parameters
    ----------
    samples : array_like, shape (frames,) or (frames, channels)
        Sound; float32, float64 or int16.
    rate_hz : int
        Sampling rate, a whole number, 8000 to 192000.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    LevelReport

    Raises
    ------
    InvalidArgumentError
        For other shapes and rates. It is a `ValueError`.

    Examples
    --------
    >>> import numpy as np, coeval
    >>> tone = 0.1 * np.sin(2 * np.pi * 997 * np.arange(480_000) / 48_000)
    >>> report = coeval.levels(tone, 48_000)
    >>> round(report.channels[0].sample_peak_dbfs, 1)
    -20.0
    """
    sound, rate = as_sound(samples), as_rate(rate_hz)
    if rate != int(rate):
        raise InvalidArgumentError(f"rate_hz is {rate}, not a whole number")
    with Listener(progress) as callback:
        found = _native.levels(sound, int(rate), callback)
    values: dict[str, Any] = {f.name: found[f.name] for f in fields(LevelReport)}
    values["channels"] = tuple(ChannelLevel(**channel) for channel in found["channels"])
    values["advice"] = tuple(Advice(*one) for one in found["advice"])
    for name in ("clipping", "silence", "dropouts"):
        values[name] = tuple(Stretch(*one) for one in found[name])
    return LevelReport(**values)


class LtcFrame(NamedTuple):
    """One frame of timecode in sound."""

    start_s: float
    """Where it begins, seconds after the first sample."""
    length_s: float
    """How long it is, seconds."""
    label: str
    """As written: ``01:02:03:04``, with ``;`` before the frames of drop-frame."""
    hours: int
    """0 to 23."""
    minutes: int
    """0 to 59."""
    seconds: int
    """0 to 59."""
    frames: int
    """Frame within the second, from 0."""
    fps: int
    """Frames are counted to this number: 24, 25 or 30."""
    drop_frame: bool
    """Whether the count is drop-frame, which skips labels to keep 30000/1001 fps near clock time."""
    user_bits: int
    """The eight groups of user bits, the first group lowest."""


def ltc(samples: ArrayLike, rate_hz: float, *, progress: Progress = None) -> list[LtcFrame]:
    """Read linear timecode (LTC, SMPTE ST 12-1) from one channel of sound.

    Parameters
    ----------
    samples : array_like, shape (frames,)
        The channel that carries it; float32, float64 or int16.
    rate_hz : float
        Sampling rate, 22050 to 768000.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    list of LtcFrame
        In order of time. Frames whose label does not continue the count are left out. Without timecode the list
        is empty.

    Raises
    ------
    InvalidArgumentError
        For several channels, and rates out of range. It is a `ValueError`.

    Examples
    --------
    This recording has no timecode:

    >>> import coeval
    >>> samples, rate_hz = coeval.read("recorder.wav")
    >>> coeval.ltc(samples, rate_hz)
    []
    """
    sound, rate = as_sound(samples), as_rate(rate_hz)
    if sound.ndim != 1 and sound.shape[1] != 1:
        raise InvalidArgumentError(f"samples have {sound.shape[1]} channels: give one, as samples[:, 0]")
    with Listener(progress) as callback:
        found = _native.ltc(sound, rate, callback)
    return [LtcFrame(*row[:3], *row[3], *row[4:]) for row in found]


def limit(
    samples: ArrayLike, rate_hz: float, limit_dbtp: float = -1.0, *, progress: Progress = None
) -> NDArray[np.float32]:
    """Keep true peaks under a limit.

    All channels are turned down by the same amount just before a peak, and slowly turned up again after it.

    Parameters
    ----------
    samples : array_like, shape (frames,) or (frames, channels)
        Sound; float32, float64 or int16.
    rate_hz : float
        Sampling rate, 8000 to 768000.
    limit_dbtp : float
        Maximum true peak (ITU-R BS.1770), dB relative to full scale, -60 to 0.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    ndarray of float32, in the shape of `samples`
        Quiet passages are unchanged.

    Raises
    ------
    InvalidArgumentError
        For other shapes, rates and limits. It is a `ValueError`.

    Examples
    --------
    >>> import numpy as np, coeval
    >>> tone = 2.0 * np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000)
    >>> bool(np.abs(coeval.limit(tone, 48_000, -6.0)).max() <= 10 ** (-6.0 / 20))
    True
    """
    sound, rate = as_sound(samples), as_rate(rate_hz)
    check_numbers(limit_dbtp=limit_dbtp)
    with Listener(progress) as callback:
        limited = _native.limit(sound, rate, limit_dbtp, callback)
    return limited.reshape(sound.shape)
