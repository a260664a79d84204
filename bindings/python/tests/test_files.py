"""Files and whole shoots: the demo recordings against their truth, and what is handed over."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import pickle
import shutil
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest
from conftest import ROOT, Pair

import coeval

FIXTURES = ROOT / "tests" / "fixtures"


@pytest.fixture(scope="module")
def shoot(shoot_folder: Path) -> coeval.Alignment:
    return coeval.align_shoot(shoot_folder)


@pytest.fixture(scope="module")
def truth() -> dict[str, np.ndarray]:
    return {
        file["path"]: np.array(file["knots"])
        for recording in json.loads((ROOT / "examples/survey-launch/truth.json").read_text())["recordings"]
        for file in recording["files"]
    }


def test_the_demo_lies_where_it_should(shoot: coeval.Alignment, truth: dict[str, np.ndarray]) -> None:
    assert [file.path for file in shoot.unplaced] == ["CAM-A_0009.MP4"]
    assert shoot["CAM-A_0009.MP4"].reason and shoot["CAM-A_0009.MP4"].offset_s is None
    # The truth has a clock of its own: both are compared by what they say of two files' moments.
    for a in shoot.placed:
        for b in shoot.placed:
            if a.recording >= b.recording:
                continue
            true_a, true_b = coeval.ClockMap(truth[a.path]), coeval.ClockMap(truth[b.path])
            moment = 0.5 * (max(true_a.knots[0, 1], true_b.knots[0, 1]) + min(true_a.knots[-1, 1], true_b.knots[-1, 1]))
            if not (true_a.knots[0, 1] < moment < true_a.knots[-1, 1] and true_b.knots[0, 1] < moment < true_b.knots[-1, 1]):
                continue
            apart = a.clock_map.to_timeline(true_a.to_file(moment)) - b.clock_map.to_timeline(true_b.to_file(moment))
            # A frame at 25 fps is 40 ms; one of AAC 21 ms; what is asked for is far below a millisecond.
            assert abs(apart) < 0.3e-3, (a.path, b.path, apart)


def test_the_contract_is_what_the_command_writes(shoot: coeval.Alignment, shoot_folder: Path) -> None:
    command = [sys.executable, "-m", "coeval", "align", "--json", str(shoot_folder)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 3, done.stderr
    assert done.stdout == shoot.to_json()
    assert shoot.to_dict() == json.loads(done.stdout)
    assert shoot.root == str(shoot_folder)


def test_an_alignment_comes_back_whole(shoot: coeval.Alignment, tmp_path: Path) -> None:
    path = tmp_path / "alignment.json"
    path.write_text(shoot.to_json())
    again = coeval.Alignment.load(path, root=shoot.root)
    assert again == shoot and hash(again) == hash(shoot)
    assert pickle.loads(pickle.dumps(shoot)) == shoot
    more = shoot.to_dict()
    more["later"] = 1
    assert coeval.Alignment.from_json(json.dumps(more)).to_dict()["later"] == 1
    with pytest.raises(AttributeError):
        shoot.clock = "cam-b"
    with pytest.raises(KeyError):
        shoot["gone.wav"]
    with pytest.raises(coeval.InvalidArgumentError):
        _ = shoot["CAM-A_0009.MP4"].clock_map


def test_options_reach_the_shoot(shoot_folder: Path) -> None:
    files: list[coeval._sound.Path] = [shoot_folder / "REC_0003.FLAC", os.fspath(shoot_folder / "CAM-B_0004.MOV")]
    stages: set[str] = set()
    result = coeval.align_shoot(
        files,
        main="bow",
        recordings={"bow": "REC*"},
        kinds={"bow": "other"},
        keep_apart=True,
        threads=1,
        progress=lambda stage, done: stages.add(stage),
    )
    assert result.clock == "bow" and result.recordings[-1].kind == "other"
    assert "comparing" in stages
    with pytest.raises(ValueError, match="camera, recorder or other"):
        coeval.align_shoot(files, kinds={"REC*": "phone"})
    with pytest.raises(coeval.CancelledError):
        coeval.align_shoot(shoot_folder, progress=lambda stage, done: False)


def test_a_cache_changes_nothing(shoot_folder: Path, tmp_path: Path) -> None:
    files = [shoot_folder / "REC_0003.FLAC", shoot_folder / "CAM-A_0017.MP4"]
    kept = tmp_path / "kept"
    texts = {coeval.align_shoot(files, cache=cache).to_json() for cache in (None, kept, os.fspath(kept))}
    assert len(texts) == 1 and any(kept.iterdir())


def test_anchors_are_held_against_the_sound(shoot_folder: Path, tmp_path: Path) -> None:
    files = [shoot_folder / "REC_0003.FLAC", shoot_folder / "CAM-A_0017.MP4"]
    free = coeval.align_shoot(files)
    at_s = 20.0
    same_s = free["REC_0003.FLAC"].clock_map.to_file(free["CAM-A_0017.MP4"].clock_map.to_timeline(at_s))
    wrong = coeval.Anchor("CAM-A_0017.MP4", at_s, "REC_*", f"00:00:{same_s - 2.0:06.3f}")
    held = coeval.align_shoot(files, anchors=[wrong])
    (check,) = held.anchors
    assert check.contradicted and not check.used and check.disagreement_s == pytest.approx(2.0, abs=2e-3)
    assert held["REC_0003.FLAC"].offset_s == pytest.approx(free["REC_0003.FLAC"].offset_s, abs=1e-6)
    listed = tmp_path / "anchors.toml"
    listed.write_text(
        f"[[anchor]]\na = '{wrong.a}'\na_at = {wrong.a_at}\nb = '{wrong.b}'\nb_at = '{wrong.b_at}'\nhard = true\n"
    )
    obeyed = coeval.align_shoot(files, anchors=listed)
    assert obeyed.anchors[0].used and obeyed.anchors[0].contradicted
    moved_s = obeyed["REC_0003.FLAC"].clock_map.to_timeline(0.0) - obeyed["CAM-A_0017.MP4"].clock_map.to_timeline(0.0)
    stood_s = free["REC_0003.FLAC"].clock_map.to_timeline(0.0) - free["CAM-A_0017.MP4"].clock_map.to_timeline(0.0)
    assert moved_s - stood_s == pytest.approx(2.0, abs=2e-3)
    with pytest.raises(ValueError, match="is not a time"):
        coeval.align_shoot(files, anchors=[coeval.Anchor("REC_*", "soon", "CAM*", 1)])


def test_distances_trusted_times_and_loops(shoot: coeval.Alignment, shoot_folder: Path) -> None:
    assert shoot.loops and all(len(set(one.files)) == 3 and abs(one.closure_s) < 1e-3 for one in shoot.loops)
    files = [shoot_folder / "REC_0003.FLAC", shoot_folder / "CAM-A_0017.MP4"]

    def later_s(alignment: coeval.Alignment) -> float:
        start_s = [alignment[name].clock_map.to_timeline(0.0) for name in ("CAM-A_0017.MP4", "REC_0003.FLAC")]
        return start_s[0] - start_s[1]

    near, far = coeval.align_shoot(files), coeval.align_shoot(files, distances_m={"CAM*": 34.32})
    # 34.32 m at 343.2 m/s.
    assert later_s(far) - later_s(near) == pytest.approx(0.1, abs=1e-5)
    assert near.loops == ()
    with pytest.raises(ValueError, match="1000 m"):
        coeval.align_shoot(files, distances_m={"CAM*": -1.0})
    with pytest.raises(ValueError, match="trusted_times_s"):
        coeval.align_shoot(files, trusted_times_s=float("nan"))


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="there is no ffmpeg here to see with")
def test_the_picture_is_looked_at_on_request(shoot_folder: Path) -> None:
    # One is from another day, and has no clap that the others heard.
    files = [shoot_folder / name for name in ("CAM-A_0009.MP4", "CAM-A_0017.MP4", "REC_0003.FLAC")]
    for picture in (False, True):
        reason = coeval.align_shoot(files, picture=picture)["CAM-A_0009.MP4"].reason
        assert reason is not None and ("its picture was looked at" in reason) == picture


def test_two_files(shoot_folder: Path, truth: dict[str, np.ndarray]) -> None:
    result = coeval.align_files(shoot_folder / "CAM-A_0017.MP4", shoot_folder / "REC_0003.FLAC")
    camera, recorder = coeval.ClockMap(truth["CAM-A_0017.MP4"]), coeval.ClockMap(truth["REC_0003.FLAC"])
    # A moment that both heard, half-way through the camera's chapter.
    moment = float(np.mean(camera.knots[:, 1]))
    apart = result.clock_map.to_timeline(recorder.to_file(moment)) - camera.to_file(moment)
    assert abs(apart) < 0.3e-3


def test_two_files_have_one_verdict(shoot_folder: Path) -> None:
    for names in (("CAM-A_0017.MP4", "REC_0003.FLAC"), ("CAM-A_0009.MP4", "REC_0003.FLAC")):
        files = [shoot_folder / name for name in names]
        pair, both = coeval.align_files(*files), coeval.align_shoot(files)
        assert pair.placed == all(both[name].placed for name in names)
        if pair.placed:
            a, b = (both[name].clock_map for name in names)
            assert abs(b.to_timeline(0.0) - a.to_timeline(pair.offset_s)) < 1e-4
            sure = min(both[name].confidence or 0.0 for name in names)
            assert sure == pytest.approx(pair.confidence, abs=1e-9)


def test_events_are_taken_out_one_by_one(shoot: coeval.Alignment) -> None:
    assert shoot.events == () and {file.event for file in shoot.files} == {1, None}
    assert shoot.event(1) == shoot
    # As if the second camera had filmed something else.
    contract = shoot.to_dict()
    [second] = [r for r in contract["recordings"] if any(f["path"] == "CAM-B_0004.MOV" for f in r["files"])]
    for details in [second, *second["files"]]:
        details["event"] = 2
    ids = [r["id"] for r in contract["recordings"] if r is not second]
    contract["events"] = [
        {"event": 1, **contract["timeline"], "recordings": ids},
        {"event": 2, "clock": second["id"], "duration_s": 238.0, "recordings": [second["id"]]},
    ]
    both = coeval.Alignment.from_json(json.dumps(contract), shoot.root)
    assert [event.clock for event in both.events] == [shoot.clock, second["id"]]
    assert both["CAM-B_0004.MOV"].event == 2 and both["CAM-A_0017.MP4"].event == 1
    assert {recording.id: recording.event for recording in both.recordings}[second["id"]] == 2
    first, other = both.event(1), both.event(2)
    assert {file.path for file in other.files} == {"CAM-B_0004.MOV", "CAM-B_0005.MOV"}
    assert len(first.files) + len(other.files) == len(shoot.files) and other.clock == second["id"]
    assert first.events == () and first.root == shoot.root
    with pytest.raises(coeval.InvalidArgumentError):
        both.event(3)


def test_frames_for_people(shoot: coeval.Alignment) -> None:
    import matplotlib

    matplotlib.use("Agg")
    table = shoot.to_pandas()
    assert list(table["path"]) == [file.path for file in shoot.files]
    assert table["offset_s"].isna().sum() == 1
    ax = shoot.plot()
    assert [label.get_text() for label in ax.get_yticklabels()] == ["cam-a", "cam-b", "rec-1"] or ax.get_yticklabels()
    page = shoot._repr_html_()
    assert "REC_0003.FLAC" in page and "unplaced" in page
    assert repr(shoot).startswith("Alignment(6 of 7 files placed")


def test_timeline(shoot: coeval.Alignment, shoot_folder: Path) -> None:
    pytest.importorskip("opentimelineio")
    timeline = shoot.to_otio()
    clips = list(timeline.find_clips())
    assert timeline.name == "recordings"
    urls = {clip.media_reference.target_url for clip in clips}
    assert any(url.endswith("REC_0003.FLAC") for url in urls)
    for clip in clips:
        path = clip.media_reference.target_url.rsplit("/", 1)[-1]
        start_s = clip.transformed_time_range(clip.trimmed_range(), timeline.tracks).start_time.to_seconds()
        assert -0.001 < start_s < shoot.duration_s
        if clip.trimmed_range().start_time.value == clip.available_range().start_time.value:
            # Raw clips lie on whole frames: within half a frame of 25 or 29.97 fps.
            assert abs(start_s - shoot[path].knots[0, 1]) <= 0.021
    nowhere = coeval.Alignment.from_json(shoot.to_json())
    with pytest.raises(coeval.InvalidArgumentError):
        nowhere.to_otio()
    assert nowhere.to_otio(root=shoot_folder).name == "recordings"


def test_conform(shoot: coeval.Alignment, tmp_path: Path) -> None:
    made = shoot.conform(tmp_path, progress=lambda stage, done: None)
    assert made and all(one.problem is None for one in made)
    for one in made:
        assert one.path is not None
        samples, rate_hz = coeval.read(one.path, always_2d=True)
        assert (rate_hz, samples.shape) == (one.rate_hz, (one.frames, one.channels))
    # Under a clip the sound lies sample for sample: aligned with the clip there is nothing left.
    clip = next(one for one in made if one.under_clip == "CAM-A_0017.MP4")
    assert clip.path is not None and shoot.root is not None
    left = coeval.align_files(Path(shoot.root) / "CAM-A_0017.MP4", clip.path)
    # Half a sample at 48 kHz is 10 us; the measurement itself is good to some tens.
    assert abs(left.offset_s) < 0.1e-3 and abs(left.drift_ppm) < 3
    with pytest.raises(coeval.ConformError):
        coeval.conform(shoot, tmp_path)
    again = coeval.conform(shoot, tmp_path, errors="return")
    assert all(one.path is None and one.problem for one in again), "nothing may be replaced unasked"
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.conform(shoot, tmp_path, format="int8")
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.conform(shoot, tmp_path, rate_hz=100)


@pytest.fixture(scope="module")
def voices(shoot: coeval.Alignment) -> coeval.Voices:
    return shoot.hear()


def test_voices_are_those_of_the_command(
    shoot: coeval.Alignment, voices: coeval.Voices, shoot_folder: Path, tmp_path: Path
) -> None:
    (tmp_path / "alignment.json").write_text(shoot.to_json())
    command = [sys.executable, "-m", "coeval", "tighten", str(tmp_path), "--media", str(shoot_folder)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "speech.json").read_text() == voices.to_json()
    again = coeval.Voices.from_json(voices.to_json(), shoot)
    assert again == voices and hash(again) == hash(voices) and pickle.loads(pickle.dumps(voices)) == voices
    assert voices.recorder == "rec-1" and 0 < sum(v.origin == "radio" for v in voices.voices) < len(voices)
    told = [(voice.origin, voice.radio) for voice in voices.voices if voice.radio is not None]
    assert told
    for origin, radio in told:
        assert origin == ("intercom" if radio < 0.1 else "radio" if radio >= 0.9 else "unknown")
    assert list(voices.to_pandas()["start_s"]) == [v["start_s"] for v in voices.to_dict()["voices"]]
    assert repr(voices).startswith("Voices(recorder='rec-1', ") and voices._repr_html_().count("<tr>") == len(voices) + 1
    assert [label.get_text() for label in voices.plot().get_yticklabels()] == ["local", "radio"]
    with pytest.raises(AttributeError):
        voices.recorder = "cam-a"
    other = coeval.align_shoot(shoot_folder / "REC_0003.FLAC")
    for text in (voices.to_json(), "{}", "no JSON"):
        with pytest.raises(coeval.InvalidArgumentError, match="not a speech map of this alignment"):
            coeval.Voices.from_json(text, other)
    with pytest.raises(coeval.CancelledError):
        shoot.hear(progress=lambda stage, done: False)
    with pytest.raises(FileNotFoundError):
        shoot.hear(root=tmp_path)


def test_a_rough_cut_keeps_what_is_said(shoot: coeval.Alignment, voices: coeval.Voices) -> None:
    plan = shoot.tighten(voices)
    frame_s = plan.frame_rate[1] / plan.frame_rate[0]
    assert plan.entries[0].from_frame == 0
    assert all(a.to_frame == b.from_frame for a, b in zip(plan.entries, plan.entries[1:]))
    assert plan.shown_s == pytest.approx(sum(e.shown_frames for e in plan.entries) * frame_s)
    assert 0 < plan.shown_s < shoot.duration_s and all(e.reason for e in plan.entries)
    # Every voice is shown whole that begins once a camera runs: the cut does not begin in black.
    black = plan.entries[0]
    assert black.reason.startswith("no camera ran yet") and black.to_frame * frame_s == pytest.approx(24.7, abs=0.1)
    for voice in (v for v in voices.voices if v.start_s > black.to_frame * frame_s + 1.0):
        here = [e for e in plan.entries if e.from_frame * frame_s < voice.end_s and e.to_frame * frame_s > voice.start_s]
        assert here and all(e.fate == "show" for e in here), voice
    assert {e.camera for e in plan.kept} <= {r.id for r in shoot.recordings if r.kind == "camera"} | {None}
    assert json.loads(plan.to_json())["shown_s"] == plan.shown_s
    assert len(plan.to_pandas()) == len(plan.entries) and plan._repr_html_().count("<tr>") == len(plan.entries) + 1
    assert repr(plan) == f"Plan({len(plan.kept)} of {len(plan.entries)} stretches kept, shown_s={plan.shown_s:.2f})"
    assert plan.plot().get_xlabel() == "timeline (s)"
    with pytest.raises(AttributeError):
        plan.shown_s = 0.0  # type: ignore[misc]

    short = shoot.tighten(voices, target_s=60.0)
    assert abs(short.shown_s - 60.0) < 1.2 and not any("target" in note for note in short.notes)
    passed = shoot.tighten(voices, pass_from_s=5.0, pass_speed=10, keep_radio=False)
    assert {e.speed for e in passed.entries if e.fate == "pass"} == {10}
    end_s = shoot.duration_s
    event = coeval.Event(end_s - 4.0, end_s - 3.0, "the anchor drops")
    assert any("the anchor drops" in e.reason for e in shoot.tighten(voices, events=[event]).kept)
    assert shoot.tighten(voices, protect_s=[(0.0, end_s)]).shown_s == pytest.approx(end_s, abs=2 * frame_s)
    for bad in (
        dict(pause_s=-1.0),
        dict(handle_s=math.nan),
        dict(target_s=0.0),
        dict(pass_from_s=5.0, pass_speed=1),
        dict(protect_s=[(2.0, 1.0)]),
        dict(events=[(2.0, 1.0, "x")]),
        dict(see=[(0.0, 9.0, "cam-x")]),
        dict(motion={"CAM-A_0009.MP4": ([0.0, 1.0], [0.0, 0.0])}),
        dict(motion={"CAM-A_0017.MP4": ([1.0, 0.0], [0.0, 0.0])}),
    ):
        with pytest.raises(coeval.InvalidArgumentError):
            shoot.tighten(voices, **bad)


def test_a_rough_cut_follows_the_picture(shoot: coeval.Alignment, voices: coeval.Voices) -> None:
    """Who is seen is the user's word; where a picture moves is worth keeping, and what was heard to happen if not told."""
    end_s = shoot.duration_s
    cameras = [r.id for r in shoot.recordings if r.kind == "camera" and any(f.placed for f in r.files)]
    for camera in cameras:
        plan = shoot.tighten(voices, see=[(0.0, end_s, camera)])
        asked = [e.camera for e in plan.kept if "chosen by the user for this speech" in e.reason]
        assert asked and set(asked) == {camera}
    file = shoot["CAM-A_0019.MP4"]
    assert file.duration_s is not None
    times_s = np.arange(0.0, file.duration_s, 0.04)
    burst = (times_s > 30.0) & (times_s < 34.0)
    motion = np.where(burst, 9.0, 1.0) + 0.01 * np.random.default_rng(1).standard_normal(times_s.size)
    plan = shoot.tighten(voices, motion={file.path: (times_s, motion)})
    frame_s = plan.frame_rate[1] / plan.frame_rate[0]
    moving = [e for e in plan.kept if f"moving picture ({file.path})" in e.reason]
    middle_s = float(file.clock_map.to_timeline(32.0))
    assert any(e.from_frame * frame_s <= middle_s <= e.to_frame * frame_s for e in moving), plan.entries
    assert any("clap" in e.reason for e in plan.kept)
    without = shoot.tighten(voices, keep_events=False)
    assert not any("clap" in e.reason for e in without.kept) and without.shown_s < plan.shown_s


