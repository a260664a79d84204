"""timeline.otio in the reference library: it loads, everything lies where alignment.json says, and what other programs make of
it lies there too: of the demo, and of the cards that `cargo test -p coeval-tests --test cards` left."""
import json
import os
import pathlib
import urllib.parse
from importlib.metadata import version

import numpy as np
import opentimelineio as otio
import pytest
from opentimelineio.opentime import RationalTime, TimeRange, to_timecode

from conftest import ROOT, coeval

# Knots are kept to 20 us by the solver; a source point lies on a whole sample.
ROUNDING_S = 50e-6
CARDS = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "tmp" / "cards"


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


def into_media_s(timeline, t, clip):
    """The moment of its medium, from its beginning, that a clip shows at `t` on the timeline."""
    shown = timeline.tracks.transformed_time(RationalTime(t * 48000, 48000), clip)
    return shown.to_seconds() - clip.available_range().start_time.to_seconds()


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
    sure_s = [s for s, m in zip(exact_s, claps) if "possible" not in m.name]
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
    # Sound is counted in frames of the timeline, because timecode cannot count samples.
    assert {c.available_range().duration.rate for _, c in clips(timeline) if is_whole(c)} == {25}


def test_clips_lie_on_frames_within_their_media(timeline):
    for track, clip in clips(timeline):
        place = clip.transformed_time_range(clip.trimmed_range(), timeline.tracks)
        for value in (place.start_time.value_rescaled_to(25), place.duration.value_rescaled_to(25)):
            assert value == pytest.approx(round(value), abs=1e-6)
        source, available = clip.source_range, clip.available_range()
        count = source.start_time.value if track.kind == "Video" else source.start_time.to_seconds() * 48_000
        assert count == pytest.approx(round(count), abs=1e-3) and source.start_time >= available.start_time
        end = source.start_time.to_seconds() + source.duration.to_seconds()
        # The last timeline frame of a clip at another rate may reach into the next source frame.
        assert end <= available.end_time_exclusive().to_seconds() + 1 / 25 + 1e-9, clip.name


def every_moment_is_the_alignments(timeline, alignment):
    """Through the library's own transforms: timeline time -> file time, against the knots."""
    rate = timeline.global_start_time.rate
    for track, clip in clips(timeline):
        file = file_of(alignment, clip)
        if (file.get("picture") or {}).get("capture_rate"):
            # Slow motion is shown at its own rate.
            continue
        knots = np.array(file["knots"])
        place = clip.transformed_time_range(clip.trimmed_range(), timeline.tracks)
        start_s, length_s = place.start_time.to_seconds(), place.duration.to_seconds()
        if is_whole(clip):
            # Its first sample lies on the frame at or before the file's start, and its clock is the timeline's.
            first_s = np.floor(knots[0, 1] * rate + 1e-6) / rate
            knots = np.array([[0, first_s], [1, first_s + 1]])
            knots = np.vstack([knots, [length_s + 1, first_s + length_s + 1]])
        for t in np.linspace(start_s, start_s + length_s, 50, endpoint=False):
            shown_s = into_media_s(timeline, t, clip)
            belongs_s = np.interp(shown_s, knots[:, 0], knots[:, 1])
            assert abs(belongs_s - t) <= (1e-4 if is_whole(clip) else 0.5 / rate + ROUNDING_S), (clip.name, t)


def test_every_moment_is_the_alignments(demo, timeline):
    every_moment_is_the_alignments(timeline, demo[1])


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


def ranges(timeline):
    for _, clip in clips(timeline):
        yield from (clip.source_range, clip.available_range())
        yield clip.transformed_time_range(clip.trimmed_range(), timeline.tracks)
    yield from (marker.marked_range for marker in timeline.tracks.markers)
    yield from (track.trimmed_range() for track in timeline.tracks)


@pytest.fixture(scope="module")
def timelines(demo, timeline, tmp_path_factory):
    """Every timeline that the demo gives: with conformed sound, without, of the rough cut, and on another clock."""
    recordings = ROOT / "examples" / "survey-launch" / "recordings"
    out = tmp_path_factory.mktemp("others")
    for name, more in [("raw", []), ("ntsc", ["--reference", "CAM-B_0004.MOV"])]:
        coeval("align", recordings, "-o", out / name, "--only", "timeline,edl", *more, codes=(3,))
    coeval("tighten", demo[0], "--media", recordings, "-o", out / "rough", "--speed-up", "5")
    read = {name: otio.adapters.read_from_file(str(out / name / "timeline.otio")) for name in ("raw", "ntsc")}
    rough = otio.adapters.read_from_file(str(out / "rough" / "rough-cut.otio"))
    return {"whole": (timeline, demo[0]), **{n: (t, out / n) for n, t in read.items()}, "rough": (rough, out / "rough")}


