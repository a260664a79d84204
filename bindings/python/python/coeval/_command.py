"""The console command `coeval`: the same as the Rust program of that name, and `coeval batch`."""

from __future__ import annotations

import sys

from . import _native


def main() -> int:
    """Run the command line of this process and return its exit code."""
    if sys.argv[1:2] == ["batch"]:
        from .batch import main as batch

        return batch(sys.argv[2:])
    return _native.command(sys.argv, sys.stderr.isatty())
