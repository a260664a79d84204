"""The notebooks and the batch run, and say what they should."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import nbformat
import pandas
import pytest
from conftest import ROOT
from nbclient import NotebookClient

NOTEBOOKS = sorted((ROOT / "examples" / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks() -> None:
    assert len(NOTEBOOKS) >= 3


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_runs_from_top_to_bottom(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The kernel draws into the notebook, unless told otherwise.
    monkeypatch.delenv("MPLBACKEND", raising=False)
    notebook = nbformat.read(path, as_version=4)
    assert not any(cell.get("outputs") for cell in notebook.cells), "notebooks are kept without outputs"
    client = NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    )
    client.execute()
    pictures = [
        output for cell in notebook.cells for output in cell.get("outputs", []) if "image/png" in output.get("data", {})
    ]
    assert pictures, "a notebook shows a picture"


def test_a_batch_goes_on_where_it_stopped(tmp_path: Path, shoot_folder: Path) -> None:
    archive, out = tmp_path / "archive", tmp_path / "out"
    wanted = {
        "ferry": ["CAM-A_0017.MP4", "REC_0003.FLAC"],
        "harbour": ["CAM-B_0004.MOV", "REC_0003.FLAC"],
        "nothing": [],
    }
    for shoot, names in wanted.items():
        (archive / shoot).mkdir(parents=True)
        for name in names:
            shutil.copy(shoot_folder / name, archive / shoot)

    def run() -> tuple[int, str]:
        command = [sys.executable, str(ROOT / "examples" / "cluster_batch.py"), str(archive), str(out), "--workers", "2"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=600, env={**os.environ})
        return done.returncode, done.stdout + done.stderr

    code, said = run()
    assert code == 1 and "3 shoots, 0 done already" in said and "ferry: aligned" in said, said
    table = pandas.read_parquet(out / "archive.parquet")
    assert set(table["shoot"]) == set(wanted) and len(table) == 5
    assert table["offset_s"].notna().sum() == 4
    assert table.loc[table["shoot"] == "nothing", "error"].notna().all()
    kept = (out / "alignments" / "ferry.json").stat().st_mtime_ns

    # One shoot is made again by a change, one is done, the failed one is tried again.
    os.utime(archive / "harbour" / "REC_0003.FLAC")
    (archive / "nothing").rmdir()
    code, said = run()
    assert code == 0 and "2 shoots, 1 done already" in said and "harbour: aligned" in said, said
    assert "ferry: aligned" not in said
    assert (out / "alignments" / "ferry.json").stat().st_mtime_ns == kept
    code, said = run()
    assert code == 0 and "2 shoots, 2 done already" in said and "aligned" not in said.replace("alignments", "")
    assert len(pandas.read_parquet(out / "archive.parquet")) == 4
    assert not [p for p in out.rglob("*") if p.name.startswith(".part")]
