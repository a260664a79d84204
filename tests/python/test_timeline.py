"""timeline.otio in the reference library: it loads, and everything lies where alignment.json says."""
import json
import urllib.parse

import numpy as np
import opentimelineio as otio
import pytest
from opentimelineio.opentime import RationalTime

from conftest import ROOT

# Knots are kept to 20 us by the solver; a source point lies on a whole sample.
ROUNDING_S = 50e-6


@pytest.fixture(scope="module")
def timeline(demo):
    return otio.adapters.read_from_file(str(demo[0] / "timeline.otio"))


def clips(timeline):
    for track in timeline.tracks:
        for clip in track.find_clips():
            yield track, clip


def file_of(alignment, clip):
    path = clip.metadata["coeval"]["path"]
    return next(f for r in alignment["recordings"] for f in r["files"] if f["path"] == path)


def is_whole(clip):
    """Recorder sound on the timeline's own clock."""
    return clip.name.endswith(".on-timeline.wav")


def test_one_track_a_recording_and_content(demo, timeline):
    clock = demo[1]["timeline"]["clock"]
    tracks = [(t.name, t.kind, t.enabled) for t in timeline.tracks]
    # The reference clock comes first, with its picture where it is a camera's.
    kind = next(r["kind"] for r in demo[1]["recordings"] if r["id"] == clock)
    first = [(clock, k, True) for k in (["Video", "Audio"] if kind == "camera" else ["Audio"])]
    assert tracks[: len(first)] == first
    assert sorted(k for _, k, enabled in tracks if enabled) == ["Audio"] * 3 + ["Video"] * 2
    # The recorder's sound cut to each camera's clips is there, but does not sound with the whole of it.
    under = [(t.metadata["coeval"]["recording"], t.metadata["coeval"]["sound_of"]) for t in timeline.tracks if not t.enabled]
    cameras = {r["id"] for r in demo[1]["recordings"] if r["kind"] == "camera" and r["files"][0]["status"] == "placed"}
    assert sorted(under) == sorted((c, "rec-1") for c in cameras)
    assert dict(timeline.metadata["coeval"])["schema"] == "coeval.alignment/1"
    placed = {f["path"] for r in demo[1]["recordings"] for f in r["files"] if f["status"] == "placed"}
    assert {c.metadata["coeval"]["path"] for _, c in clips(timeline)} == placed


def test_starts_at_one_hour_and_marks_clips(demo, timeline):
    assert timeline.global_start_time == RationalTime(3600 * 25, 25)
    marked = {m.metadata["coeval"]["path"]: m for m in timeline.tracks.markers if m.metadata["coeval"]["kind"] == "clip"}
    for file in (f for r in demo[1]["recordings"] for f in r["files"] if f["status"] == "placed"):
        range_ = marked[file["path"]].marked_range
        assert abs(range_.start_time.to_seconds() - file["knots"][0][1]) <= 1 / 25
        assert abs(range_.end_time_exclusive().to_seconds() - file["knots"][-1][1]) <= 1.5 / 25


def test_claps_are_marked(demo, timeline):
    """The three claps that the demo's recipe puts in, each within a frame, on the timeline and in the table."""
    truth = json.loads((ROOT / "examples/survey-launch/truth.json").read_text())
    first = next(f for r in demo[1]["recordings"] for f in r["files"] if f["path"] == "CAM-A_0017.MP4")
    true_s = np.array(truth["claps_s"]) + first["offset_s"]
    claps = [m for m in timeline.tracks.markers if m.metadata["coeval"]["kind"] == "clap"]
    marked_s = np.array([m.marked_range.start_time.to_seconds() for m in claps])
    for s in true_s:
        assert np.sum(np.abs(marked_s - s) <= 1 / 25) == 1, (s, marked_s)
    exact_s = np.array([m.metadata["coeval"]["timeline_s"] for m in claps])
    assert all(np.min(np.abs(exact_s - s)) < 2e-3 for s in true_s), exact_s
    # The recipe has no other. What one device alone heard may be the start of a word, and is called doubtful.
    sure_s = [s for s, m in zip(exact_s, claps) if "perhaps" not in m.name]
    assert sure_s and all(np.min(np.abs(true_s - s)) < 2e-3 for s in sure_s), sure_s
    table = (demo[0] / "markers.csv").read_text().splitlines()
    assert sum(",clap," in line for line in table) == len(claps)
    assert (demo[0] / "markers.vtt").read_text().count("\nclap in ") == len(sure_s)


