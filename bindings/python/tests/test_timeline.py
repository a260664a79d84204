"""Random shoots in the reference library: everything lies where the alignment says, to half a frame, everywhere."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import opentimelineio as otio
import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from opentimelineio.opentime import RationalTime, to_timecode

import coeval

RATES = [(24_000, 1001), (25, 1), (30_000, 1001), (50, 1), (60_000, 1001)]
SAMPLES_HZ = [44_100, 48_000]
# A source point of sound lies on a whole sample; and the arithmetic of seconds.
ROUNDING_S = 0.5 / 44_100 + 2e-6

leg = st.tuples(st.floats(20, 300), st.floats(-150, 150), st.sampled_from([0.0, 0.0, 0.0, 0.3, 1.7]))
chapters = st.tuples(
    st.floats(0, 60), st.lists(st.tuples(st.floats(0, 20), st.lists(leg, min_size=1, max_size=4)), min_size=1, max_size=3)
)
cameras = st.lists(st.tuples(st.sampled_from(RATES), chapters), min_size=1, max_size=3)


def files(stem: str, chapters: Any, picture: tuple[int, int] | None, rate_hz: int) -> list[dict[str, Any]]:
    start_s, parts = chapters
    made, at = [], start_s
    for i, (gap_s, legs) in enumerate(parts):
        at += gap_s
        knots, jumps = [[0.0, at]], []
        for k, (length_s, ppm, lost_s) in enumerate(legs):
            if k and lost_s:
                at += lost_s
                jumps.append({"file_s": knots[-1][0], "lost_s": lost_s})
                knots.append([knots[-1][0], at])
            at += length_s * (1 + ppm * 1e-6)
            knots.append([knots[-1][0] + length_s, at])
        file: dict[str, Any] = {
            "path": f"{stem}_{i:03}", "status": "placed", "reason": None, "duration_s": knots[-1][0],
            "confidence": 1.0, "uncertainty_s": 1e-4, "offset_s": knots[0][1], "drift_ppm": 0.0,
            "knots": knots, "jumps": jumps, "sound": {"codec": "PCM", "rate_hz": rate_hz, "channels": 1},
        }  # fmt: skip
        if picture:
            file["picture"] = {
                "frame_rate": picture, "variable_rate": False, "size": [320, 180], "start_s": 0.0,
                "duration_s": knots[-1][0],
            }  # fmt: skip
        made.append(file)
    return made


def runs(knots: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Stretches of knots between two jumps."""
    return np.split(knots, np.flatnonzero(np.diff(knots[:, 0]) == 0) + 1)


# A shoot takes a tenth of a second: making a failing one smaller would take minutes.
@settings(max_examples=40, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(cameras, chapters, st.sampled_from(SAMPLES_HZ))
@example(
    # A file of 24 frames a second that begins amid the last frame of the one before, on a timeline of 60.
    [
        ((60_000, 1001), (49.92, [(0.0, [(100.0, 0.0, 0.0)])])),
        ((24_000, 1001), (56.478378707046176, [
            (1.1, [(27.377088250925382, 2.3199374799742145, 0.0), (174.04221812730435, 85.72128044497828, 0.0),
                   (152.1333157582202, 150.0, 0.0), (100.0, 6.284321694015915, 1.7)]),
            (10.0, [(209.60751365284722, -0.5, 0.3)]),
            (0.0, [(288.2822379570744, 0.0, 0.0), (100.0, -64.5150939563109, 0.0)]),
        ])),
    ],
    (53.0, [(13.0, [(147.0, 98.0, 0.0)])]),
    44_100,
)  # fmt: skip
def test_ranges_are_the_alignments(cameras: Any, recorder: Any, rate_hz: int) -> None:
    recordings: list[dict[str, Any]] = [
        {"id": f"cam-{c}", "kind": "camera", "files": files(f"C{c}", parts, rate, 48_000)}
        for c, (rate, parts) in enumerate(cameras)
    ]
    recordings.append({"id": "rec", "kind": "recorder", "files": files("R", recorder, None, rate_hz)})
    contract = {
        "schema": "coeval.alignment/1", "generator": {"name": "coeval", "version": "0"},
        "timeline": {"clock": "cam-0", "duration_s": 1.0}, "recordings": recordings, "pairs": [],
    }  # fmt: skip
    alignment = coeval.Alignment.from_json(json.dumps(contract), root="/shoot")
    timeline = alignment.to_otio()
    frame_s = cameras[0][0][1] / cameras[0][0][0]
    by_path: dict[str, dict[str, Any]] = {file["path"]: file for recording in recordings for file in recording["files"]}
    shown_frames: dict[tuple[str, str], float] = {}
    for track in timeline.tracks:
        at_s = 0.0
        for clip in track.find_clips():
            file = by_path[clip.metadata["coeval"]["path"]]
            own = file.get("picture", {}).get("frame_rate", (1, 1000))
            half_s = 0.5 * max(frame_s, own[1] / own[0]) + ROUNDING_S
            place = clip.transformed_time_range(clip.trimmed_range(), timeline.tracks)
            start_s, length_s = place.start_time.to_seconds(), place.duration.to_seconds()
            # Clips of one track follow each other on whole frames.
            assert start_s >= at_s - 1e-6 and length_s > 0
            at_s = start_s + length_s
            assert abs(start_s / frame_s - round(start_s / frame_s)) < 1e-4
            source, available = clip.source_range, clip.available_range()
            for time in (source.start_time, source.duration, available.start_time, available.duration):
                to_timecode(time)
            # Sound is counted in frames of the timeline, with a fraction that is a whole number of samples.
            count = source.start_time.to_seconds() * (1 / (own[1] / own[0]) if "picture" in file else rate_hz)
            assert count == pytest.approx(round(count), abs=1e-3) and count >= 0
            assert source.end_time_exclusive().to_seconds() <= available.end_time_exclusive().to_seconds() + frame_s
            key = (track.name, file["path"] + track.kind)
            shown_frames[key] = shown_frames.get(key, 0.0) + length_s
            knots = np.array(file["knots"])
            for t in np.arange(0, length_s, max(frame_s, length_s / 40)) + start_s:
                if np.min(np.abs(knots[:, 1] - t)) < frame_s:
                    # Within a frame of an edge or a jump the map has two answers.
                    continue
                shown_s = timeline.tracks.transformed_time(RationalTime(t * 48_000, 48_000), clip).to_seconds()
                run = next(r for r in runs(knots) if r[0, 1] <= t <= r[-1, 1])
                belongs_s = np.interp(t, run[:, 1], run[:, 0])
                assert abs(shown_s - belongs_s) <= half_s, (clip.name, t)
    # All of every file is there, but for some frames at its ends, its jumps and its slips.
    for (_, path), length_s in shown_frames.items():
        file = next(f for p, f in by_path.items() if path.startswith(p))
        stretches = runs(np.array(file["knots"]))
        there_s = sum(r[-1, 1] - r[0, 1] for r in stretches)
        # Of a picture slower than the timeline whole frames of its own are shown: the one before it may run on into its
        # first, and what is no whole frame at its end is not there.
        own = file.get("picture", {}).get("frame_rate", (1, 1000))
        assert abs(length_s - there_s) <= 3 * max(frame_s, own[1] / own[0]) * len(stretches), path
    assert len(shown_frames) == sum(2 if "picture" in f else 1 for f in by_path.values())
    assert isinstance(timeline, otio.schema.Timeline)
