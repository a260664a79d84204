"""Two recordings: right, the same as from Rust, whatever the array's layout, and stoppable."""

from __future__ import annotations

import json
import math
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from conftest import Pair, make_pair, rust_example, xorshift
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import coeval


@pytest.fixture(scope="module")
def result(pair: Pair) -> coeval.PairAlignment:
    return coeval.align(pair.a, pair.b, pair.rate_hz)


def test_the_clock_is_found(pair: Pair, result: coeval.PairAlignment) -> None:
    assert result.placed and result.reason is None
    # A sample at 16 kHz is 62.5 us: a shift by one must fail.
    assert abs(result.offset_s - pair.offset_s) < 30e-6
    assert abs(result.drift_ppm - pair.drift_ppm) < 1.0
    assert result.confidence > 0.999
    # 2.9 ms of it allow for a loudspeaker that passes for the voices.
    assert 0 < result.uncertainty_s < 3.5e-3
    assert result.knots[0, 0] == 0.0
    assert result.knots[-1, 0] == pytest.approx(pair.b.size / pair.rate_hz, abs=1e-3)
    assert len(result.evidence) == result.evidence.sigma_s.size > 10
    assert np.all(np.diff(result.evidence.b_s) >= 0)


def test_rust_gives_the_same_bits(pair: Pair, result: coeval.PairAlignment, tmp_path: Path) -> None:
    pair.a.tofile(tmp_path / "a.f32")
    pair.b.tofile(tmp_path / "b.f32")
    command = [str(rust_example("align_raw")), str(tmp_path / "a.f32"), str(tmp_path / "b.f32"), str(pair.rate_hz)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    offset_s, drift_ppm, _ = map(float, done.stdout.split())
    assert (result.offset_s, result.drift_ppm) == (offset_s, drift_ppm)


def test_c_and_rust_give_the_same_bits(sixty_seconds: list[str]) -> None:
    common = xorshift(2_463_534_242, 60 * 48_000)
    quiet = np.arange(common.size) // 14_400 % 3 != 0
    common[quiet] /= np.float32(64)
    tracks = []
    for rate_hz, skip, frames, seed in [(48_000.0, 0, 60 * 48_000, 31), (48_001.92, 96_000, 50 * 48_000, 32)]:
        sound = (common[skip : skip + frames] + xorshift(seed, frames) / np.float32(4)) / np.float32(2)
        tracks.append(coeval.track(sound, rate_hz))
    result = coeval.align(tracks[0], tracks[1])
    bits = [np.float64(x).view(np.uint64) for x in (result.offset_s, result.drift_ppm)]
    assert sixty_seconds[0] == f"offset_s {bits[0]:016x} drift_ppm {bits[1]:016x}"


def test_the_other_way_round(pair: Pair, result: coeval.PairAlignment) -> None:
    turned = coeval.align(pair.b, pair.a, pair.rate_hz)
    there = result.clock_map.to_timeline(5.0)
    assert turned.clock_map.to_timeline(there) == pytest.approx(5.0, abs=30e-6)


@pytest.mark.parametrize("threads", [1, 2])
def test_layout_type_and_threads_change_nothing(pair: Pair, result: coeval.PairAlignment, threads: int) -> None:
    a = pair.a.astype(np.float64)
    b = np.stack([np.zeros_like(pair.b), pair.b], axis=1)[:, 1]
    assert not b.flags.c_contiguous
    again = coeval.align(a, b, pair.rate_hz, threads=threads)
    assert (again.offset_s, again.drift_ppm) == (result.offset_s, result.drift_ppm)


def test_int16_stereo_and_other_byte_orders(pair: Pair) -> None:
    whole = np.round(pair.a * 8192).astype(np.int16)
    stereo = np.asfortranarray(np.stack([whole, whole], axis=1))
    one = coeval.track(whole, pair.rate_hz)
    for other in (stereo, stereo.astype(">i2"), stereo[::-1][::-1], (stereo / 32768).astype(np.float32)):
        assert np.array_equal(coeval.track(other, pair.rate_hz).samples(), one.samples())


def test_a_track_is_used_again(pair: Pair, result: coeval.PairAlignment) -> None:
    a = coeval.track(pair.a, pair.rate_hz)
    assert len(a) == round(a.duration_s * 8000) and not a.is_silent
    again = coeval.align(a, pair.b, rate_b=pair.rate_hz)
    assert again.offset_s == result.offset_s


def test_no_placement_is_no_guess() -> None:
    rng = np.random.default_rng(3)
    a, b = rng.standard_normal((2, 160_000))
    result = coeval.align(a, b, 16_000)
    assert not result.placed and result.reason == "no common sound"
    assert math.isnan(result.offset_s) and math.isnan(result.drift_ppm) and math.isnan(result.confidence)
    assert result.knots.shape == (0, 2) and len(result.evidence) == 0
    assert result.to_dict()["offset_s"] is None
    assert "no common sound" in str(result) and "no common sound" in result._repr_html_()
    with pytest.raises(ValueError, match="no common sound"):
        _ = result.clock_map
    assert coeval.align(np.zeros(160_000), b, 16_000).reason == "silent"


def test_the_result_is_frozen_and_serialises(result: coeval.PairAlignment) -> None:
    with pytest.raises(AttributeError):
        result.offset_s = 1.0  # type: ignore[misc]
    with pytest.raises(ValueError):
        result.knots[0, 0] = 1.0
    with pytest.raises(ValueError):
        result.evidence.a_s[0] = 1.0
    assert json.loads(result.to_json()) == json.loads(json.dumps(result.to_dict()))
    assert json.loads(result.to_json())["offset_s"] == result.offset_s
    again = pickle.loads(pickle.dumps(result))
    assert again.to_dict() == result.to_dict()
    assert "PairAlignment(placed=True" in repr(result)


def test_it_draws(result: coeval.PairAlignment) -> None:
    import matplotlib

    matplotlib.use("Agg")
    ax = result.plot()
    line = next(line for line in ax.get_lines() if line.get_label() == "map")
    assert np.array_equal(np.asarray(line.get_xdata()), result.knots[:, 0])
    upper, lower = ax.figure.axes
    assert upper is ax and lower.get_xlabel() == "time in b (s)"
    # The measurements lie within the shaded time, and residuals around zero.
    shaded = next(patch for patch in ax.patches if patch.get_label() == "both run").get_extents().transformed(ax.transData.inverted())
    assert shaded.x0 <= result.evidence.b_s.min() and result.evidence.b_s.max() <= shaded.x1
    assert shaded.x1 - shaded.x0 == pytest.approx(result.overlap_s, rel=1e-6)
    dots = np.asarray(lower.get_lines()[0].get_ydata())
    assert len(dots) == len(result) and np.abs(dots).max() < 1.0 and abs(dots.mean()) < 0.05
    # Into somebody's own axes goes the offset alone.
    import matplotlib.pyplot as plt

    own = plt.figure().add_subplot()
    assert result.plot(own) is own and own.figure.axes == [own] and own.get_xlabel() == "time in b (s)"


@pytest.mark.parametrize(
    "arguments",
    [
        dict(rate_a=None),
        dict(rate_a=10.0),
        dict(rate_a=math.nan),
        dict(rate_a="fast"),
        dict(max_drift_ppm=-1.0),
        dict(max_drift_ppm=math.nan),
        dict(offset_range_s=(2.0, 1.0)),
        dict(offset_range_s=(math.nan, 1.0)),
        dict(offset_range_s=5.0),
        dict(threads=0),
        dict(threads=10**6),
        dict(progress="please"),
    ],
)
def test_arguments_out_of_range_are_value_errors(arguments: dict[str, object]) -> None:
    sound = np.random.default_rng(0).standard_normal(80_000)
    with pytest.raises(ValueError) as caught:
        coeval.align(sound, sound, **{"rate_a": 16_000, **arguments})  # type: ignore[arg-type]
    if "fast" not in arguments.values():
        assert isinstance(caught.value, coeval.InvalidArgumentError)


@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(9, dtype=np.int64),
        np.zeros(9, dtype=complex),
        np.array(["a"]),
        np.zeros((2, 2, 2)),
        np.zeros((2, 48_000)),
        np.zeros((5, 0)),
        np.float64(1.0),
        [1, 2, 3],
        None,
    ],
)
def test_what_is_no_sound_is_refused(sound: object) -> None:
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.track(sound, 48_000)  # type: ignore[arg-type]