def timecode_counts_every_range(timeline):
    for range_ in ranges(timeline):
        for time in (range_.start_time, range_.duration, range_.end_time_exclusive()):
            assert to_timecode(time), time


def test_timecode_counts_every_range(timelines):
    for timeline, _ in timelines.values():
        timecode_counts_every_range(timeline)


def test_sound_begins_at_its_timecode(timeline, demo):
    """A time reference is the first sample's, counted from midnight."""
    wholes = [c for _, c in clips(timeline) if is_whole(c)]
    assert wholes
    for clip in wholes:
        reference_s = clip.metadata["coeval"]["conformed"]["time_reference"] / 48_000
        assert clip.available_range().start_time.to_seconds() == pytest.approx(reference_s, abs=1e-6)


def placed(track, rate):
    """Start on the track, length, and start in the medium of each clip, in seconds."""
    for clip in track.find_clips():
        place = clip.range_in_parent()
        yield clip.name, place.start_time.to_seconds(), place.duration.to_seconds(), clip.source_range.start_time.to_seconds()


def is_cut_plainly(track):
    """Without speeds and dissolves, which lists and other programs' writers do not know."""
    return not any(isinstance(i, otio.schema.Transition) for i in track) and not any(c.effects for c in track.find_clips())


def label_s(time, rate):
    """The label of a time as a list of another rate counts it, in seconds: with the frame of that rate that is begun then."""
    if time.rate == rate:
        return time.to_seconds()
    *clock, frame = map(int, to_timecode(time).replace(";", ":").split(":"))
    return np.dot(clock, [3600, 60, 1]) + frame * round(rate) // round(time.rate) / rate


def it_reads_back_equal(timeline, folder, tmp_path):
    """Through the library's own file, its bundles, and our lists in its reader."""
    rate = timeline.global_start_time.rate
    for suffix in ("otio", "otioz", "otiod"):
        path = tmp_path / f"timeline.{suffix}"
        # Bundles copy no media here: a demo's are all over the machine.
        more = {"media_policy": "AllMissing"} if suffix != "otio" else {}
        otio.adapters.write_to_file(timeline, str(path), **more)
        again = otio.adapters.read_from_file(str(path))
        for a, b in zip(timeline.tracks, again.tracks, strict=True):
            assert list(placed(a, rate)) == list(placed(b, rate)), suffix
    listed = 0
    for track in timeline.tracks:
        # What only lies ready has no list of its own.
        path = folder / "edl" / f"{track.name.replace(' ', '-')}.{'picture' if track.kind == 'Video' else 'sound'}.edl"
        if not path.is_file():
            assert "sound_of" in track.metadata["coeval"], path
            continue
        listed += 1
        read = otio.adapters.read_from_file(str(path), rate=rate)
        if not is_cut_plainly(track):
            continue
        ours, lists = list(placed(track, rate)), list(placed(read.tracks[0], rate))
        assert len(ours) == len(lists), path
        media = {c.name: c.available_range() for c in track.find_clips()}
        # A list says where its first event lies by record timecode; the reader drops what is before it.
        for (a_name, a_s, a_length_s, a_source_s), (_, b_s, b_length_s, b_source_s) in zip(ours, lists):
            assert (a_s - ours[0][1]) == pytest.approx(b_s - lists[0][1], abs=0.5 / rate), path
            assert a_length_s == pytest.approx(b_length_s, abs=0.5 / rate), path
            # Both are nearest frames, of the file and of the list.
            begins = media[a_name].start_time
            slack_s = 0.5 / rate + 0.5 / begins.rate
            assert a_source_s - begins.to_seconds() == pytest.approx(b_source_s - label_s(begins, rate), abs=slack_s + 1e-6), path
    assert listed == len(list(folder.glob("edl/*.edl")))


def test_it_reads_back_equal(timelines, tmp_path):
    for name, (timeline, folder) in timelines.items():
        (tmp_path / name).mkdir()
        it_reads_back_equal(timeline, folder, tmp_path / name)


