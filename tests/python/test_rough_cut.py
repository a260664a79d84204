"""The rough cut of the demo in the reference library: it loads, all tracks are of one length, and everything is in step."""
import json

import numpy as np
import opentimelineio as otio
import pytest
from opentimelineio.opentime import RationalTime

from conftest import ROOT, coeval

RATE = 25
# Knots are kept to 20 us by the solver; a source point lies on a whole sample.
ROUNDING_S = 50e-6


@pytest.fixture(scope="module")
def rough(tmp_path_factory):
    out = tmp_path_factory.mktemp("rough") / "out"
    recordings = ROOT / "examples" / "survey-launch" / "recordings"
    coeval("align", recordings, "-o", out, "--only", "timeline,report", codes=(3,))
    coeval("tighten", out, "--media", recordings, "--speed-up", "5", "--speed", "4")
    cut = out / "rough-cut"
    timeline = otio.adapters.read_from_file(str(cut / "rough-cut.otio"))
    return timeline, json.loads((cut / "plan.json").read_text()), json.loads((out / "alignment.json").read_text()), cut


def shown(entry):
    """Frames of an entry on the shorter timeline, and its speed; 0 where it is dropped."""
    fate, length = entry["fate"], entry["to"] - entry["from"]
    if fate == "drop":
        return 0, 1
    speed = 1 if fate == "show" else fate["pass"]
    return -(-length // speed), speed


def test_all_tracks_are_as_long_as_the_plan(rough):
    timeline, plan, _, _ = rough
    frames = sum(shown(e)[0] for e in plan["plan"]["entries"])
    assert frames == round(plan["after_s"] * RATE) < plan["before_s"] * RATE
    for track in timeline.tracks:
        assert track.duration().value_rescaled_to(RATE) == pytest.approx(frames, abs=1e-6), track.name
    assert any(isinstance(e["fate"], dict) for e in plan["plan"]["entries"])


def test_every_moment_is_within_half_a_frame(rough):
    """Through the library's own transforms: shorter timeline -> file time, against the knots and the plan."""
    timeline, plan, alignment, _ = rough
    files = {f["path"]: f for r in alignment["recordings"] for f in r["files"]}
    pieces, at = [], 0
    for entry in plan["plan"]["entries"]:
        frames, speed = shown(entry)
        if frames:
            pieces.append((at, at + frames, entry["from"], speed))
        at += frames
    checked = 0
    for track in timeline.tracks:
        for clip in track.find_clips():
            knots = np.array(files[clip.metadata["coeval"]["path"]]["knots"])
            place = clip.transformed_time_range(clip.trimmed_range(), timeline.tracks)
            start, length = (round(t.value_rescaled_to(RATE)) for t in (place.start_time, place.duration))
            for frame in {start, start + length // 2, start + length - 1}:
                begin, _, full, speed = next(p for p in pieces if p[0] <= frame < p[1])
                if speed > 1:
                    continue
                shown_s = timeline.tracks.transformed_time(RationalTime(frame, RATE), clip).to_seconds()
                shown_s -= clip.available_range().start_time.to_seconds()
                belongs_s = np.interp(shown_s, knots[:, 0], knots[:, 1])
                lies_s = (full + frame - begin) / RATE
                assert abs(belongs_s - lies_s) <= 0.5 / RATE + ROUNDING_S, (track.name, clip.name, frame)
                checked += 1
    assert checked > 100


def test_it_uses_conformed_sound_and_does_not_begin_in_black(demo, tmp_path):
    """The recorder's own file on whole frames would be up to half a frame off."""
    recordings = ROOT / "examples" / "survey-launch" / "recordings"
    coeval("tighten", demo[0], "--media", recordings, "-o", tmp_path / "cut")
    timeline = otio.adapters.read_from_file(str(tmp_path / "cut" / "rough-cut.otio"))
    plan = json.loads((tmp_path / "cut" / "plan.json").read_text())["plan"]
    sound = next(t for t in timeline.tracks if t.name == "rec-1")
    clips = list(sound.find_clips())
    assert clips and all(c.name.endswith(".on-timeline.wav") for c in clips)
    kept = [(e["from"], e["to"]) for e in plan["entries"] if e["fate"] == "show"]
    at = {}
    for from_, to in kept:
        at.update({sum(b - a for a, b in kept if b <= from_) + k: from_ + k for k in range(to - from_)})
    for clip in clips:
        # A time reference counts from midnight; the timeline begins at one hour.
        full_s = clip.source_range.start_time.to_seconds() - 3600
        frame = round(clip.range_in_parent().start_time.value)
        assert full_s == pytest.approx(at[frame] / RATE, abs=1 / 48_000)
    angles = next(t for t in timeline.tracks if t.name == "angles")
    assert isinstance(angles[0], otio.schema.Clip)


def test_angles_follow_the_plan(rough):
    timeline, plan, _, _ = rough
    angles = next(t for t in timeline.tracks if t.name == "angles")
    seen = [c.metadata["coeval"]["cut"]["camera"] for c in angles.find_clips()]
    planned = [e["camera"] for e in plan["plan"]["entries"] if e["camera"]]
    assert seen and list(dict.fromkeys(seen)) == list(dict.fromkeys(planned))
    fast = [c for c in angles.find_clips() if c.effects]
    assert all(isinstance(c.effects[0], otio.schema.LinearTimeWarp) and c.effects[0].time_scalar == 4 for c in fast)


def dissolves(track):
    """Where each begins, not counting gaps; its length; and the source frames of both clips there."""
    at = 0
    for i, item in enumerate(track):
        if isinstance(item, otio.schema.Transition):
            before, length = item.in_offset.value, item.in_offset.value + item.out_offset.value
            goes, comes = track[i - 1].source_range, track[i + 1].source_range
            yield at - before, length, goes.end_time_exclusive().value - before, comes.start_time.value - before
        elif isinstance(item, otio.schema.Clip):
            at += item.source_range.duration.value


def test_the_list_of_angles_dissolves_as_the_timeline_does(tmp_path):
    """The list through a reader of such lists that others wrote. It knows one rate only: one camera, which must hide its
    own jumps."""
    recordings = ROOT / "examples" / "survey-launch" / "recordings"
    files = [recordings / name for name in ("CAM-A_0017.MP4", "CAM-A_0018.MP4", "CAM-A_0019.MP4", "REC_0003.FLAC")]
    coeval("align", *files, "-o", tmp_path / "out", "--only", "timeline")
    coeval("tighten", tmp_path / "out", "--media", recordings)
    cut = tmp_path / "out" / "rough-cut"
    timeline = otio.adapters.read_from_file(str(cut / "rough-cut.otio"))
    angles = next(t for t in timeline.tracks if t.name == "angles")
    read = otio.adapters.read_from_file(str(cut / "edl" / "angles.picture.edl"), rate=RATE)
    listed = read.video_tracks()[0]
    wanted = list(dissolves(angles))
    assert list(dissolves(listed)) == wanted and len(wanted) > 10


def test_chapters_are_captions_in_order(rough):
    *_, cut = rough
    lines = (cut / "chapters.vtt").read_text().splitlines()
    assert lines[0] == "WEBVTT"
    starts = [line.split(" --> ")[0] for line in lines if " --> " in line]
    assert starts and starts == sorted(starts)
