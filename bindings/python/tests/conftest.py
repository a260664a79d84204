"""Sound for the tests: an invented pair of recordings with a known clock."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[3]


def xorshift(state: int, count: int) -> NDArray[np.float32]:
    """The noise of the C library's tests: Marsaglia's xorshift (Journal of Statistical Software 8(14), 2003)."""
    words = np.empty(count, np.uint32)
    for i in range(count):
        state ^= state << 13 & 0xFFFFFFFF
        state ^= state >> 17
        state ^= state << 5 & 0xFFFFFFFF
        words[i] = state
    # The upper half as a signed number.
    noise: NDArray[np.float32] = ((words.view(np.int32) >> 16) / np.float64(65536)).astype(np.float32)
    return noise


def spoken_sound(frames: int) -> NDArray[np.float32]:
    """A voice at 48 kHz, 1.5 s of it in 4.5 s, over noise."""
    n = np.arange(frames)
    sound = xorshift(88_172_645, frames)
    sound /= np.float32(64)
    voice = np.fromfile(ROOT / "tests/fixtures/voice.wav", "<i2", offset=44).astype(np.float32) / np.float32(131_072)
    speaks = n // 72_000 % 3 == 1
    sound[speaks] += voice[n[speaks] % 72_000 // 3]
    return sound


def rust_example(name: str) -> Path:
    """The program of an example, built with the features of the whole workspace, as Rust's tests have built it already."""
    if shutil.which("cargo") is None:
        pytest.skip("there is no cargo here to build Rust's side with")
    subprocess.run(["cargo", "build", "--quiet", "--workspace", "--example", name], cwd=ROOT, check=True)
    return Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "debug/examples" / name


@pytest.fixture(scope="session")
def sixty_seconds() -> list[str]:
    """What Rust says of 60 s of known sound, and the C library's tests compare with the same: a line for the pair, one
    for the speech curve, and one for each stretch of speech."""
    command = [rust_example("sixty_seconds")]
    return subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout.splitlines()


class Pair(NamedTuple):
    """Two recordings of one event: time of `a` = `offset_s` + (1 + `drift_ppm` 1e-6) * time of `b`."""

    a: NDArray[np.float32]
    b: NDArray[np.float32]
    rate_hz: int
    offset_s: float
    drift_ppm: float


def make_pair(duration_s: float, seed: int = 1, rate_hz: int = 16_000) -> Pair:
    """Bursts of band-limited noise, as speech comes in bursts, under noise of each recording's own."""
    rng = np.random.default_rng(seed)
    offset_s, drift_ppm = 3.217, 41.0
    count = int(duration_s * rate_hz)
    # The common sound as a sum of sines (300 to 3000 Hz), so that it is known at any moment exactly.
    block = 4096
    hz, phase = rng.uniform(300, 3000, 60), rng.uniform(0, 2 * np.pi, 60)
    change = rng.uniform(0, 2 * np.pi, (int(duration_s * 4) + 64, 60))
    loud = (rng.uniform(size=len(change)) < 0.6).astype(float)

    def world(t: NDArray[np.float64]) -> NDArray[np.float64]:
        out = np.empty_like(t)
        for i in range(0, t.size, block):
            part = t[i : i + block]
            # Every quarter of a second other phases, faded in and out: the sound does not repeat.
            cell = np.clip((part * 4).astype(int) + 16, 0, len(change) - 1)
            fade = np.sin(np.pi * ((part * 4) % 1.0)) ** 2 * loud[cell]
            tones = np.sin(2 * np.pi * hz * part[:, None] + phase + change[cell])
            out[i : i + block] = fade * tones.sum(axis=1)
        return out / 8

    t = np.arange(count) / rate_hz
    later = t[: count - 8 * rate_hz]
    a = world(t) + 0.5 * rng.standard_normal(t.size)
    b = world(offset_s + later * (1 + drift_ppm * 1e-6)) + 0.5 * rng.standard_normal(later.size)
    return Pair((a / 8).astype(np.float32), (b / 8).astype(np.float32), rate_hz, offset_s, drift_ppm)


@pytest.fixture(scope="session")
def pair() -> Pair:
    return make_pair(60.0)


@pytest.fixture(scope="session")
def shoot_folder() -> Path:
    return ROOT / "examples" / "survey-launch" / "recordings"
