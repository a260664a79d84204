"""Speech: the same as from Rust and C, whatever the array's layout; what is no sound is refused. And the limiter."""

from __future__ import annotations

import copy
import json
import math
from typing import Any

import numpy as np
import pytest
from conftest import spoken_sound, xorshift
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import coeval


@pytest.fixture(scope="module")
def sound() -> NDArray[np.float32]:
    return spoken_sound(60 * 48_000)


@pytest.fixture(scope="module")
def curve(sound: NDArray[np.float32]) -> coeval.SpeechCurve:
    return coeval.speech(sound, 48_000)


def test_speech_is_found_where_it_is(curve: coeval.SpeechCurve) -> None:
    assert len(curve) == 6000 and curve.duration_s == 60.0 and curve.times_s[-1] == pytest.approx(59.99)
    found = curve.segments()
    assert len(found) == 13
    for i, segment in enumerate(found):
        assert abs(segment.start_s - (1.5 + 4.5 * i)) < 0.1 and abs(segment.end_s - (3.0 + 4.5 * i)) < 0.1
        assert 0.8 < segment.confidence <= 1 and segment.outside_band_db is not None
        assert segment.origin() == "intercom"


def test_rust_and_c_give_the_same_bits(curve: coeval.SpeechCurve, sixty_seconds: list[str]) -> None:
    digest = 0xCBF29CE484222325
    for byte in curve.probability.tobytes():
        digest = ((digest ^ byte) * 0x100000001B3) & 0xFFFFFFFFFFFFFFFF
    lines = [f"speech {len(curve)} {digest:016x}"]
    for s in curve.segments():
        assert s.outside_band_db is not None
        bits = np.array([s.start_s, s.end_s, s.confidence, s.outside_band_db]).view(np.uint64)
        lines.append(" ".join(f"{b:016x}" for b in bits) + f" {s.origin()}")
    assert lines == sixty_seconds[1:]


@settings(max_examples=20, deadline=None)
@given(
    dtype=st.sampled_from([np.float32, np.float64]),
    channels=st.integers(1, 3),
    step=st.sampled_from([1, 2, -1]),
    order=st.sampled_from("CF"),
    rate_hz=st.sampled_from([8000, 16_000, 44_100]),
)
def test_any_layout_is_the_same_sound(dtype: type, channels: int, step: int, order: str, rate_hz: int) -> None:
    mono: NDArray[Any] = spoken_sound(9000).astype(dtype)
    sound: NDArray[Any] = np.asarray(np.stack([mono] * channels, axis=1), order=order)[::step]  # type: ignore[call-overload]
    plain = np.ascontiguousarray(sound)
    assert coeval.speech(sound, rate_hz) == coeval.speech(plain, rate_hz)


def test_the_curve_is_frozen_and_serialises(curve: coeval.SpeechCurve) -> None:
    with pytest.raises(AttributeError):
        curve.probability = np.zeros(3)  # type: ignore[assignment]
    with pytest.raises(ValueError):
        curve.probability[0] = 1.0
    with pytest.raises(AttributeError):
        curve.segments()[0].start_s = 0.0  # type: ignore[misc]
    data = json.loads(curve.to_json())
    again = coeval.SpeechCurve.from_values(data["probability"])
    assert again == curve and again != coeval.SpeechCurve.from_values(curve.probability[1:])
    assert [s["start_s"] for s in data["segments"]] == [s.start_s for s in again.segments()]
    assert coeval.SpeechSegment(**data["segments"][0]) == curve.segments()[0] == copy.deepcopy(curve.segments()[0])
    assert repr(curve).startswith("SpeechCurve(duration_s=60.00, 13 stretches of speech")
    assert curve._repr_html_().count("<tr>") == 14


def test_it_draws(curve: coeval.SpeechCurve) -> None:
    ax = curve.plot()
    assert np.array_equal(np.asarray(ax.get_lines()[0].get_ydata()), curve.probability)
    assert len(ax.patches) == 13 and ax.get_xlabel() == "time (s)"


def test_thresholds_make_the_stretches() -> None:
    p = np.zeros(1000)
    p[100:200] = 0.9
    p[220:300] = 0.9
    p[600:700] = 0.6
    curve = coeval.SpeechCurve.from_values(p)
    (joined,) = curve.segments()
    assert (joined.start_s, joined.end_s, joined.outside_band_db) == (1.0, 3.0, None)
    assert len(curve.segments(min_pause_s=0.1)) == 2
    assert len(curve.segments(enter=0.5, leave=0.5)) == 2
    assert curve.segments(hang_over_s=1.0)[0].end_s == 4.0
    assert curve.segments(min_speech_s=5.0) == ()


