"""Results behave as Python's own values do; sound is taken in whatever form it comes; failures name what is at fault."""

from __future__ import annotations

import copy
import inspect
import io
import pickle
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from conftest import Pair
from numpy.typing import NDArray

import coeval
from coeval import _options

if TYPE_CHECKING:

    def mistakes_in_options(aligned: coeval.Alignment, voices: coeval.Voices, plan: coeval.Plan) -> None:
        """Each line is an error to the type checker; one that it lets pass is an unused comment, which is an error too."""
        aligned.tighten(voices, pauses_s=1.0)  # type: ignore[call-arg]
        aligned.tighten(voices, pause_s="long")  # type: ignore[arg-type]
        aligned.render(voices, plan, "cut.wav", loud=-14.0)  # type: ignore[call-arg]
        aligned.conform("out", sample_rate=48_000)  # type: ignore[call-arg]


# For calls that types forbid.
ANY: Any = coeval


@pytest.fixture(scope="module")
def found(pair: Pair) -> coeval.PairAlignment:
    return coeval.align(pair.a, pair.b, pair.rate_hz)


@pytest.fixture(scope="module")
def claps() -> list[coeval.Marker]:
    rng = np.random.default_rng(4)
    sound = 0.002 * rng.standard_normal(20 * 48_000)
    for at in (3, 8, 15):
        sound[at * 48_000 :][:4800] += rng.standard_normal(4800) * 0.998 ** np.arange(4800) * 0.5
    return coeval.markers(sound, 48_000, every=True)


def copies(value: Any) -> list[Any]:
    return [pickle.loads(pickle.dumps(value)), copy.deepcopy(value), copy.copy(value)]


def test_tracks_and_markers_survive(pair: Pair, found: coeval.PairAlignment, claps: list[coeval.Marker]) -> None:
    track = coeval.track(pair.a, pair.rate_hz)
    for again in copies(track):
        assert again == track and hash(again) == hash(track)
        assert coeval.align(again, pair.b, rate_b=pair.rate_hz) == found
    assert track != coeval.track(pair.b, pair.rate_hz)
    assert len(claps) > 2
    for again in copies(claps[0]):
        assert again == claps[0] and hash(again) == hash(claps[0]) and repr(again) == repr(claps[0])
    assert claps[0] != claps[1] and claps[0] != 5
    match = coeval.match_markers(claps, pickle.loads(pickle.dumps(claps)), min_confidence=0.0)
    assert match == coeval.match_markers(claps, claps, min_confidence=0.0)


def test_equal_after_pickling_and_still_read_only(found: coeval.PairAlignment) -> None:
    for again in copies(found):
        assert again == found and hash(again) == hash(found) and {found: 1}[again] == 1
        for array in (again.knots, again.evidence.a_s, again.evidence.sigma_s):
            with pytest.raises(ValueError):
                array[...] = 1.0
    unplaced = coeval.align(np.zeros(16_000), np.ones(16_000), 16_000)
    assert not unplaced and unplaced == pickle.loads(pickle.dumps(unplaced)) and unplaced != found
    assert found.evidence == pickle.loads(pickle.dumps(found.evidence))


def test_pairs_are_sequences_and_files(found: coeval.PairAlignment, tmp_path: Path) -> None:
    rows = list(found)
    assert found and len(found) == len(rows) == len(found.evidence) and rows[0] in found
    assert rows[0].a_s == found.evidence.a_s[0] and (0.0, 0.0, 0.0) not in found
    assert coeval.PairAlignment.from_json(found.to_json()) == found
    found.save(tmp_path / "pair.json")
    assert coeval.PairAlignment.load(tmp_path / "pair.json") == found
    with pytest.raises(coeval.DamagedFileError):
        coeval.PairAlignment.from_json("{}")
    with pytest.raises(coeval.DamagedFileError):
        coeval.PairAlignment.from_json("[")
    with pytest.raises(coeval.FileMissingError):
        coeval.PairAlignment.load(tmp_path / "none.json")
    track = coeval.track(np.random.default_rng(0).standard_normal(16_000), 8000)
    track.save(tmp_path / "one.track")
    assert coeval.Track.load(tmp_path / "one.track") == track
    with pytest.raises(coeval.DamagedFileError):
        coeval.Track.from_bytes(track.to_bytes()[:-1])


