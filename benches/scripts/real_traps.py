#!/usr/bin/env python3
"""real_traps.py ROWS.json FOLDER   For pairs that `real` puts elsewhere than the table: which place is the sound for?

Every half second of one recording is correlated, whitened by phase, with the other around both places. Printed for each
place: how many of these blocks have their highest correlation within a millisecond of each other, and over how many
seconds they are spread. By chance a few of thirty agree, and a lock to one repeated sound adds a block or two; a right place
has them wherever both heard the same. No part of the engine is used. Needs NumPy, SciPy and ffmpeg."""
import json
import subprocess
import sys

import numpy as np
from scipy.signal import istft, stft

RATE, BLOCK, SLACK = 8000, 4000, 80


def whitened(path):
    command = ["ffmpeg", "-v", "error", "-i", path, "-f", "f32le", "-ac", "1", "-ar", str(RATE), "-"]
    x = np.frombuffer(subprocess.run(command, capture_output=True, check=True).stdout, np.float32)
    _, _, z = stft(x, RATE, nperseg=512, noverlap=384)
    z /= np.abs(z) + 1e-9
    z[:10] = 0  # below 156 Hz: handling and wind
    return istft(z, RATE, nperseg=512, noverlap=384)[1][: len(x)]


def agreeing(a, b, offset_s):
    """Blocks that agree on one lag: how many, and from which second to which."""
    lags = []
    for start in range(0, len(b) - BLOCK, BLOCK):
        at = int(round(start + offset_s * RATE))
        if SLACK <= at <= len(a) - BLOCK - SLACK:
            c = np.abs(np.correlate(a[at - SLACK : at + BLOCK + SLACK], b[start : start + BLOCK], "valid"))
            lags.append((start / RATE, (np.argmax(c) - SLACK) / RATE))
    best = max(([s for s, lag in lags if abs(lag - middle) <= 5e-4] for _, middle in lags), key=len, default=[])
    return len(best), len(lags), (best[0], best[-1] + BLOCK / RATE) if best else (0.0, 0.0)


def main(rows, folder):
    for row in json.load(open(rows)):
        found, hint = row["found_s"], row["offset_s"]
        if not row["is_trap"] or found is None or abs(found - hint) <= 0.2:
            continue
        a, b = (whitened(f"{folder}/{row['take']}/{row[side]}") for side in "ab")
        said = [agreeing(a, b, offset_s) for offset_s in (found, hint)]
        text = ["{0} of {1} blocks, {2[0]:.1f} to {2[1]:.1f} s".format(*s) for s in said]
        print(f"{row['take']} {row['a']} {row['b']}: found {found:.3f} s: {text[0]} | table {hint:.3f} s: {text[1]}")


main(*sys.argv[1:])