def test_a_rough_cut_has_sound(
    shoot: coeval.Alignment, voices: coeval.Voices, tmp_path: Path, shoot_folder: Path
) -> None:
    """By our own meter, which is held against other meters elsewhere: what is asked for is what is written."""
    plan = shoot.tighten(voices, target_s=30.0)
    over = tmp_path / "over.wav"
    with wave.open(str(over), "wb") as file:
        file.setparams((1, 2, 16_000, 0, "NONE", ""))
        tone = np.sin(2 * np.pi * 1000.0 * np.arange(4 * 16_000) / 16_000)
        file.writeframes((8000 * tone).astype("<i2").tobytes())
    mix, voice = tmp_path / "mix.wav", tmp_path / "voice.wav"
    said: set[str] = set()
    made = shoot.render(
        voices, plan, mix, voice_over=[(over, 5.0)], loudness_lufs=-16.0, progress=lambda stage, done: said.add(stage)
    )
    # Reports come some times a second: a short stage may pass unseen.
    assert "mixing" in said, said
    voice.write_bytes(b"an earlier one")
    coeval.render(shoot, voices, plan, voice, voice_only=True, true_peak_dbtp=-3.0, replace=True)
    for path, lufs, dbtp in ((mix, -16.0, -1.0), (voice, -14.0, -3.0)):
        samples, rate_hz = coeval.read(path)
        assert (rate_hz, samples.shape) == (48_000, (round(plan.shown_s * 48_000), 2))
        level = coeval.levels(samples, rate_hz)
        assert level.integrated_lufs == pytest.approx(lufs, abs=0.1)
        assert max(c.true_peak_dbtp for c in level.channels) <= dbtp
    assert made.loudness_lufs == pytest.approx(-16.0, abs=0.1) and made.duration_s == pytest.approx(plan.shown_s)

    def tone_dbfs(path: Path) -> float:
        samples, rate_hz = coeval.read(path, start_s=6.0, duration_s=2.0)
        spectrum = np.abs(np.fft.rfft(samples[:, 0] * np.hanning(len(samples))))
        hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
        return float(20 * np.log10(4 / len(samples) * spectrum[(hz > 990) & (hz < 1010)].max()))

    # The tone is at -12.2 dBFS in its file; a voice has lines of -42 at the most here.
    assert -20 < tone_dbfs(mix) < -8 and tone_dbfs(voice) < -35
    with pytest.raises(FileExistsError):
        shoot.render(voices, plan, mix)
    broken = dataclasses.replace(plan, entries=plan.entries[:1] + plan.entries[2:])
    for bad in (
        dict(loudness_lufs=0.0),
        dict(true_peak_dbtp=1.0),
        dict(camera_db=99.0),
        dict(duck_db=1.0),
        dict(plan=broken),
        dict(voice_over=[(over, -1.0)]),
    ):
        with pytest.raises(coeval.InvalidArgumentError):
            coeval.render(shoot, voices, **{"plan": plan, "path": tmp_path / "none.wav", **bad})  # type: ignore[arg-type]
    with pytest.raises(FileNotFoundError):
        shoot.render(voices, plan, tmp_path / "none.wav", voice_over=[("gone.wav", 0.0)])
    with pytest.raises(coeval.CancelledError):
        shoot.render(voices, plan, tmp_path / "none.wav", progress=lambda stage, done: False)
    assert not (tmp_path / "none.wav").exists()


