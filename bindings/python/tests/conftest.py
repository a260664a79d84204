"""Sound for the tests: an invented pair of recordings with a known clock."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[3]


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
