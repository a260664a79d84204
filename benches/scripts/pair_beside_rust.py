"""What Python costs over Rust, and how two threads get on: a 10-minute pair at 16 kHz.

    cargo build --release -p coeval --example align_raw
    maturin develop --release --manifest-path bindings/python/Cargo.toml     # in a virtual environment
    python benches/scripts/pair_beside_rust.py

Both sides make the two tracks from float32 arrays in memory and align them, on one thread each
(`RAYON_NUM_THREADS=1` for Rust, `threads=1` here), in turn, so that a busy machine slows both. Processor time is
what counts on such a machine: of a pair in Rust it is what three more pairs cost a process, over three. Then two
pairs, one thread of work each, in two Python threads, beside two processes of Rust at the same time: where two
cores are free both take as long as one pair; where the machine is busy, both take equally longer unless threads wait
for each other.
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
from conftest import Pair, make_pair  # noqa: E402

TARGET = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 7


def python_s(pair: Pair) -> float:
    started = time.perf_counter()
    result = coeval.align(pair.a, pair.b, pair.rate_hz, threads=1)
    took = time.perf_counter() - started
    assert result.placed
    return took


def python_cpu_s(pair: Pair) -> float:
    started = time.process_time()
    python_s(pair)
    return time.process_time() - started


def start(command: list[str], times: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*command, str(times)], stdout=subprocess.PIPE, text=True, env={**os.environ, "RAYON_NUM_THREADS": "1"}
    )


def wait(child: subprocess.Popen[str]) -> tuple[float, float]:
    """Least wall time of a pair, and processor time of the process."""
    assert child.stdout is not None
    with child.stdout as said:
        wall_s = float(said.read().split()[-1])
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0
    return wall_s, used.ru_utime + used.ru_stime


def rust_s(command: list[str]) -> tuple[float, float]:
    """Wall and processor time of a pair."""
    (_, once), (wall_s, four) = (wait(start(command, times)) for times in (1, 4))
    return wall_s, (four - once) / 3


def say(name: str, rust: list[float], python: list[float]) -> None:
    ratios = np.array(python) / np.array(rust)
    print(
        f"{name}: Rust {np.median(rust):.3f} s, Python {np.median(python):.3f} s; "
        f"{100 * (np.median(python) / np.median(rust) - 1):+.1f} % by the medians, {100 * (np.median(ratios) - 1):+.1f} % "
        f"by the median of {len(ratios)} rounds, {100 * (min(python) / min(rust) - 1):+.1f} % by the least"
    )


def main() -> None:
    pair = make_pair(600.0)
    with tempfile.TemporaryDirectory() as folder:
        for name, sound in (("a", pair.a), ("b", pair.b)):
            sound.tofile(Path(folder) / f"{name}.f32")
        command = [str(TARGET / "release/examples/align_raw"), f"{folder}/a.f32", f"{folder}/b.f32", str(pair.rate_hz)]
        rust, python, rust_cpu, python_cpu = [], [], [], []
        python_s(pair)
        for _ in range(RUNS):
            wall_s, cpu_s = rust_s(command)
            rust.append(wall_s)
            rust_cpu.append(cpu_s)
            python_cpu.append(float(np.mean([python_cpu_s(pair) for _ in range(3)])))
            python.append(min(python_s(pair) for _ in range(3)))
        say("one pair, processor time", rust_cpu, python_cpu)
        say("one pair, wall time", rust, python)

        one, two, processes = [], [], []
        for _ in range(RUNS):
            one.append(python_s(pair))
            workers = [threading.Thread(target=python_s, args=(pair,)) for _ in range(2)]
            started = time.perf_counter()
            for worker in workers:
                worker.start()
            for worker in workers:
                worker.join()
            two.append(time.perf_counter() - started)
            # The longer of both processes: each says how long the pair itself took.
            processes.append(max([wait(child)[0] for child in [start(command, 1) for _ in range(2)]]))
    for name, times in (("two Python threads", two), ("two Rust processes", processes)):
        ratios = np.array(times) / np.array(one)
        print(
            f"one pair {min(one):.3f} s, two pairs in {name} {min(times):.3f} s: {min(times) / min(one):.2f} times by the "
            f"least, {np.median(ratios):.2f} by the median (run by run {ratios.min():.2f} to {ratios.max():.2f})"
        )
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
