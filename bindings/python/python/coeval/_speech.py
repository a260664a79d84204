"""When someone speaks on a recorder's track: the people aboard, the radio, or nobody."""

from __future__ import annotations

import html
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Optional

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _native
from ._errors import InvalidArgumentError
from ._plot import shown_origin
from ._sound import Listener, Progress, as_rate, as_sound

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class SpeechSegment:
    """A stretch of speech; made by `SpeechCurve.segments`."""

    start_s: float
    """Where it begins, seconds after the first sample."""
    end_s: float
    """Where it ends, seconds."""
    confidence: float = 1.0
    """Mean probability of speech in it, 0 to 1."""
    outside_band_db: Optional[float] = None
    """Power outside a radio's band over power inside it, without the noise floor, dB. It is low for a radio; `None` if
    unknown."""

    def origin(self, shared: Optional[float] = None) -> str:
        """Where the voice comes from by two thresholds: ``"intercom"`` (any local voice) or ``"radio"``.

        `hear` weighs more, cuts where the origin changes, and gives a probability (`Voice.radio`).

        Parameters
        ----------
        shared : float, optional
            How surely a camera hears the same speech, in standard deviations, from `shared_speech`. If several cameras
            ran, give the largest value. Without it (or NaN) only the frequency band decides.

        Examples
        --------
        >>> import coeval
        >>> call = coeval.SpeechSegment(1.0, 2.5)
        >>> call.origin(shared=21.0), call.origin(shared=2.0)
        ('intercom', 'radio')
        """
        known = None if shared is None or math.isnan(shared) else float(shared)
        return _native.speech_origin(self.start_s, self.end_s, self.outside_band_db, known)

    def to_dict(self) -> dict[str, Any]:
        """All fields as plain Python values."""
        return asdict(self)


class SpeechCurve:
    """Probability of speech over time; it cannot be changed. Made by `speech` or `SpeechCurve.from_values`.

    Attributes
    ----------
    probability : ndarray of float32, shape (n,), read-only
        Probability of speech in each step, 0 to 1.
    step_s : float
        Time from one probability to the next, seconds.
    duration_s : float
        Length, seconds, a whole number of steps.
    """

    __slots__ = ("_inner", "probability")
    _inner: _native.SpeechCurve
    probability: NDArray[np.float32]
    step_s: float = _native.SPEECH_STEP_S

    def __init__(self, inner: _native.SpeechCurve) -> None:
        probability = inner.probability()
        probability.flags.writeable = False
        object.__setattr__(self, "_inner", inner)
        object.__setattr__(self, "probability", probability)

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"a SpeechCurve cannot be changed ({name})")

    def __delattr__(self, name: str) -> None:
        raise AttributeError(f"a SpeechCurve cannot be changed ({name})")

    @classmethod
    def from_values(cls, probability: ArrayLike) -> SpeechCurve:
        """Make a curve from your own probabilities, 0 to 1, one for every 10 ms. Its segments say nothing about radio.

        Raises
        ------
        InvalidArgumentError
            When its shape is not (n,), or a value is not within 0 to 1. It is a `ValueError`.
        """
        values = np.asarray(probability, dtype=np.float32)
        if values.ndim != 1:
            raise InvalidArgumentError(f"probability has {values.ndim} dimensions, not 1")
        return cls(_native.SpeechCurve.from_values(values))

    @property
    def duration_s(self) -> float:
        return len(self.probability) * self.step_s

    @property
    def times_s(self) -> NDArray[np.float64]:
        """Where each step begins, seconds, shape (n,)."""
        times: NDArray[np.float64] = np.arange(len(self.probability), dtype=np.float64) * self.step_s
        return times

    def segments(
        self,
        *,
        enter: Optional[float] = None,
        leave: Optional[float] = None,
        min_speech_s: Optional[float] = None,
        min_pause_s: Optional[float] = None,
        hang_over_s: Optional[float] = None,
    ) -> tuple[SpeechSegment, ...]:
        """Stretches of speech, in time order, with a pause between them.

        Parameters
        ----------
        enter : float, optional
            Probability that a stretch must reach, 0 to 1; 0.88 if not given.
        leave : float, optional
            Probability below which it ends, 0 to 1 and no higher than `enter`; 0.5 if not given.
        min_speech_s : float, optional
            Minimum time above `enter`, seconds, 0 to 10; 0.1 if not given.
        min_pause_s : float, optional
            Shorter pauses are part of the speech, seconds, 0 to 10; 0.3 if not given.
        hang_over_s : float, optional
            Each stretch is extended at its end by this, seconds, 0 to 10; 0 if not given.

        Returns
        -------
        tuple of SpeechSegment

        Raises
        ------
        InvalidArgumentError
            For options out of their ranges. It is a `ValueError`.
        """
        rows = self._inner.segments(enter, leave, min_speech_s, min_pause_s, hang_over_s)
        return tuple(SpeechSegment(*row) for row in rows)

    def to_dict(self) -> dict[str, Any]:
        """Curve and stretches as plain Python values, ready for `json.dumps`."""
        return {
            "step_s": self.step_s,
            "probability": self.probability.tolist(),
            "segments": [segment.to_dict() for segment in self.segments()],
        }

    def to_json(self) -> str:
        """`to_dict` as JSON text."""
        return json.dumps(self.to_dict())

    def plot(self, ax: Optional[Axes] = None) -> Axes:
        """Draw the probability over time and the stretches of speech (``pip install coeval[plot]``)."""
        from ._plot import plot_speech

        return plot_speech(self, ax)

    def __len__(self) -> int:
        return len(self.probability)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, SpeechCurve) and np.array_equal(self.probability, other.probability)

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        found = self.segments()
        spoken_s = sum(segment.end_s - segment.start_s for segment in found)
        return f"SpeechCurve(duration_s={self.duration_s:.2f}, {len(found)} stretches of speech, {spoken_s:.2f} s)"

    def _repr_html_(self) -> str:
        head = "".join(f"<th>{name}</th>" for name in ("from", "to", "confidence", "origin, by its frequency band"))
        rows = "".join(
            f"<tr><td>{s.start_s:.2f} s</td><td>{s.end_s:.2f} s</td><td>{s.confidence:.3f}</td>"
            f"<td>{html.escape(shown_origin(s.origin()))}</td></tr>"
            for s in self.segments()
        )
        return f"<p>{html.escape(repr(self))}</p><table><tr>{head}</tr>{rows}</table>"