def test_turns_of_speech_are_marked(demo, timeline):
    """Where the demo's recipe has somebody speak, and nowhere else by much."""
    truth = json.loads((ROOT / "examples/survey-launch/truth.json").read_text())
    first = next(f for r in demo[1]["recordings"] for f in r["files"] if f["path"] == "CAM-A_0017.MP4")
    turns = [dict(m.metadata["coeval"]) for m in timeline.tracks.markers if m.metadata["coeval"]["kind"] == "speech"]
    # In steps of 10 ms; a turn goes on over pauses of less than 2 s.
    marked, spoken, near = np.zeros((3, 30_000), bool)
    for turn in turns:
        marked[int(100 * turn["timeline_s"]) : int(100 * (turn["timeline_s"] + turn["length_s"]))] = True
    for from_s, to_s, _ in truth["talk"]:
        from_s, to_s = from_s + first["offset_s"], to_s + first["offset_s"]
        spoken[int(100 * from_s) : int(100 * to_s)] = True
        near[max(0, int(100 * from_s) - 200) : int(100 * to_s) + 200] = True
    assert np.mean(marked[spoken]) > 0.9
    assert np.sum(marked & ~near) < 0.05 * np.sum(marked)


def test_rates_are_exact(timeline):
    rates = {c.name: c.available_range().duration.rate for t, c in clips(timeline) if t.kind == "Video"}
    assert rates["CAM-A_0017.MP4"] == 25
    assert rates["CAM-B_0004.MOV"] == 30000 / 1001
    assert {c.available_range().duration.rate for _, c in clips(timeline) if is_whole(c)} == {48000}


def test_clips_lie_on_frames_within_their_media(timeline):
    for track, clip in clips(timeline):
        place = clip.transformed_time_range(clip.trimmed_range(), timeline.tracks)
        for value in (place.start_time.value_rescaled_to(25), place.duration.value_rescaled_to(25)):
            assert value == pytest.approx(round(value), abs=1e-6)
        source, available = clip.source_range, clip.available_range()
        assert source.start_time.value == round(source.start_time.value) >= 0
        end = source.start_time.to_seconds() + source.duration.to_seconds()
        # The last timeline frame of a clip at another rate may reach into the next source frame.
        assert end <= available.end_time_exclusive().to_seconds() + 1 / 25 + 1e-9, clip.name


def test_every_moment_is_the_alignments(demo, timeline):
    """Through the library's own transforms: timeline time -> file time, against the knots."""
    half_frame_s = 0.5 / 25
    for track, clip in clips(timeline):
        knots = np.array(file_of(demo[1], clip)["knots"])
        place = clip.transformed_time_range(clip.trimmed_range(), timeline.tracks)
        start_s, length_s = place.start_time.to_seconds(), place.duration.to_seconds()
        if is_whole(clip):
            # Its first sample lies on the frame at or before the file's start, and its clock is the timeline's.
            first_s = np.floor(knots[0, 1] * 25 + 1e-6) / 25
            knots = np.array([[0, first_s], [1, first_s + 1]])
            knots = np.vstack([knots, [length_s + 1, first_s + length_s + 1]])
        for t in np.linspace(start_s, start_s + length_s, 50, endpoint=False):
            shown_s = timeline.tracks.transformed_time(RationalTime(t * 48000, 48000), clip).to_seconds()
            belongs_s = np.interp(shown_s, knots[:, 0], knots[:, 1])
            assert abs(belongs_s - t) <= (1e-4 if is_whole(clip) else half_frame_s + ROUNDING_S), (clip.name, t)


def test_clips_cover_the_files(demo, timeline):
    """Nothing is left out but parts of frames: at either end, and a frame where a sliding clock is slipped."""
    pieces = {}
    for track, clip in clips(timeline):
        key = (track.name, track.kind, track.enabled, clip.metadata["coeval"]["path"], clip.name)
        pieces.setdefault(key, []).append(clip)
    for key, of_file in pieces.items():
        duration_s = file_of(demo[1], of_file[0])["duration_s"]
        covered_s = sum(c.source_range.duration.to_seconds() for c in of_file)
        assert covered_s > duration_s - (1 + len(of_file)) / 25, key


def test_media_is_found_from_the_timelines_folder(demo, timeline):
    for _, clip in clips(timeline):
        target = urllib.parse.unquote(clip.media_reference.target_url)
        assert (demo[0] / target).resolve().is_file(), target