@pytest.mark.filterwarnings("ignore::coeval.ReadWarning")
def test_reading_is_on_presentation_time() -> None:
    """The fixtures hold clicks; truth.tsv says where."""
    checked = 0
    for line in (FIXTURES / "truth.tsv").read_text().splitlines():
        if line.startswith("#"):
            continue
        name, _, clicks, codec = line.split("\t")[:4]
        if codec != "lossless":
            continue
        moment_s = float(clicks.split()[-1])
        try:
            samples, rate_hz = coeval.read(FIXTURES / name, always_2d=True)
        except coeval.UnsupportedFormatError:
            continue
        info = coeval.probe(FIXTURES / name)
        assert rate_hz == info.rate_hz and samples.dtype == np.float32 and samples.shape[1] == info.channels
        assert info.frames in (None, samples.shape[0]), name
        start_s = moment_s - 0.05
        part, _ = coeval.read(FIXTURES / name, start_s=start_s, duration_s=0.1, always_2d=True)
        first = round(start_s * rate_hz)
        assert np.array_equal(part, samples[first : first + round(0.1 * rate_hz)]), name
        # A click is a chirp of 20 ms; tests/fixtures/make.py has its formula.
        half = round(0.010 * rate_hz)
        n = np.arange(-half, half + 1)
        t = n / rate_hz
        click = np.cos(2 * np.pi * (3250 * t + 5500 / 0.020 * t**2 / 2)) * (1 + np.cos(np.pi * n / (half + 1)))
        found = first + half + int(np.argmax(np.correlate(part[:, 0], click, "valid")))
        assert found == round(moment_s * rate_hz), name
        checked += 1
    assert checked >= 10