def speech(samples: ArrayLike, rate_hz: float, *, progress: Progress = None) -> SpeechCurve:
    """Find out when someone speaks.

    Parameters
    ----------
    samples : array_like, shape (frames,) or (frames, channels)
        Sound; float32, float64 or int16. Channels are averaged.
    rate_hz : float
        Sampling rate, 1000 to 768000.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    SpeechCurve

    Raises
    ------
    InvalidArgumentError
        For other shapes and rates. It is a `ValueError`.

    Notes
    -----
    To detect speech is to process what people said: those recorded must agree. Radio traffic may be
    unlawful to record or publish where you are.

    Examples
    --------
    A voice of 1.5 s, from 2 s on, over noise:

    >>> import numpy as np, coeval
    >>> voice, rate_hz = coeval.read("voice.wav")
    >>> sound = np.random.default_rng(1).standard_normal(6 * rate_hz) / 200
    >>> sound[2 * rate_hz : 2 * rate_hz + len(voice)] += voice / 4
    >>> curve = coeval.speech(sound, rate_hz)
    >>> for stretch in curve.segments():
    ...     print(f"{stretch.start_s:.1f} to {stretch.end_s:.1f} s")
    2.0 to 3.5 s
    """
    sound, rate = as_sound(samples), as_rate(rate_hz)
    with Listener(progress) as callback:
        return SpeechCurve(_native.speech(sound, rate, callback))


def shared_speech(
    segments: Sequence[SpeechSegment],
    recorder: ArrayLike,
    camera: ArrayLike,
    rate_hz: float,
    *,
    progress: Progress = None,
) -> NDArray[np.float64]:
    """Measure whether a camera hears the same speech as the recorder, at the same moment.

    A radio call is heard in headsets only, so no camera hears it.

    Parameters
    ----------
    segments : sequence of SpeechSegment
        Stretches of `recorder`, in time order.
    recorder, camera : array_like, shape (frames,)
        Both sounds, of equal length and on one clock: use `resample` to put the camera on the recorder's clock. Set samples
        of the camera to NaN where it did not run.
    rate_hz : float
        Sampling rate of both; it must be 16000.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    ndarray of float64, shape (len(segments),)
        How surely the camera hears the same speech, in standard deviations; NaN where it did not run. Pass these values to
        `SpeechSegment.origin`.

    Raises
    ------
    InvalidArgumentError
        For other shapes and rates, and stretches out of order. It is a `ValueError`.

    Examples
    --------
    The camera hears the first sentence and not the second:

    >>> import numpy as np, coeval
    >>> rng = np.random.default_rng(1)
    >>> voice = rng.standard_normal(8 * 16_000) * (np.arange(8 * 16_000) // 8000 % 2)
    >>> camera = np.where(np.arange(voice.size) < 4 * 16_000, voice, 0.0) + 0.1 * rng.standard_normal(voice.size)
    >>> sentences = [coeval.SpeechSegment(0.5, 3.5), coeval.SpeechSegment(4.5, 7.5)]
    >>> heard = coeval.shared_speech(sentences, voice, camera, 16_000)
    >>> [sentence.origin(float(one)) for sentence, one in zip(sentences, heard)]
    ['intercom', 'radio']
    """
    own, other, rate = as_sound(recorder), as_sound(camera), as_rate(rate_hz)
    if own.ndim != 1 or own.shape != other.shape:
        raise InvalidArgumentError(f"recorder and camera have the shapes {own.shape} and {other.shape}, not one of (frames,)")
    if rate != _native.SPEECH_RATE_HZ:
        raise InvalidArgumentError(f"rate_hz is {rate:g}, not {_native.SPEECH_RATE_HZ:g}", remedy="resample both")
    with Listener(progress) as callback:
        found = _native.shared_speech([(s.start_s, s.end_s) for s in segments], own, other, callback)
    return np.array([math.nan if one is None else one for one in found], dtype=np.float64)
