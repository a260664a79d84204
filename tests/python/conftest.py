"""What the checks share: the command, and one run of it over the demo recordings."""
import json
import os
import pathlib
import subprocess

import pytest

ROOT = pathlib.Path(__file__).resolve().parents[2]
COEVAL = os.environ.get("COEVAL", str(ROOT / "target" / "release" / "coeval"))


def coeval(*args, codes=(0,)):
    """Runs the command; its exit code must be one of `codes`."""
    run = subprocess.run([COEVAL, *map(str, args)], capture_output=True, text=True, timeout=600)
    assert run.returncode in codes, f"{run.returncode}\n{run.stdout}\n{run.stderr}"
    return run.stdout


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """The folder with the result for the demo recordings, and the alignment in it."""
    out = tmp_path_factory.mktemp("demo") / "out"
    coeval("align", ROOT / "examples" / "survey-launch" / "recordings", "-o", out, codes=(3,))
    return out, json.loads((out / "alignment.json").read_text())