def test_reading_an_odd_request(shoot_folder: Path) -> None:
    path = shoot_folder / "REC_0003.FLAC"
    assert coeval.read(path, start_s=1e6)[0].size == 0
    assert coeval.read(path, duration_s=0.0)[0].size == 0
    for bad in (-1.0, math.nan, math.inf):
        with pytest.raises(coeval.InvalidArgumentError):
            coeval.read(path, start_s=bad)
    assert coeval.read(path, duration_s=0.1, always_2d=True)[0].shape == (4410, 1)


def test_the_command(tmp_path: Path) -> None:
    script = Path(sys.executable).with_name("coeval")
    assert script.exists(), "the wheel brings the command"
    version = subprocess.run([script, "--version"], capture_output=True, text=True)
    assert version.returncode == 0 and version.stdout.strip() == f"coeval {coeval.__version__}"
    wrong = subprocess.run([script, "align"], capture_output=True, text=True)
    assert wrong.returncode == 1 and "Usage" in wrong.stderr
    missing = subprocess.run([script, "align", str(tmp_path / "gone")], capture_output=True, text=True)
    assert missing.returncode == 2 and "gone" in missing.stderr


# Sound along a map.


def test_resample_follows_the_map() -> None:
    rate_hz, hz = 48_000, 1000.0
    clock = coeval.ClockMap([(0.0, 1.0), (2.0, 3.0001), (2.0, 3.1001), (4.0, 5.1)])
    tone = np.sin(2 * np.pi * hz * np.arange(4 * rate_hz) / rate_hz)
    out = coeval.resample(tone, rate_hz, clock, 44_100)
    assert out.dtype == np.float32 and out.shape == (round(5.1 * 44_100),)
    at = np.arange(out.size) / 44_100
    expected = np.sin(2 * np.pi * hz * np.asarray(clock.to_file(at)))
    inside = ((at > 1.02) & (at < 2.98)) | ((at > 3.13) & (at < 5.08))
    # One sample's shift would be an error of 0.14.
    assert np.max(np.abs(out - expected)[inside]) < 1e-4
    assert np.all(out[at < 0.99] == 0) and np.all(np.abs(out[(at > 3.02) & (at < 3.08)]) < 1e-6)


