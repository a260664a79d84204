"""The code in the guide and in README.md runs as it stands there, and the guide's pictures can be made again."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import ROOT

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


def test_the_pictures(tmp_path: Path) -> None:
    wanted = re.findall(r"!\[[^]]+\]\(pictures/([^)]+)\)", GUIDE)
    assert len(wanted) >= 4
    subprocess.run([sys.executable, str(ROOT / "docs" / "make_pictures.py"), str(tmp_path)], check=True, timeout=600)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(wanted)
    for name in wanted:
        kept = (ROOT / "docs" / "pictures" / name).stat().st_size
        assert (tmp_path / name).stat().st_size > 3000 and 3000 < kept < 60_000, name
