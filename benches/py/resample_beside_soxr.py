"""The resampler beside the SoX resampler's very high quality, on the same sound.

Run from the top of the repository, with numpy and soxr installed:
    cargo build --release -p coeval-benches --example resample_raw
    python benches/py/resample_beside_soxr.py

Prints THD+N (best-fitting sine taken out) and level of sines, and fails when the resampler misses
-120 dB at 1 kHz, -110 dB elsewhere, or 0.01 dB of level up to 20 kHz.
"""

import subprocess
import sys

import numpy as np
import soxr

PROGRAM = "target/release/examples/resample_raw"


def by_coeval(sound, source_hz, target_hz, drift_ppm):
    run = subprocess.run(
        [PROGRAM, str(source_hz), str(target_hz), str(drift_ppm)],
        input=sound.astype("<f4").tobytes(), stdout=subprocess.PIPE, check=True,
    )
    return np.frombuffer(run.stdout, "<f4").astype(float)


def by_soxr(sound, source_hz, target_hz, drift_ppm):
    # The library takes a ratio only, not a moment: equal to a drift of the source clock.
    return soxr.resample(sound, source_hz, target_hz * (1 + drift_ppm * 1e-6), "VHQ").astype(float)


def residual_and_level_db(output, hz, rate):
    inner = output[rate // 10 : len(output) - rate // 10]
    t = np.arange(len(inner)) / rate
    basis = np.stack([np.sin(2 * np.pi * hz * t), np.cos(2 * np.pi * hz * t), np.ones_like(t)], 1)
    fit, *_ = np.linalg.lstsq(basis, inner, rcond=None)
    rest = inner - basis @ fit
    level = np.hypot(fit[0], fit[1])
    return 10 * np.log10(np.mean(rest**2) / (level**2 / 2)), 20 * np.log10(level)


def main():
    missed = 0
    print(f"{'rates':>16} {'ppm':>6} {'sine Hz':>8} | {'THD+N dB: coeval':>16} {'soxr':>7} | {'level dB: coeval':>16} {'soxr':>9}")
    for source_hz, target_hz, ppm in [
        (48000, 48000, 1000), (48000, 48000, -1000), (48000, 48000, 85),
        (44100, 48000, 0), (48000, 44100, 0), (96000, 48000, 30), (32000, 48000, 0), (16000, 48000, 0),
    ]:
        for hz in (1000, 10000, 18000, 20000):
            if hz > 0.4535 * min(source_hz, target_hz):
                continue
            sound = np.sin(2 * np.pi * hz * np.arange(4 * source_hz) / source_hz).astype("f4")
            heard = hz / (1 + ppm * 1e-6)
            ours = residual_and_level_db(by_coeval(sound, source_hz, target_hz, ppm), heard, target_hz)
            theirs = residual_and_level_db(by_soxr(sound, source_hz, target_hz, ppm), heard, target_hz)
            good = ours[0] < (-120 if hz == 1000 else -110) and abs(ours[1]) < 0.01
            missed += not good
            print(f"{source_hz:>7} ->{target_hz:>6} {ppm:>6} {hz:>8} | {ours[0]:>16.1f} {theirs[0]:>7.1f} | {ours[1]:>16.5f} {theirs[1]:>9.5f}{'' if good else '  MISSED'}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