def test_shoots_are_sequences_of_files(shoot_folder: Path, tmp_path: Path) -> None:
    names = ["CAM-A_0017.MP4", "REC_0003.FLAC"]
    result = coeval.align_shoot([shoot_folder / name for name in names], threads=1)
    assert len(result) == 2 and [file.path for file in result] == names
    assert names[0] in result and result[names[1]] in result and "other" not in result
    result.save(tmp_path / "alignment.json")
    again = coeval.Alignment.load(tmp_path / "alignment.json", result.root)
    assert again == result and list(again) == list(result)
    for one in copies(result.files[0]):
        assert one == result.files[0] and hash(one) == hash(result.files[0])
        assert not one.knots.flags.writeable


def test_many_arrays_at_once(pair: Pair, found: coeval.PairAlignment) -> None:
    track = coeval.track(pair.b, pair.rate_hz)
    result = coeval.align_many({"camera": (pair.a, pair.rate_hz), "the recorder": track}, main="camera")
    assert result["camera"].offset_s == 0.0
    assert result["the recorder"].offset_s == pytest.approx(found.offset_s, abs=1e-6)
    for wrong in ({}, {"a": 5}, {"a": (pair.a,)}, {5: track}):
        with pytest.raises(coeval.InvalidArgumentError, match="sounds"):
            ANY.align_many(wrong)


def forms(sound: NDArray[np.float64]) -> dict[str, Any]:
    return {
        "int32": np.round(sound * 2**31).astype(np.int32),
        "float16": sound.astype(np.float16),
        "uint8": np.round(sound * 128 + 128).astype(np.uint8),
        "masked": np.ma.masked_array(sound, np.zeros(sound.size, bool)),
        "librosa": np.stack([sound, sound]),
    }


@pytest.mark.parametrize("form", ["int32", "float16", "uint8", "masked", "librosa"])
def test_forms_of_sound(pair: Pair, found: coeval.PairAlignment, form: str) -> None:
    a, b = (forms(x.astype(np.float64))[form] for x in (pair.a, pair.b))
    result = coeval.align(a, b, pair.rate_hz, axis=1 if form == "librosa" else 0)
    assert result.offset_s == pytest.approx(found.offset_s, abs=30e-6)


def test_what_is_masked_is_silent() -> None:
    sound = np.random.default_rng(1).standard_normal(16_000)
    mask = np.zeros(sound.size, bool)
    mask[4000:8000] = True
    masked = coeval.track(np.ma.masked_array(sound, mask), 8000)
    assert masked == coeval.track(np.where(mask, 0.0, sound), 8000) != coeval.track(sound, 8000)


def test_blocks_and_file_objects(pair: Pair, found: coeval.PairAlignment, shoot_folder: Path) -> None:
    blocks = (pair.a[at : at + 5000] for at in range(0, pair.a.size, 5000))
    assert coeval.align(coeval.track(blocks, pair.rate_hz), pair.b, rate_b=pair.rate_hz) == found
    with pytest.raises(coeval.InvalidArgumentError, match="2 channels, not 1"):
        coeval.track(iter([np.ones(10), np.ones((10, 2))]), 8000)
    with pytest.raises(coeval.InvalidArgumentError, match="empty"):
        coeval.track(iter([]), 8000)
    path = shoot_folder / "REC_0003.FLAC"
    whole, rate_hz = coeval.read(path, duration_s=1.0)
    with open(path, "rb") as file:
        part, _ = coeval.read(file, duration_s=1.0)
    assert rate_hz == 44_100 and np.array_equal(part, whole)
    assert coeval.probe(io.BytesIO(path.read_bytes())).duration_s == coeval.probe(path).duration_s
    with pytest.raises(coeval.InvalidArgumentError, match="text"):
        ANY.read(io.StringIO("sound"))