def test_a_transposed_array_is_named() -> None:
    with pytest.raises(ValueError, match="samples.T"):
        coeval.track(np.zeros((2, 48_000)), 48_000)


def test_empty_sound_is_too_short_or_silent() -> None:
    empty = coeval.track(np.zeros(0), 48_000)
    result = coeval.align(empty, empty)
    assert not result.placed and result.reason


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 2**32 - 1),
    frames=st.integers(0, 5000),
    channels=st.integers(1, 4),
    step=st.sampled_from([-3, -1, 1, 2]),
    order=st.sampled_from("CF"),
    dtype=st.sampled_from([np.float32, np.float64, np.int16]),
    rate_hz=st.sampled_from([8000, 22_050, 48_000]),
)
def test_any_strides_are_the_same_sound(
    seed: int, frames: int, channels: int, step: int, order: str, dtype: type, rate_hz: int
) -> None:
    rng = np.random.default_rng(seed)
    values = np.asarray(rng.integers(-32_768, 32_767, (frames, channels)), order=order)  # type: ignore[call-overload]
    sound = values.astype(dtype, order="K") / dtype(32_768) if dtype is not np.int16 else values.astype(dtype, order="K")
    strided = sound[::step]
    plain = np.ascontiguousarray(strided)
    assert np.array_equal(coeval.track(strided, rate_hz).samples(), coeval.track(plain, rate_hz).samples())


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.sampled_from([0.0, 1.0, -1.0, math.nan, math.inf, -math.inf, 1e38, 1e-40]), min_size=0, max_size=300
    ),
    st.floats(allow_nan=True, allow_infinity=True),
)
def test_broken_numbers_never_crash(values: list[float], rate_hz: float) -> None:
    try:
        track = coeval.track(np.array(values, dtype=np.float64), rate_hz)
    except coeval.InvalidArgumentError:
        return
    assert np.all(np.isfinite(track.samples()))


