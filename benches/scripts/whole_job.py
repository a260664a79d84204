#!/usr/bin/env python3
"""Time and peak memory of `coeval align` beside the notebook way, on the same files in one run.

    cargo build --release -p coeval-cli -p coeval-benches
    python3 benches/scripts/whole_job.py [--minutes 10 60 240] [--folder out/whole-job] [--json OUT]

Shoots (two cameras, one recorder) are made by `make_shoot` when they are not there yet. Three jobs are timed:

placing      from the files to alignment.json, which is what the notebook way does, and more
whole job    placing, then levels, claps, speech, conformed sound, every hand-over and the report
notebook     decoding and one correlation per file, at the cameras' rate of 48 kHz (where memory allows: 2 GiB for each
             ten minutes of a shoot; so up to --full-rate-up-to minutes), and at 8 kHz

A second table holds the whole job against what it cannot do without, in the same run: decoding the sound (by ffmpeg, as
many files at once as there are cores) and writing as many bytes as the results have (not forced to the disk). It also
has a second run into the same folder, one with another --start, and the limits of each (own targets, for two cores on
which nothing else runs); figures beyond them are marked.

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
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
# Of the cameras that `make_shoot` plays.
CAMERA_RATE_HZ = 48_000
# By minutes of a shoot: seconds and MiB of the whole job.
WHOLE_AT_MOST = {10: (4, None), 60: (20, 300), 240: (80, 600)}
# Of the whole job against decoding and writing; seconds of a second run of an hour, and of one with another --start.
RATIO_AT_MOST = 1.8
AGAIN_AT_MOST_S = {60: 1.0}
OTHER_START_AT_MOST_S = {60: 3.0}


def ended(child, began):
    """Waits for a child; seconds since it began and its peak MiB."""
    _, status, usage = os.wait4(child.pid, 0)
    whole = time.perf_counter() - began
    if os.waitstatus_to_exitcode(status) != 0:
        sys.exit(f"failed: {' '.join(map(str, child.args))}")
    return whole, usage.ru_maxrss / 1024


def bytes_below(folder):
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def measured(command):
    """Runs a command; seconds and peak MiB of it and its children."""
    began = time.perf_counter()
    return ended(subprocess.Popen(command, stdout=subprocess.DEVNULL), began)


def decoding_s(paths):
    """Seconds to decode all sound of files, as many at once as there are cores."""
    def decode(path):
        subprocess.run(["ffmpeg", "-v", "error", "-threads", "1", "-i", path, "-vn", "-f", "null", "-"], check=True)

    began = time.perf_counter()
    with ThreadPoolExecutor(os.cpu_count()) as threads:
        list(threads.map(decode, paths))
    return time.perf_counter() - began


def writing_s(count, folder):
    """Seconds to write so many bytes into one file, without waiting for the disk."""
    block = os.urandom(1 << 20)
    began = time.perf_counter()
    with tempfile.TemporaryFile(dir=folder, buffering=0) as out:
        for _ in range(count >> 20):
            out.write(block)
        out.write(block[: count & ((1 << 20) - 1)])
    return time.perf_counter() - began


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

        decode_s, write_s = decoding_s(sorted(recordings.iterdir())), writing_s(bytes_below(out), shoot)
        again_s, _ = measured([coeval, "align", recordings, "-o", out])
        other_start_s, _ = measured([coeval, "align", recordings, "-o", out, "--start", "02:00:00:00"])

        row = {"decode_s": decode_s, "write_s": write_s, "again_s": again_s, "other_start_s": other_start_s,
               "minutes": minutes, "sound_h": sum(f["duration_s"] for f in files) / 3600, "placing_s": placing_s,
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
    print("\n| shoot | whole job s | peak MiB | decoding s | writing s | both s | job / both | second run s | other --start s |\n"
          + "| --- " * 9 + "|")
    for row in rows:
        minutes = row["minutes"]

        def held(value, most, digits=1):
            return f"{value:.{digits}f}" + (f" (more than {most:g})" if most is not None and value > most else "")

        most_s, most_mib = WHOLE_AT_MOST.get(minutes, (None, None))
        both_s = row["decode_s"] + row["write_s"]
        print(f"| {minutes:g} min | {held(row['whole_s'], most_s)} | {held(row['whole_peak_mib'], most_mib, 0)} "
              f"| {row['decode_s']:.1f} | {row['write_s']:.1f} | {both_s:.1f} | {held(row['whole_s'] / both_s, RATIO_AT_MOST)} "
              f"| {held(row['again_s'], AGAIN_AT_MOST_S.get(minutes))} "
              f"| {held(row['other_start_s'], OTHER_START_AT_MOST_S.get(minutes))} |")
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