def test_a_pair_resamples_and_conforms(shoot_folder: Path, tmp_path: Path) -> None:
    camera, recorder = shoot_folder / "CAM-A_0017.MP4", shoot_folder / "REC_0003.FLAC"
    found = coeval.align_files(camera, recorder)
    out = tmp_path / "under.wav"
    found.conform(out, rate_hz=48_000)
    made, rate_hz = coeval.read(out)
    duration_s = coeval.probe(camera).duration_s
    assert rate_hz == 48_000 and duration_s is not None and made.shape[0] == round(48_000 * duration_s)
    under = coeval.align(coeval.read(camera)[0], made, 48_000)
    assert abs(under.offset_s) < 1e-3 and abs(under.drift_ppm) < 1.0
    with pytest.raises(coeval.OutputExistsError):
        found.conform(out)
    sound, source_hz = coeval.read(recorder, always_2d=True)
    one = coeval.resample(sound, source_hz, found, frames=1000)
    assert np.array_equal(one, found.resample(sound, source_hz, frames=1000))
    turned = found.resample(sound.T, source_hz, frames=1000, axis=1)
    assert np.array_equal(turned.T, one)
    with pytest.raises(coeval.InvalidArgumentError, match="source"):
        coeval.align(sound[:, 0], sound[:, 0], source_hz).conform(tmp_path / "other.wav")


def test_tables(found: coeval.PairAlignment, claps: list[coeval.Marker]) -> None:
    table = found.to_pandas(start=datetime(2024, 5, 1, 10))
    assert len(table) == len(found) and abs(table["residual_s"]).max() < 1e-2
    assert table["time"].iloc[0] > datetime(2024, 5, 1, 10)
    assert "time" not in found.to_pandas()
    assert found.lag([1.0, 2.0]) == pytest.approx(found.clock_map.to_timeline([1.0, 2.0]) - np.array([1.0, 2.0]))
    markers = coeval.markers_to_pandas(claps, start=datetime(2024, 5, 1, 10))
    assert list(markers["time_s"]) == [m.time_s for m in claps] and set(markers["shape"]) <= {"clap", "burst", "click", "thud"}


def test_the_lag_curve_shows_rivals() -> None:
    rng = np.random.default_rng(6)
    world = rng.standard_normal(40 * 8000)
    # 5 s come again 6 s later.
    world[160_000:200_000] = world[112_000:152_000]
    a, b = coeval.track(world, 8000), coeval.track(world[16_000:] + rng.standard_normal(world.size - 16_000), 8000)
    pair = coeval.align(a, b)
    curve = pair.lag_curve(a, b)
    assert curve.lag_s.shape == curve.correlation.shape == (160_001,) and curve.correlation.dtype == np.float32
    assert abs(curve.lag_s[np.argmax(curve.correlation)]) < 1e-4
    # Half of b's power is its own noise.
    assert curve.correlation.max() == pytest.approx(0.5**0.5, abs=0.05)
    assert sorted(curve.rival_lag_s) == pytest.approx([-6.0, 6.0], abs=2e-4)
    assert np.all(curve.rival_correlation > 0.05)
    for again in copies(curve):
        assert again == curve and hash(again) == hash(curve) and not again.correlation.flags.writeable
    assert {line.get_label() for line in curve.plot().get_lines()} == {"correlation", "rivals", "as aligned"}
    for wrong in (lambda: pair.lag_curve(a, b, reach_s=0.0), lambda: ANY.align(a, b).lag_curve(world, b)):
        with pytest.raises(coeval.InvalidArgumentError, match="reach_s|a is ndarray"):
            wrong()
    with pytest.raises(coeval.InvalidArgumentError, match="no placement"):
        coeval.align(a, coeval.track(rng.standard_normal(80_000), 8000)).lag_curve(a, b)


