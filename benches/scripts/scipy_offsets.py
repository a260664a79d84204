#!/usr/bin/env python3
"""Offsets of pairs by scipy.signal.correlate: plain, and with PHAT weighting, a parabola over the peak's three points.

    python3 scipy_offsets.py FOLDER RATE

Reads FOLDER/<n>.a.f32 and FOLDER/<n>.b.f32 (float32, little endian) and prints one JSON line a pair:
n, plain and phat offset (a time minus b time at the start of b) in seconds. Needs NumPy and SciPy.
"""

import json
import pathlib
import sys

import numpy as np
from scipy import fft, signal


def peak(c, first_lag, rate):
    c = np.abs(c)
    k = int(np.argmax(c))
    shift = 0.0
    if 0 < k < len(c) - 1:
        left, mid, right = c[k - 1], c[k], c[k + 1]
        bend = left - 2 * mid + right
        if bend < 0:
            shift = 0.5 * (left - right) / bend
    return float(k + shift + first_lag) / rate


def main():
    folder, rate = pathlib.Path(sys.argv[1]), float(sys.argv[2])
    for path in sorted(folder.glob("*.a.f32"), key=lambda p: int(p.name.split(".")[0])):
        n = path.name.split(".")[0]
        a = np.fromfile(path, "<f4")
        b = np.fromfile(folder / f"{n}.b.f32", "<f4")
        plain = signal.correlate(a, b, mode="full", method="fft")
        size = fft.next_fast_len(len(a) + len(b), real=True)
        cross = fft.rfft(a, size) * np.conj(fft.rfft(b, size))
        # Only the band that holds signal: outside it PHAT would raise rounding noise.
        f = np.arange(len(cross)) * rate / size
        cross = np.where((f >= 300) & (f <= 3400), cross / (np.abs(cross) + 1e-20), 0)
        phat = np.roll(fft.irfft(cross, size), len(b) - 1)[: len(a) + len(b) - 1]
        first = -(len(b) - 1)
        print(json.dumps({"n": int(n), "plain": peak(plain, first, rate), "phat": peak(phat, first, rate)}))


main()