@pytest.mark.parametrize(
    "options",
    [
        dict(enter=2.0),
        dict(leave=0.9),
        dict(enter=math.nan),
        dict(min_speech_s=-1.0),
        dict(min_pause_s=math.inf),
        dict(hang_over_s=11.0),
    ],
)
def test_options_out_of_range_are_value_errors(options: dict[str, float]) -> None:
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.SpeechCurve.from_values([0.5]).segments(**options)


def test_what_is_no_curve_or_sound_is_refused() -> None:
    for values in ([1.5], [-0.1], [math.nan], [[0.5]]):
        with pytest.raises(coeval.InvalidArgumentError):
            coeval.SpeechCurve.from_values(values)
    for sound in (np.zeros((2, 48_000)), None):
        with pytest.raises(coeval.InvalidArgumentError):
            coeval.speech(sound, 48_000)  # type: ignore[arg-type]
    for rate_hz in (0.0, math.nan, 1e9):
        with pytest.raises(ValueError):
            coeval.speech(np.zeros(9), rate_hz)
    assert len(coeval.speech(np.zeros(0), 16_000)) == 0
    broken = coeval.speech(np.array([math.nan, math.inf, 1e38] * 4000), 16_000)
    assert np.all(np.isfinite(broken.probability))
    for start_s, end_s in ((2.0, 1.0), (math.nan, 1.0)):
        with pytest.raises(coeval.InvalidArgumentError):
            coeval.SpeechSegment(start_s, end_s).origin()


def test_a_camera_tells_the_radio_from_the_people() -> None:
    """In the first stretch a camera hears what the recorder has, in the second something else, in the third it is off."""
    second = np.arange(7 * 16_000) // 16_000
    recorder = xorshift(6, second.size) / np.float32(64) + np.where(second % 2 == 1, xorshift(5, second.size), np.float32(0))
    camera = xorshift(7, second.size) / np.float32(2) + np.where(second == 1, recorder, np.float32(0))
    camera[second == 5] = math.nan
    stretches = [coeval.SpeechSegment(a, a + 1.0) for a in (1.0, 3.0, 5.0)]
    shared = coeval.shared_speech(stretches, recorder, camera, 16_000)
    assert shared[0] > 9 and shared[1] < 5.7 and math.isnan(shared[2])
    assert [s.origin(x) for s, x in zip(stretches, shared)] == ["intercom", "radio", "intercom"]
    assert coeval.SpeechSegment(5.0, 6.0, outside_band_db=-20.0).origin(shared[2]) == "radio"
    strided = np.repeat(camera.astype(np.float64), 2)[::2]
    assert np.array_equal(coeval.shared_speech(stretches, recorder, strided, 16_000), shared, equal_nan=True)
    for bad in (
        (stretches[::-1], recorder, camera, 16_000),
        (stretches, recorder, camera[:-1], 16_000),
        (stretches, recorder[:, None], camera[:, None], 16_000),
        (stretches, recorder, camera, 48_000),
    ):
        with pytest.raises(coeval.InvalidArgumentError):
            coeval.shared_speech(*bad)


def test_progress_is_told_and_stops(sound: NDArray[np.float32]) -> None:
    stages: set[str] = set()
    coeval.speech(sound, 48_000, progress=lambda stage, done: stages.add(stage))
    assert stages == {"hearing voices"}
    with pytest.raises(coeval.CancelledError):
        coeval.speech(np.tile(sound, 4), 48_000, progress=lambda stage, done: False)


def test_the_limiter_keeps_peaks_down_and_the_rest_as_it_was(sound: NDArray[np.float32]) -> None:
    quiet = sound[:96_000]
    assert np.array_equal(coeval.limit(quiet, 48_000), quiet)
    stereo = np.stack([quiet, 40 * quiet], axis=1)
    limited = coeval.limit(stereo, 48_000, -6.0)
    assert limited.shape == stereo.shape and limited.dtype == np.float32
    report = coeval.levels(limited, 48_000)
    # Another interpolator sees some tenths more of what is near half the rate.
    assert -8.0 < max(c.true_peak_dbtp for c in report.channels) < -5.6
    # Both channels are turned down alike.
    gain = limited[stereo[:, 1] != 0] / stereo[stereo[:, 1] != 0]
    assert np.allclose(gain[:, 0], gain[:, 1], rtol=1e-5)
    assert np.array_equal(coeval.limit(np.asfortranarray(stereo.astype(np.float64)), 48_000, -6.0), limited)
    assert coeval.limit(np.zeros(0), 48_000).shape == (0,)
    for rate_hz, limit_dbtp in ((48_000, 1.0), (48_000, math.nan), (100, -1.0), (4000, -1.0)):
        with pytest.raises(coeval.InvalidArgumentError):
            coeval.limit(quiet, rate_hz, limit_dbtp)
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.limit(np.zeros((2, 48_000)), 48_000)
