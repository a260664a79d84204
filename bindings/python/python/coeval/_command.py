"""The console command `coeval`: the same as the Rust program of that name."""

from __future__ import annotations

import sys

from . import _native


def main() -> int:
    """Run the command line of this process and return its exit code."""
    return _native.command(sys.argv, sys.stderr.isatty())
