#!/usr/bin/env python3
"""Whole-job time and peak memory of `coeval align` beside the notebook way, on the same files in one run.

    cargo build --release -p coeval-cli -p coeval-benches
    python3 benches/scripts/whole_job.py [--minutes 10 60 240] [--folder out/whole-job] [--json OUT]

Shoots (two cameras, one recorder) are made by `make_shoot` when they are not there yet. Peak memory is the
largest resident set of the process; the notebook way's ffmpeg is a process of its own and counted apart.
Reading is decoding and making the tracks that are compared; comparing is the alignment without it.
Errors are the largest over each whole file against the shoot's truth. Needs ffmpeg, NumPy, SciPy.
"""

import argparse
import json
import os
import pty
import re
import subprocess
import sys
import time
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]


def ended(child, began):
    """Waits for a child; seconds since it began and its peak MiB."""
    _, status, usage = os.wait4(child.pid, 0)
    whole = time.perf_counter() - began
    if os.waitstatus_to_exitcode(status) != 0:
        sys.exit(f"failed: {' '.join(map(str, child.args))}")
    return whole, usage.ru_maxrss / 1024


def measured(command):
    """Runs a command; seconds and peak MiB of it and its children."""
    began = time.perf_counter()
    return ended(subprocess.Popen(command, stdout=subprocess.DEVNULL), began)


def staged(command):
    """Like `measured` for `coeval`, whose progress shows on a terminal: seconds, peak MiB, and seconds of each stage."""
    ours, theirs = pty.openpty()
    began = time.perf_counter()
    terminal = {**os.environ, "TERM": "xterm"}
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=theirs, env=terminal)
    os.close(theirs)
    seen = []
    while True:
        try:
            shown = os.read(ours, 1 << 16)
        except OSError:  # The other end is closed.
            break
        now = time.perf_counter() - began
        for name in re.findall(rb"(?:^|\r|\x1b\[2K)([a-z]+) ", shown):
            if not seen or seen[-1][0] != name:
                seen.append((name, now))
    os.close(ours)
    whole, peak_mib = ended(child, began)
    stages = {}
    for (name, begins), (_, ends) in zip(seen, seen[1:] + [(None, whole)]):
        stages[name.decode()] = stages.get(name.decode(), 0.0) + ends - begins
    return whole, peak_mib, stages


def at(knots, t):
    """Timeline time of a moment of a file."""
    for (f0, t0), (f1, t1) in zip(knots, knots[1:]):
        if t <= f1 and f1 > f0:
            return t0 + (t - f0) * (t1 - t0) / (f1 - f0)
    (f0, t0), (f1, t1) = knots[-2:]
    return t0 + (t - f0) * (t1 - t0) / (f1 - f0)


def worst_ms(truth, maps):
    """Largest error over all files, ms; None when one is not placed."""
    worst = 0.0
    for name, (knots, duration) in truth.items():
        if not maps.get(name):
            return None
        moments = [duration * i / 500 for i in range(501)]
        worst = max(worst, *(abs(at(maps[name], t) - at(knots, t)) * 1e3 for t in moments))
    return worst


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, nargs="+", default=[10, 60, 240])
    parser.add_argument("--folder", type=Path, default=PROJECT / "out" / "whole-job")
    parser.add_argument("--bin", type=Path, default=PROJECT / "target" / "release")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    rows = []
    print("| shoot | sound | coeval s | reading | comparing | peak MiB | largest error ms | notebook s | decoding | correlating | peak MiB (+ ffmpeg) "
          "| largest error ms | times faster |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for minutes in options.minutes:
        shoot = options.folder / f"{minutes:g}"
        if not (shoot / "truth.json").exists():
            subprocess.run([options.bin / "make_shoot", "--minutes", f"{minutes}", "--out", shoot],
                           check=True, stdout=subprocess.DEVNULL)
        files = json.loads((shoot / "truth.json").read_text())["files"]
        truth = {f["path"]: (f["knots"], f["duration_s"]) for f in files}
        out = shoot / f"aligned-{os.getpid()}-{time.time_ns()}"
        ours_s, ours_mib, stages = staged([options.bin / "coeval", "align", shoot / "recordings", "-o", out])
        result = json.loads((out / "alignment.json").read_text())
        maps = {f["path"]: f["knots"] for r in result["recordings"] for f in r["files"]}
        # The truth is on the first file's clock and begins with it; the result's timeline begins with the earliest file.
        first = files[0]["path"]
        back = [[t, f] for f, t in maps.get(first, [])]
        ours_ms = worst_ms(truth, {n: [[f, at(back, t)] for f, t in k] for n, k in maps.items()}) if back else None

        figures = shoot / "notebook.json"
        paths = [shoot / "recordings" / f["path"] for f in files]
        measured([sys.executable, Path(__file__).with_name("notebook_way.py"), *paths, "--json", figures])
        notebook = json.loads(figures.read_text())
        offsets = {Path(f["path"]).name: f for f in notebook["files"]}
        straight = {n: [[0.0, f["offset_s"]], [f["duration_s"], f["offset_s"] + f["duration_s"]]] for n, f in offsets.items()}
        notebook_ms = worst_ms({n: t for n, t in truth.items() if n != first}, straight)
        row = {"minutes": minutes, "sound_h": sum(f["duration_s"] for f in files) / 3600, "coeval_s": ours_s,
               "coeval_stages_s": stages,
               "coeval_peak_mib": ours_mib, "coeval_worst_ms": ours_ms, "notebook_s": notebook["whole_s"],
               "notebook_decode_s": notebook["decode_s"], "notebook_correlate_s": notebook["correlate_s"],
               "notebook_peak_mib": notebook["peak_mib"], "ffmpeg_peak_mib": notebook["ffmpeg_peak_mib"],
               "notebook_worst_ms": notebook_ms}
        rows.append(row)
        shown = "not placed" if ours_ms is None else f"{ours_ms:.2f}"
        print(f"| {minutes:g} min | {row['sound_h']:.2f} h | {ours_s:.1f} | {stages.get('reading', 0.0):.2f} "
              f"| {stages.get('comparing', 0.0):.2f} | {ours_mib:.0f} | {shown} | {row['notebook_s']:.1f} "
              f"| {row['notebook_decode_s']:.1f} | {row['notebook_correlate_s']:.1f} | {row['notebook_peak_mib']:.0f} + "
              f"{row['ffmpeg_peak_mib']:.0f} | {notebook_ms:.1f} | {row['notebook_s'] / ours_s:.1f} |", flush=True)
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
