"""Makes the pictures of guide.md from the demo recordings.

    pip install "./bindings/python[plot]"
    python docs/make_pictures.py [FOLDER]

FOLDER is docs/pictures if not given.
"""

from __future__ import annotations

import io
import sys
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from PIL import Image

import coeval

ROOT = Path(__file__).resolve().parents[1]
MATERIAL = ROOT / "examples" / "survey-launch" / "recordings"
CAMERA, RECORDER = MATERIAL / "CAM-A_0018.MP4", MATERIAL / "REC_0003.FLAC"


def envelope(samples: np.ndarray, rate_hz: int, start_s: float, length_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Times from `start_s` on, and the level of the voice band (300 to 3400 Hz) there, 0 to 1.

    Each level is of 40 ms, less what the quietest tenth of them has: the engine.
    """
    step = rate_hz // 25
    spectrum = np.fft.rfft(np.atleast_2d(samples.T).mean(axis=0))
    hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    voice = np.fft.irfft(np.where((hz > 300) & (hz < 3400), spectrum, 0), len(samples))
    part = voice[int(start_s * rate_hz) :][: int(length_s * 25) * step]
    level = np.sqrt((part.reshape(-1, step) ** 2).mean(axis=1))
    level = np.maximum(level - np.quantile(level, 0.1), 0)
    return start_s + np.arange(level.size) * 0.04, level / level.max()


def before_and_after() -> plt.Figure:
    pair = coeval.align_files(CAMERA, RECORDER)
    (a, rate_hz), (b, b_rate_hz) = coeval.read(CAMERA), coeval.read(RECORDER)
    on_a = coeval.resample(b, b_rate_hz, pair.clock_map, target_rate_hz=rate_hz, frames=len(a))
    figure, axes = plt.subplots(2, 1, figsize=(9.0, 4.6), sharex=True, layout="constrained")
    start_s, length_s = 5.0, 12.0
    for ax, (sound, its_rate_hz), title in zip(
        axes, ((b, b_rate_hz), (on_a, rate_hz)), ("not aligned: both files start together", f"aligned: {pair.offset_s:.4f} s")
    ):
        ax.fill_between(*envelope(a, rate_hz, start_s, length_s), color="tab:blue", alpha=0.4, label=CAMERA.name)
        ax.plot(*envelope(sound, its_rate_hz, start_s, length_s), color="tab:orange", linewidth=1.2, label=RECORDER.name)
        ax.set_title(title, fontsize=10)
        ax.set_yticks([])
        ax.set_ylabel("level of voices")
    axes[0].legend(loc="upper right")
    axes[1].set_xlabel(f"time in {CAMERA.name} (s)")
    return figure


def drift() -> plt.Figure:
    return coeval.align_files(RECORDER, MATERIAL / "CAM-B_0005.MOV").plot().figure


def timeline(shoot: coeval.Alignment) -> plt.Figure:
    return shoot.plot().figure


def rough_cut(shoot: coeval.Alignment) -> plt.Figure:
    voices = shoot.hear()
    plan = shoot.tighten(voices, target_s=90.0)
    figure, axes = plt.subplots(2, 1, figsize=(9.0, 4.2), sharex=True, height_ratios=(2, 3), layout="constrained")
    voices.plot(axes[0]).set_xlabel("")
    plan.plot(axes[1])
    return figure


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    shoot = coeval.align_shoot(MATERIAL)
    for name, figure in (
        ("before-and-after", before_and_after()),
        ("drift", drift()),
        ("timeline", timeline(shoot)),
        ("rough-cut", rough_cut(shoot)),
    ):
        drawn = io.BytesIO()
        figure.savefig(drawn, dpi=100)
        # Few colours make a small file.
        Image.open(drawn).convert("RGB").quantize(32).save(folder / f"{name}.png", optimize=True)


if __name__ == "__main__":
    main()
