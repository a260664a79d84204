#!/usr/bin/env python3
"""The notebook way of placing recordings: decode everything with ffmpeg, one FFT correlation per file.

    python3 notebook_way.py REFERENCE FILE... [--rate 8000] [--json OUT]

Every file is decoded whole to mono at one rate, and correlated with the reference by
scipy.signal.correlate(method="fft"); the peak is the offset, a parabola over three points refines it.
No drift, no jumps, no word about whether the file belongs there at all. It is the yardstick for speed
and memory: prints each file's offset (timeline seconds at the file's start), seconds for decoding and for
correlating, and this process's peak memory; its ffmpeg comes on top.

Needs ffmpeg, NumPy, SciPy.
"""

import argparse
import json
import resource
import subprocess
import sys
import time

import numpy as np
from scipy import signal


def decode(path, rate):
    """A file's sound as ffmpeg presents it, mono float32."""
    done = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", path, "-map", "0:a:0", "-ac", "1", "-ar", str(rate), "-f", "f32le", "-"],
        capture_output=True, check=False)
    if done.returncode != 0:
        sys.exit(f"{path}: {done.stderr.decode(errors='replace').strip()}")
    return np.frombuffer(done.stdout, dtype="<f4")


def offset_s(reference, x, rate):
    """Where x lies on the reference, seconds, by the largest magnitude of the whole-file correlation."""
    c = np.abs(signal.correlate(reference, x, mode="full", method="fft"))
    k = int(np.argmax(c))
    shift = 0.0
    if 0 < k < len(c) - 1:
        a, b, d = float(c[k - 1]), float(c[k]), float(c[k + 1])
        if a - 2 * b + d != 0:
            shift = 0.5 * (a - d) / (a - 2 * b + d)
    return (k + shift - (len(x) - 1)) / rate


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("reference")
    parser.add_argument("files", nargs="+")
    parser.add_argument("--rate", type=int, default=8000, help="rate for the correlation, Hz (default 8000)")
    parser.add_argument("--json", help="where to write the figures")
    options = parser.parse_args()

    began = time.perf_counter()
    reference = decode(options.reference, options.rate)
    decode_s = time.perf_counter() - began
    correlate_s = 0.0
    rows = []
    for path in options.files:
        began = time.perf_counter()
        x = decode(path, options.rate)
        decode_s += time.perf_counter() - began
        began = time.perf_counter()
        at = offset_s(reference, x, options.rate)
        correlate_s += time.perf_counter() - began
        rows.append({"path": path, "offset_s": at, "duration_s": len(x) / options.rate})
        print(f"{path}: offset {at:.4f} s")
    # Linux counts in KiB. What it counts for a child is no less than its parent had when it was started, and says nothing.
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    figures = {"files": rows, "decode_s": decode_s, "correlate_s": correlate_s, "whole_s": decode_s + correlate_s,
               "peak_mib": own}
    print(f"decoding {decode_s:.2f} s, correlating {correlate_s:.2f} s, peak memory {own:.0f} MiB")
    if options.json:
        with open(options.json, "w", encoding="utf-8") as f:
            json.dump(figures, f, indent=1)


if __name__ == "__main__":
    main()