def test_resample_under_a_clip_and_its_shapes(pair: Pair) -> None:
    stereo = np.stack([pair.b, -pair.b], axis=1)
    source = coeval.ClockMap.linear(pair.offset_s, pair.drift_ppm, pair.b.size / pair.rate_hz)
    clip = coeval.ClockMap.linear(0.0, 0.0, pair.a.size / pair.rate_hz)
    out = coeval.resample(stereo, pair.rate_hz, source, under=clip, start_s=2.0, frames=1000)
    assert out.shape == (1000, 2) and np.array_equal(out[:, 0], -out[:, 1])
    whole = coeval.resample(stereo, pair.rate_hz, source, under=clip)
    assert np.allclose(whole[2 * pair.rate_hz :][:1000], out, atol=1e-5)
    assert coeval.resample(np.zeros(0), 48_000, source, frames=10).tolist() == [0.0] * 10
    with pytest.raises(ValueError):
        coeval.resample(pair.b, pair.rate_hz, source, frames=-1)
    with pytest.raises(ValueError):
        coeval.resample(pair.b, pair.rate_hz, coeval.ClockMap([(0, 0), (1, 2)]))
    with pytest.raises(coeval.CancelledError):
        coeval.resample(np.tile(stereo, (20, 1)), pair.rate_hz, source, progress=lambda stage, done: False)