def as_aaf(timeline):
    """What otio-aaf-adapter 2.0 can write of a timeline: all at one rate, on whole frames, and no track with speeds or
    dissolves."""
    rate = timeline.global_start_time.rate

    def on_frames(range_):
        return TimeRange(*(RationalTime(round(t.value_rescaled_to(rate)), rate) for t in (range_.start_time, range_.duration)))

    plain = timeline.deepcopy()
    for i in reversed(range(len(plain.tracks))):
        if not is_cut_plainly(plain.tracks[i]):
            del plain.tracks[i]
    for clip in plain.find_clips():
        clip.source_range = on_frames(clip.source_range)
        clip.media_reference.available_range = on_frames(clip.media_reference.available_range)
    return plain


def it_is_equal_as_aaf(timeline, tmp_path):
    """To half a frame, with its media."""
    rate = timeline.global_start_time.rate
    plain = as_aaf(timeline)
    if not plain.tracks:
        return
    otio.adapters.write_to_file(plain, str(tmp_path / "timeline.aaf"), use_empty_mob_ids=True)
    again = otio.adapters.read_from_file(str(tmp_path / "timeline.aaf"))
    assert again.global_start_time == timeline.global_start_time
    ours = [track for track in timeline.tracks if is_cut_plainly(track)]
    for a, b in zip(ours, again.tracks, strict=True):
        assert a.kind == b.kind
        for (a_name, *x), (b_name, *y) in zip(placed(a, rate), placed(b, rate), strict=True):
            assert a_name == b_name and x == pytest.approx(y, abs=0.5 / rate + 1e-6), (x, y)
        # That reader puts a scheme before relative names.
        urls = [[c.media_reference.target_url.removeprefix("file://") for c in track.find_clips()] for track in (a, b)]
        assert urls[0] == urls[1]


def test_it_is_equal_as_aaf(timelines, tmp_path):
    for name, (timeline, _) in timelines.items():
        (tmp_path / name).mkdir()
        it_is_equal_as_aaf(timeline, tmp_path / name)


@pytest.mark.parametrize(("which", "fault"), [("whole", "not equal to 25.0"), ("rough", "PointList'. does not exist")])
def test_what_the_aaf_adapter_cannot_write(timelines, tmp_path, which, fault):
    """Faults of its own (otio-aaf-adapter 2.0): clips at another rate than the timeline's, and dissolves that it did not read
    from such a file. Where one is gone, `as_aaf` has less to do."""
    assert version("otio-aaf-adapter").startswith("2.0.")
    with pytest.raises(Exception, match=fault):
        otio.adapters.write_to_file(timelines[which][0], str(tmp_path / "timeline.aaf"), use_empty_mob_ids=True)


@pytest.mark.parametrize("card", sorted(p.parent.name for p in CARDS.glob("*/timeline.otio")))
def test_a_card_is_read_by_others(card, tmp_path):
    folder = CARDS / card
    timeline = otio.adapters.read_from_file(str(folder / "timeline.otio"))
    every_moment_is_the_alignments(timeline, json.loads((folder / "alignment.json").read_text()))
    timecode_counts_every_range(timeline)
    it_reads_back_equal(timeline, folder, tmp_path)
    # Each such file takes the better part of a second: of a card's runs the first.
    if card.endswith(".1"):
        it_is_equal_as_aaf(timeline, tmp_path)


def test_what_the_library_lists_itself_reads_back(timelines, tmp_path):
    """The library's own writer of such lists (otio-cmx3600-adapter 1.0) cuts source times to whole frames, up to one early,
    and writes pictures only."""
    timeline, _ = timelines["whole"]
    rate = timeline.global_start_time.rate
    tracks = [t for t in timeline.tracks if t.kind == "Video"]
    assert tracks
    for i, track in enumerate(tracks):
        one = otio.schema.Timeline(tracks=[track.deepcopy()])
        path = tmp_path / f"{i}.edl"
        otio.adapters.write_to_file(one, str(path), rate=rate)
        again = otio.adapters.read_from_file(str(path), rate=rate).tracks[0]
        for a, b in zip(placed(track, rate), placed(again, rate), strict=True):
            assert a[2] == pytest.approx(b[2], abs=1e-6) and -1e-6 <= a[3] - b[3] < 1 / rate, (a, b)
