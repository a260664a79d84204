"""What people really pour into one folder, through the package: copies, names that a person knows, files left out."""

from __future__ import annotations

import shutil
import wave
from pathlib import Path

import numpy as np
import pytest

import coeval

RECORDINGS = Path(__file__).resolve().parents[3] / "examples" / "survey-launch" / "recordings"


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One camera's take and the recorder, and a chapter once more in a folder of its own."""
    folder = tmp_path_factory.mktemp("card")
    for name in ("CAM-A_0017.MP4", "CAM-A_0018.MP4", "REC_0003.FLAC"):
        shutil.copy(RECORDINGS / name, folder / name)
    (folder / "backup").mkdir()
    shutil.copy(RECORDINGS / "CAM-A_0017.MP4", folder / "backup" / "CAM-A_0017.MP4")
    return folder


def test_a_copy_is_named_and_not_used(card: Path) -> None:
    shoot = coeval.align_shoot(card)
    copy = shoot["backup/CAM-A_0017.MP4"]
    assert copy.details["copy_of"] == "CAM-A_0017.MP4" and not copy.placed and "copy" in (copy.reason or "")
    assert all(file.placed for file in shoot.files if "copy_of" not in file.details)
    clips = [clip.metadata["coeval"]["path"] for clip in shoot.to_otio().find_clips()]
    assert copy.path not in clips and "CAM-A_0017.MP4" in clips


def test_ids_are_what_a_person_calls_the_device(card: Path) -> None:
    shoot = coeval.align_shoot(card)
    assert {file.recording for file in shoot.files} == {"cam-a", "rec-1"}


def test_what_is_excluded_takes_no_part(card: Path) -> None:
    for exclude in ("backup/*", ["backup/*"]):
        shoot = coeval.align_shoot(card, exclude=exclude)
        assert len(shoot.files) == 3 and all(file.placed for file in shoot.files)
    with pytest.raises(coeval.InvalidArgumentError, match="matches no file"):
        coeval.align_shoot(card, exclude="NO_SUCH_*")


def timecode(first: int, count: int, rate_hz: int) -> np.ndarray:
    """Timecode of 25 frames a second from frame `first` on, by the bit layout of SMPTE ST 12-1 (from memory)."""
    levels, level = [], 0.25
    for n in range(first, first + count):
        fields = ((0, n % 25), (16, n // 25 % 60), (32, n // 1500 % 60), (48, n // 90_000))
        bits = 0xBFFC << 64 | sum((v % 10 | v // 10 << 8) << at for at, v in fields) | 0xA << 60
        for i in range(80):
            level = -level
            levels.append(level)
            if bits >> i & 1:
                level = -level
            levels.append(level)
    edges = np.arange(count * rate_hz // 25) * (4000 / rate_hz)
    return np.array([levels[edge] for edge in edges.astype(int)])


def test_timecode_in_sound_is_read() -> None:
    sound = np.concatenate([np.zeros(4800), timecode(36_000 * 25 - 10, 50, 48_000)])
    frames = coeval.ltc(sound.astype(np.float32), 48_000)
    assert len(frames) >= 49 and frames[-1].label == "10:00:01:14"
    for frame in frames:
        counted = ((frame.hours * 60 + frame.minutes) * 60 + frame.seconds) * 25 + frame.frames
        assert abs(frame.start_s - 0.1 - (counted - 899_990) / 25) < 1e-4
        assert (frame.fps, frame.drop_frame, frame.user_bits) == (25, False, 0xA0000000)
    assert coeval.ltc(np.random.default_rng(1).standard_normal(480_000), 48_000) == []
    with pytest.raises(coeval.InvalidArgumentError, match="2 channels"):
        coeval.ltc(np.zeros((100, 2)), 48_000)
    with pytest.raises(coeval.InvalidArgumentError, match="22050"):
        coeval.ltc(np.zeros(100), 8000)


def test_tracks_of_one_recorder_lie_as_one(tmp_path: Path) -> None:
    shutil.copy(RECORDINGS / "CAM-A_0017.MP4", tmp_path)
    sound, rate_hz = coeval.read(RECORDINGS / "REC_0003.FLAC")
    sound = sound.reshape(len(sound), -1)[:, 0]
    unused = 0.01 * np.random.default_rng(3).standard_normal(len(sound))
    tracks: list[np.ndarray] = [unused, sound]
    for number, track in enumerate(tracks, 1):
        with wave.open(str(tmp_path / f"take_Tr{number}.wav"), "wb") as out:
            out.setparams((1, 2, rate_hz, 0, "NONE", ""))
            out.writeframes(np.asarray(32767 * track, dtype="<i2").tobytes())
    shoot = coeval.align_shoot(tmp_path)
    first, second = shoot["take_Tr1.wav"], shoot["take_Tr2.wav"]
    assert first.placed and second.placed and first.recording == second.recording
    assert second.details["track_of"] == first.path and second.details["knots"] == first.details["knots"]
    assert first.details["compared"] == []
    (tmp_path / "out").mkdir()
    under = [made for made in shoot.conform(tmp_path / "out", tracks=[2]) if made.under_clip]
    assert [(made.sources, made.channels) for made in under] == [(("take_Tr2.wav",), 1)]
    with pytest.raises(coeval.InvalidArgumentError, match="no recorder has a track"):
        shoot.conform(tmp_path / "out", tracks="Brass", replace=True)