def test_clock_map() -> None:
    clock = coeval.ClockMap([(0.0, 10.0), (5.0, 15.0), (5.0, 15.5), (10.0, 20.5)])
    assert clock.jumps == [(5.0, 0.5)] and clock.offset_s == 10.0 and clock.drift_ppm == 0.0
    times = np.array([[0.0, 4.0], [5.0, 11.0]])
    assert np.array_equal(clock.to_timeline(times), [[10.0, 14.0], [15.5, 21.5]])
    assert clock.to_file(15.2) == 5.0 and isinstance(clock.to_file(15.2), float)
    assert pickle.loads(pickle.dumps(clock)) == clock
    for knots in ([], [(0, 0)], [(1, 0), (0, 1)], [(0, 0), (math.nan, 1)], "no"):
        with pytest.raises(coeval.InvalidArgumentError):
            coeval.ClockMap(knots)
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.ClockMap.linear(math.nan, 0.0, 1.0)


# One recording by itself.


def claps(rate_hz: int, duration_s: float, at_s: list[float], seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = 1e-3 * rng.standard_normal(int(rate_hz * duration_s))
    # One burst of noise that dies away, the same whenever it is heard: a clap has many octaves.
    burst = np.random.default_rng(0).standard_normal(5000)
    for moment in at_s:
        first = math.ceil(moment * rate_hz)
        t = np.arange(first, first + int(0.08 * rate_hz)) / rate_hz - moment
        out[first : first + t.size] += 0.2 * np.exp(-t / 0.008) * np.interp(48_000 * t, np.arange(burst.size), burst)
    return out


def test_markers_and_their_match() -> None:
    times = [2.0, 5.37, 11.1, 17.9]
    a = coeval.markers(claps(48_000, 20.0, times, 1), 48_000)
    b = coeval.markers(claps(48_000, 19.0, [t - 1.25 for t in times], 2), 48_000)
    assert [round(m.time_s, 2) for m in a] == times
    assert all(abs(m.time_s - t) < 1e-3 for m, t in zip(a, times))
    assert a[0].shape == "clap" and a[0].grouping == "isolated" and a[0].count_in_interval_s is None
    assert repr(a[0]).startswith(f"Marker(time_s={a[0].time_s:.6f}, ")
    found = coeval.match_markers(a, b, durations_s=(20.0, 19.0))
    assert found is not None and abs(found.offset_s - 1.25) < 1e-3 and len(found.pairs) == 4
    assert coeval.match_markers(a[:1], b[:1]) is None
    assert found is not None and json.loads(json.dumps(found.to_dict()))["pairs"][0]["a_s"] == found.pairs[0].a_s
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.match_markers(a, b, max_drift_ppm=-1)
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.markers(np.zeros(100), 4000)


def test_levels() -> None:
    # EBU Tech 3341, case 1: a stereo sine of 1 kHz at -23 dBFS for 20 s reads -23.0 LUFS, +-0.1 LU.
    t = np.arange(20 * 48_000) / 48_000
    tone = 10 ** (-23 / 20) * np.sin(2 * np.pi * 1000 * t)
    report = coeval.levels(np.stack([tone, tone], axis=1), 48_000)
    assert report.integrated_lufs == pytest.approx(-23.0, abs=0.1)
    assert len(report.channels) == 2 and report.duration_s == 20.0
    broken = tone.copy() * 20
    np.clip(broken, -1, 1, out=broken)
    assert coeval.LevelReport.__name__ in repr(report) and "LUFS" in report._repr_html_()
    worse = coeval.levels(broken, 48_000)
    data = worse.to_dict()
    assert data["channels"][0]["clipped_runs"] == worse.channels[0].clipped_runs
    assert [one["text"] for one in json.loads(json.dumps(data))["advice"]] == [one.text for one in worse.advice]
    assert worse.channels[0].clipped_runs > 0 and worse.clipping and worse.advice[0].serious
    quiet = coeval.levels(np.zeros(48_000, dtype=np.int16), 48_000)
    assert quiet.channels[0].sample_peak_dbfs == -math.inf and quiet.silence[0].length_s == pytest.approx(1.0)
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.levels(tone, 44_100.5)
