"""The notebooks run, and show what they should."""

from __future__ import annotations

from pathlib import Path

import nbformat
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
