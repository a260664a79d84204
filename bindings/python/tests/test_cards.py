"""What people really pour into one folder, through the package: copies, names that a person knows, files left out."""

from __future__ import annotations

import shutil
from pathlib import Path

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