@pytest.mark.parametrize(
    ("function", "options"),
    [
        (coeval.resample, _options.ResampleOptions),
        (coeval.conform, _options.ConformOptions),
        (coeval.hear, _options.HearOptions),
        (coeval.tighten, _options.TightenOptions),
        (coeval.render, _options.RenderOptions),
    ],
)
def test_typed_options_are_those_of_the_function(function: Any, options: Any) -> None:
    parameters = inspect.signature(function).parameters.values()
    # `under` belongs to maps, not to a pair.
    taken = {p.name: p.annotation for p in parameters if p.kind is p.KEYWORD_ONLY and p.name != "under"}
    assert taken == {name: hint.__forward_arg__ for name, hint in options.__annotations__.items()}


def test_earlier_names_warn(claps: list[coeval.Marker], shoot_folder: Path, tmp_path: Path) -> None:
    with pytest.warns(DeprecationWarning, match="every"):
        assert coeval.markers(np.zeros(48_000), 48_000, all=True) == []
    result = coeval.align_shoot([shoot_folder / "CAM-A_0017.MP4", shoot_folder / "REC_0003.FLAC"])
    with pytest.warns(DeprecationWarning, match="sample_format"):
        made = result.conform(tmp_path, format="int16")
    assert made and all(one.path for one in made)


def test_conform_cannot_be_overlooked(shoot_folder: Path, tmp_path: Path) -> None:
    result = coeval.align_shoot([shoot_folder / "CAM-A_0017.MP4", shoot_folder / "REC_0003.FLAC"])
    result.conform(tmp_path)
    with pytest.raises(coeval.ConformError, match="could not be made") as failure:
        result.conform(tmp_path)
    assert isinstance(failure.value, OSError) and all(one.path is None for one in failure.value.made)
    assert pickle.loads(pickle.dumps(failure.value)).made == failure.value.made
    assert result.conform(tmp_path, errors="return") == failure.value.made
    assert all(one.path for one in result.conform(tmp_path, replace=True))


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda a: ANY.align(a, [], 8000), "b is empty"),
        (lambda a: ANY.align(np.empty((0, 2)), a, 8000), "a is empty"),
        (lambda a: ANY.align(a, a, 8000, max_drift_ppm="much"), "max_drift_ppm"),
        (lambda a: ANY.align(a, "sound", 8000), "b: samples"),
        (lambda a: ANY.align(a, a, 8000).lag_curve(ANY.track(a, 8000), ANY.track(a, 8000), reach_s="far"), "reach_s"),
        (lambda a: ANY.read("a.wav", start_s="now"), "start_s"),
        (lambda a: ANY.align_many({"a": (a, 8000)}, main=5), "int"),
        (lambda a: ANY.align(a, a, "fast"), "rate_a"),
        (lambda a: ANY.align(a, a, 8000, threads="all"), "threads"),
        (lambda a: ANY.markers(a, 8000, min_score="high"), "min_score"),
        (lambda a: ANY.match_markers([1], [2]), "a"),
        (lambda a: ANY.limit(a, 8000, "loud"), "limit_dbtp"),
        (lambda a: ANY.track(a, 8000, axis=3), "axis"),
        (lambda a: ANY.read(5), "path"),
        (lambda a: ANY.resample(a, 8000, ANY.ClockMap.linear(0, 0, 1), frames="x"), "frames"),
        (lambda a: ANY.resample(a, 8000, ANY.ClockMap.linear(0, 0, 1), frames=10**30), "out of range"),
    ],
)
def test_failures_name_the_argument(call: Any, named: str) -> None:
    with pytest.raises(coeval.InvalidArgumentError, match=named):
        call(np.random.default_rng(2).standard_normal(16_000))
