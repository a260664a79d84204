"""What Python costs over Rust, and how two threads get on: a 10-minute pair at 16 kHz.

    cargo build --release -p coeval --example align_raw
    maturin develop --release --manifest-path bindings/python/Cargo.toml     # in a virtual environment
    python benches/py/pair_beside_rust.py

Both sides make the two tracks from float32 arrays in memory and align them, on one thread each
(`RAYON_NUM_THREADS=1` for Rust, `threads=1` here), in turn, so that a busy machine slows both; the least of
several times counts, three in each process. Then two pairs, one thread of work each, in two Python threads.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

import coeval

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "bindings/python/tests"))
from conftest import make_pair  # noqa: E402

TARGET = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 7


def python_s(pair: object) -> float:
    started = time.perf_counter()
    result = coeval.align(pair.a, pair.b, pair.rate_hz, threads=1)
    took = time.perf_counter() - started
    assert result.placed
    return took


def main() -> None:
    pair = make_pair(600.0)
    with tempfile.TemporaryDirectory() as folder:
        for name, sound in (("a", pair.a), ("b", pair.b)):
            sound.tofile(Path(folder) / f"{name}.f32")
        command = [TARGET / "release/examples/align_raw", f"{folder}/a.f32", f"{folder}/b.f32", str(pair.rate_hz), "3"]
        rust, python = [], []
        for _ in range(RUNS):
            done = subprocess.run(
                command, check=True, capture_output=True, text=True, env={**os.environ, "RAYON_NUM_THREADS": "1"}
            )
            rust.append(float(done.stdout.split()[-1]))
            python.append(min(python_s(pair) for _ in range(3)))
    print(f"one pair: Rust {min(rust):.3f} s, Python {min(python):.3f} s: {100 * (min(python) / min(rust) - 1):+.1f} %")

    one, two = [], []
    for _ in range(RUNS):
        one.append(python_s(pair))
        workers = [threading.Thread(target=python_s, args=(pair,)) for _ in range(2)]
        started = time.perf_counter()
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
        two.append(time.perf_counter() - started)
    ratios = np.array(two) / np.array(one)
    print(f"one pair {min(one):.3f} s, two pairs in two threads {min(two):.3f} s: {min(two) / min(one):.2f} times")
    print(f"(run by run {ratios.min():.2f} to {ratios.max():.2f}; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores)")


if __name__ == "__main__":
    main()