# Progress, threads, signals.


def test_progress_is_told_in_this_thread(pair: Pair) -> None:
    heard: list[tuple[str, float, int]] = []
    longer = np.tile(pair.a, 4)
    coeval.track(longer, pair.rate_hz, progress=lambda s, d: heard.append((s, d, threading.get_ident())))
    assert heard and {thread for _, _, thread in heard} == {threading.get_ident()}
    assert all(0 <= done <= 1 for _, done, _ in heard) and heard[-1][0] == "reading sound"


def test_progress_false_cancels_and_an_error_comes_up(pair: Pair) -> None:
    longer = np.tile(pair.a, 20)
    with pytest.raises(coeval.CancelledError) as caught:
        coeval.track(longer, pair.rate_hz, progress=lambda stage, done: False)
    assert isinstance(caught.value, RuntimeError)

    def fails(stage: str, done: float) -> None:
        raise ZeroDivisionError("from the callback")

    with pytest.raises(ZeroDivisionError, match="from the callback"):
        coeval.track(longer, pair.rate_hz, progress=fails)


def test_progress_true_draws(pair: Pair, capsys: pytest.CaptureFixture[str]) -> None:
    coeval.align(pair.a, pair.b, pair.rate_hz, progress=True)
    assert "%" in capsys.readouterr().err


def test_other_threads_run_meanwhile(pair: Pair) -> None:
    a = coeval.track(pair.a, pair.rate_hz)
    b = coeval.track(pair.b, pair.rate_hz)
    done = threading.Event()
    turns = 0

    def work() -> None:
        for _ in range(3):
            coeval.align(a, b, threads=1)
        done.set()

    worker = threading.Thread(target=work)
    worker.start()
    while not done.is_set():
        turns += 1
        time.sleep(0.001)
    worker.join()
    # With the lock held there would be a turn or two.
    assert turns > 20


CHILD = """
import signal, time, numpy as np, coeval
# Whoever runs the tests in the background has it ignored.
signal.signal(signal.SIGINT, signal.default_int_handler)
rng = np.random.default_rng(0)
{made}
for _ in range(3):
    try:
        print("ready", flush=True)
        while True:
            {call}
    except KeyboardInterrupt:
        print("stopped", time.time(), flush=True)
"""
TRACKS = "a, b = (coeval.track(rng.standard_normal(8000 * 1200), 8000) for _ in range(2))"
SOUND = "sound = np.zeros(48000 * 1200, dtype=np.float32)"


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent otherwise")
@pytest.mark.parametrize(
    "call", ["coeval.align(a, b)", "coeval.track(sound, 48000)", "coeval.levels(sound, 48000)", "coeval.speech(sound, 48000)"]
)
def test_ctrl_c_stops_within_a_fifth_of_a_second(call: str) -> None:
    made = SOUND if "sound" in call else TRACKS
    took = []
    command = [sys.executable, "-c", CHILD.format(call=call, made=made)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        for wait_s in (0.35, 0.8, 1.5):
            assert child.stdout.readline().strip() == "ready"
            time.sleep(wait_s)
            sent = time.time()
            child.send_signal(signal.SIGINT)
            said, stopped = child.stdout.readline().split()
            assert said == "stopped"
            took.append(float(stopped) - sent)
        assert child.wait(10) == 0
    print(call, took)
    # The middle one: the machine may be busy for a moment.
    assert sorted(took)[1] < 0.2


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_forked_process_can_go_on(pair: Pair, result: coeval.PairAlignment) -> None:
    import multiprocessing

    a, b = coeval.track(pair.a, pair.rate_hz), coeval.track(pair.b, pair.rate_hz)
    coeval.align(a, b)

    def child(queue: multiprocessing.SimpleQueue[float]) -> None:
        queue.put(coeval.align(a, b).offset_s)

    context = multiprocessing.get_context("fork")
    queue = context.SimpleQueue()
    process = context.Process(target=child, args=(queue,))
    process.start()
    process.join(60)
    assert process.exitcode == 0
    assert queue.get() == result.offset_s


def test_a_long_pair_is_no_other_than_its_start() -> None:
    longer = make_pair(90.0)
    result = coeval.align(longer.a, longer.b, longer.rate_hz, max_drift_ppm=100.0, offset_range_s=(0.0, 10.0))
    assert abs(result.offset_s - longer.offset_s) < 30e-6
    outside = coeval.align(longer.a, longer.b, longer.rate_hz, offset_range_s=(20.0, 30.0))
    assert not outside.placed
