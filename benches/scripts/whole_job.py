#!/usr/bin/env python3
"""Time and peak memory of `coeval align` beside the notebook way, on the same files in one run.

    cargo build --release -p coeval-cli -p coeval-benches
    python3 benches/scripts/whole_job.py [--minutes 10 60 240] [--folder out/whole-job] [--json OUT]

Shoots (two cameras, one recorder) are made by `make_shoot` when they are not there yet. Three jobs are timed:

placing      from the files to alignment.json, which is what the notebook way does, and more
whole job    placing, then levels, claps, speech, conformed sound, every hand-over and the report
notebook     decoding and one correlation per file, at the cameras' rate of 48 kHz (where memory allows: 2 GiB for each
             ten minutes of a shoot; so up to --full-rate-up-to minutes), and at 8 kHz

All files are in the system's cache. Reading is decoding and making the tracks that are compared; comparing is the
alignment without it. Peak memory is the largest resident set of the process; the notebook way's ffmpeg is not counted.
Errors are the largest over each whole file against the shoot's truth. Needs ffmpeg, NumPy, SciPy.
"""

import argparse
import json
import os
import pty
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
# Of the cameras that `make_shoot` plays.
CAMERA_RATE_HZ = 48_000


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


def staged(command, shown):
    """Like `measured` for `coeval`, whose progress shows on a terminal: seconds, peak MiB, and seconds of each stage.
    What it prints goes to the file `shown`."""
    ours, theirs = pty.openpty()
    began = time.perf_counter()
    terminal = {**os.environ, "TERM": "xterm"}
    child = subprocess.Popen(command, stdout=shown, stderr=theirs, env=terminal)
    os.close(theirs)
    seen = []
    while True:
        try:
            said = os.read(ours, 1 << 16)
        except OSError:  # The other end is closed.
            break
        now = time.perf_counter() - began
        for name in re.findall(rb"(?:^|\r|\x1b\[2K)([a-z]+) ", said):
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
    parser.add_argument("--full-rate-up-to", type=float, default=60, metavar="MINUTES",
                        help="longest shoot that the notebook way gets at 48 kHz (default 60)")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    rows = []
    print("| shoot | sound | placing s | reading | comparing | peak MiB | largest error ms | whole job s | peak MiB "
          "| notebook, 48 kHz: s | peak MiB | error ms | placing is faster by | notebook, 8 kHz: s | decoding | correlating "
          "| peak MiB | error ms | placing is faster by |\n" + "| --- " * 19 + "|")
    for minutes in options.minutes:
        shoot = options.folder / f"{minutes:g}"
        if not (shoot / "truth.json").exists():
            subprocess.run([options.bin / "make_shoot", "--minutes", f"{minutes}", "--out", shoot],
                           check=True, stdout=subprocess.DEVNULL)
        files = json.loads((shoot / "truth.json").read_text())["files"]
        truth = {f["path"]: (f["knots"], f["duration_s"]) for f in files}
        # The truth is on the first file's clock and begins with it; the result's timeline begins with the earliest file.
        first = files[0]["path"]

        def error_ms(alignment):
            maps = {f["path"]: f["knots"] for r in alignment["recordings"] for f in r["files"]}
            back = [[t, f] for f, t in maps.get(first, [])]
            return worst_ms(truth, {n: [[f, at(back, t)] for f, t in k] for n, k in maps.items()}) if back else None

        coeval, recordings = options.bin / "coeval", shoot / "recordings"
        # Once before: whoever came first would wait for the disk.
        for path in recordings.iterdir():
            with path.open("rb") as sound:
                while sound.read(1 << 24):
                    pass
        with tempfile.TemporaryFile() as shown:
            placing_s, placing_mib, stages = staged([coeval, "align", recordings, "--json"], shown)
            shown.seek(0)
            ours_ms = error_ms(json.load(shown))
        out = shoot / f"aligned-{os.getpid()}-{time.time_ns()}"
        whole_s, whole_mib = measured([coeval, "align", recordings, "-o", out])
        assert error_ms(json.loads((out / "alignment.json").read_text())) == ours_ms

        row = {"minutes": minutes, "sound_h": sum(f["duration_s"] for f in files) / 3600, "placing_s": placing_s,
               "stages_s": stages, "placing_peak_mib": placing_mib, "worst_ms": ours_ms, "whole_s": whole_s,
               "whole_peak_mib": whole_mib, "notebook": {}}
        for name, rate in [("48 kHz", CAMERA_RATE_HZ), ("8 kHz", 8000)]:
            if name == "48 kHz" and minutes > options.full_rate_up_to:
                continue
            figures = shoot / "notebook.json"
            paths = [recordings / f["path"] for f in files]
            measured([sys.executable, Path(__file__).with_name("notebook_way.py"), *paths, "--rate", f"{rate}", "--json", figures])
            notebook = json.loads(figures.read_text())
            straight = {Path(f["path"]).name: [[0.0, f["offset_s"]], [f["duration_s"], f["offset_s"] + f["duration_s"]]]
                        for f in notebook.pop("files")}
            notebook["worst_ms"] = worst_ms({n: t for n, t in truth.items() if n != first}, straight)
            row["notebook"][name] = notebook
        rows.append(row)
        own, low = row["notebook"].get("48 kHz"), row["notebook"]["8 kHz"]
        error = "not placed" if ours_ms is None else f"{ours_ms:.2f}"
        beside = "- | - | - | -" if own is None else (
            f"{own['whole_s']:.1f} | {own['peak_mib']:.0f} | {own['worst_ms']:.1f} | {own['whole_s'] / placing_s:.1f}")
        print(f"| {minutes:g} min | {row['sound_h']:.2f} h | {placing_s:.1f} | {stages.get('reading', 0.0):.2f} "
              f"| {stages.get('comparing', 0.0):.2f} | {placing_mib:.0f} | {error} | {whole_s:.1f} | {whole_mib:.0f} | {beside} "
              f"| {low['whole_s']:.1f} | {low['decode_s']:.1f} | {low['correlate_s']:.1f} | {low['peak_mib']:.0f} "
              f"| {low['worst_ms']:.1f} | {low['whole_s'] / placing_s:.1f} |", flush=True)
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
