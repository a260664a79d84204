"""The code in the guide, in README.md and in the pages by task runs as it stands there, and the guide's pictures can be made again."""

from __future__ import annotations

import inspect
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import ROOT

import coeval

GUIDE = (ROOT / "docs" / "guide.md").read_text(encoding="utf-8")


def test_the_guide(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"\n```python\n(.*?)\n```", GUIDE, re.DOTALL)
    assert len(blocks) == 2
    names: dict[str, object] = {}
    for block in blocks:
        exec(block, names)
    said = capsys.readouterr().out
    assert "6 of 7 files placed" in said and "no common sound" in said, said


TASKS = sorted((ROOT / "docs" / "site" / "how-to").glob("[!i]*.md"))


def test_there_are_pages_by_task() -> None:
    assert len(TASKS) >= 7


@pytest.mark.parametrize("page", TASKS, ids=lambda p: p.stem)
def test_a_page_by_task(page: Path, recordings: Path) -> None:
    blocks = re.findall(r"\n```python\n(.*?)\n```", page.read_text(encoding="utf-8"), re.DOTALL)
    if not blocks:
        pytest.skip("shows no Python")
    (recordings / "archive").mkdir(exist_ok=True)
    if not (recordings / "archive" / "monday").exists():
        os.symlink(recordings / "the-shoot", recordings / "archive" / "monday")
    script = recordings / f"{page.stem.replace('-', '_')}_shown.py"
    script.write_text("\n".join(blocks), encoding="utf-8")
    # A program of its own: the archive's page starts processes, which import it again.
    ran = subprocess.run([sys.executable, str(script)], cwd=recordings, capture_output=True, text=True, timeout=600)
    assert ran.returncode == 0, ran.stderr
    said = {
        "two-recordings": "offset",
        "timecode-in-sound": "channel 1: 0 frames of timecode",
        "archive": "1 aligned",
        "notebook": "offset_s",
    }
    assert said[page.stem] in ran.stdout, ran.stdout


def test_the_readme(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    lines = re.findall(r"^(?:>>>|\.\.\.) (.*)$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert len(lines) >= 4
    # It draws a picture into the folder where one stands.
    os.symlink(ROOT / "examples", tmp_path / "examples")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec("\n".join(lines), names)
    assert (tmp_path / "offset.png").stat().st_size > 1000
    assert getattr(names["result"], "placed") is True


@pytest.mark.skipif("COEVAL_SHORT_PYTHON" in os.environ, reason="half a minute that CI does not have")
def test_the_pictures(tmp_path: Path) -> None:
    wanted = re.findall(r"!\[[^]]+\]\(pictures/([^)]+)\)", GUIDE)
    assert len(wanted) >= 4
    subprocess.run([sys.executable, str(ROOT / "docs" / "make_pictures.py"), str(tmp_path)], check=True, timeout=600)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(wanted)
    for name in wanted:
        kept = (ROOT / "docs" / "pictures" / name).stat().st_size
        assert (tmp_path / name).stat().st_size > 3000 and 3000 < kept < 60_000, name


FUNCTIONS = sorted(name for name in coeval.__all__ if inspect.isfunction(getattr(coeval, name)))


def test_there_are_functions() -> None:
    assert len(FUNCTIONS) >= 20, FUNCTIONS


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_says_what_it_takes_gives_and_raises_with_an_example(name: str) -> None:
    """The examples themselves run as doctests."""
    text = inspect.getdoc(getattr(coeval, name)) or ""
    for part in ("Parameters\n---", "Returns\n---", "Examples\n---", ">>> "):
        assert part in text, f"{name} has no {part!r}"
    assert "Raises\n---" in text or name == "markers_to_pandas"


@pytest.mark.parametrize("name", sorted(set(coeval.__all__) - set(FUNCTIONS) - {"__version__"}))
def test_a_class_and_its_methods_are_described(name: str) -> None:
    described = getattr(coeval, name)
    # What a dataclass writes by itself begins with the name.
    assert (inspect.getdoc(described) or name).split("(")[0] != name
    for member, value in vars(described).items():
        if not member.startswith("_") and inspect.isfunction(value):
            assert inspect.getdoc(value), f"{name}.{member}"
