"""The folder in which the examples of the docstrings run."""

from __future__ import annotations

from pathlib import Path

import pytest

import coeval

DEMO = Path(__file__).resolve().parents[2] / "examples" / "survey-launch" / "recordings"


@pytest.fixture(scope="session")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clip and a recorder's file of the demo, cut short: by themselves, as a shoot, and its results."""
    folder = tmp_path_factory.mktemp("examples")
    shoot, results = folder / "the-shoot", folder / "results"
    shoot.mkdir()
    results.mkdir()
    # The clip lies 92.7 s into the recorder's file.
    sound, rate_hz = coeval.read(DEMO / "REC_0003.FLAC", start_s=90.0, duration_s=75.0, always_2d=True)
    coeval._native.write_wav(shoot / "recorder.wav", sound, rate_hz, "int16", True)
    sound, rate_hz = coeval.read(DEMO / "REC_0003.FLAC", start_s=20.0, duration_s=35.0, always_2d=True)
    coeval._native.write_wav(folder / "claps.wav", sound, rate_hz, "int16", True)
    (folder / "voice.wav").symlink_to(DEMO.parents[2] / "tests" / "fixtures" / "voice.wav")
    (shoot / "camera.mp4").symlink_to(DEMO / "CAM-A_0018.MP4")
    for name in ("camera.mp4", "recorder.wav"):
        (folder / name).symlink_to(shoot / name)
    alignment = coeval.align_shoot(shoot)
    alignment.save(results / "alignment.json")
    (results / "speech.json").write_text(alignment.hear().to_json(), encoding="utf-8")
    return folder


@pytest.fixture(autouse=True)
def folder_of_examples(request: pytest.FixtureRequest) -> None:
    if isinstance(request.node, pytest.DoctestItem):
        recordings: Path = request.getfixturevalue("recordings")
        request.getfixturevalue("monkeypatch").chdir(recordings)
        made: Path = recordings / "sound"
        made.mkdir(exist_ok=True)
