#!/usr/bin/env python3
"""Time and peak memory of `coeval align` beside the notebook way, on the same files in one run.

    cargo build --release -p coeval-cli -p coeval-benches
    python3 benches/scripts/whole_job.py [--minutes 10 60 240] [--folder out/whole-job] [--no-notebook] [--json OUT]

Shoots (two cameras, one recorder) are made by `make_shoot` when they are not there yet. Three jobs are timed:

placing      from the files to alignment.json, which is what the notebook way does, and more
whole job    placing, then levels, claps, speech, conformed sound, every hand-over and the report
notebook     decoding and one correlation per file, at the cameras' rate of 48 kHz (where memory allows: 2 GiB for each
             ten minutes of a shoot; so up to --full-rate-up-to minutes), and at 8 kHz

A second table holds the whole job against what it cannot do without, in the same run: decoding the sound (by ffmpeg, as
many files at once as there are cores) and writing as many bytes as the results have (not forced to the disk). It also has second
runs into the same folder, for which `coeval` has kept what it measured: with nothing changed, another --start, one anchor
more, and one clip of 30 s more; and `coeval tighten` with other parameters. A third has the stages of the whole job (a stage
is called by the first word that progress says of it). The first two have limits (own targets, for two
cores on which nothing else runs); figures beyond them are marked. In brackets stands processor time, the system's included,
which tells more where something else runs.

All files are in the system's cache. Reading is decoding and making the tracks that are compared; comparing is the
alignment without it. Peak memory is the largest resident set of the process; the notebook way's ffmpeg is not counted.
Errors are the largest over each whole file against the shoot's truth. Needs ffmpeg, NumPy, SciPy.
"""

import argparse
import json
import os
import pty
import re
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

PROJECT = Path(__file__).resolve().parents[2]
# Of the cameras that `make_shoot` plays.
CAMERA_RATE_HZ = 48_000
# By minutes of a shoot: seconds and MiB of the whole job.
WHOLE_AT_MOST = {10: (4, None), 60: (20, 300), 240: (80, 600)}
# Of the whole job against decoding and writing; seconds of later runs on an hour.
RATIO_AT_MOST = 1.8
LATER_AT_MOST_S = {"nothing changed": 1.0, "other --start": 3.0, "anchor more": 3.0, "clip more": 4.0, "tighten again": 1.0}
CLIP_S = 30


class Spent(NamedTuple):
    """What a process took."""

    whole_s: float
    cpu_s: float
    """Its own time and the system's, on all cores."""
    peak_mib: float


def ended(child, began):
    """Waits for a child; what it took since it began."""
    _, status, usage = os.wait4(child.pid, 0)
    whole = time.perf_counter() - began
    if os.waitstatus_to_exitcode(status) != 0:
        sys.exit(f"failed: {' '.join(map(str, child.args))}")
    return Spent(whole, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def bytes_below(folder):
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def measured(command, **how):
    """Runs a command; what it and its children took."""
    began = time.perf_counter()
    return ended(subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **how), began)


def later_runs(coeval, recordings, out, files):
    """What runs take that change one thing each, by name."""
    align = [coeval, "align", recordings, "-o", out]
    anchor = out.with_suffix(".anchors.json")
    a, b = files[0], files[-1]
    moments = {"a": a["path"], "a_at": at([k[::-1] for k in a["knots"]], 300.0), "b": b["path"],
               "b_at": at([k[::-1] for k in b["knots"]], 300.0)}
    anchor.write_text(json.dumps({"anchor": [moments]}))
    runs = {"nothing changed": measured(align), "other --start": measured([*align, "--start", "02:00:00:00"]),
            "anchor more": measured([*align, "--start", "02:00:00:00", "--anchors", anchor])}
    tighten = [coeval, "tighten", out, "--media", recordings]
    measured([*tighten, "--length", "5"])
    runs["tighten again"] = measured([*tighten, "--length", "4"])
    # Part of the recorder's sound, as a phone that came late would have written it.
    clip = recordings / "clip.m4a"
    cut = ["ffmpeg", "-v", "error", "-ss", "200", "-t", f"{CLIP_S}", "-i", recordings / b["path"], "-c:a", "aac", clip]
    try:
        subprocess.run(cut, check=True)
        runs["clip more"] = measured(align)
    finally:
        clip.unlink(missing_ok=True)
        anchor.unlink()
    return runs


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


def so_far(pid, began):
    """What a running process took until now (Linux)."""
    process = Path("/proc") / str(pid)
    # Behind the name, which may hold anything: user's and system's time are the 14th and 15th field.
    fields = (process / "stat").read_text().rpartition(")")[2].split()
    cpu_s = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    peak = re.search(r"VmHWM:\s*(\d+) kB", (process / "status").read_text())
    # A process that has just ended has no memory any more.
    return Spent(time.perf_counter() - began, cpu_s, int(peak[1]) / 1024 if peak else 0.0)


def staged(command, shown):
    """Like `measured` for `coeval`, whose progress shows on a terminal: what it took, and what each stage did; the peak is that
    up to the stage's end. What it prints goes to the file `shown`."""
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
        for name in re.findall(rb"(?:^|\r|\x1b\[2K)([a-z]+) ", said):
            if not seen or seen[-1][0] != name:
                seen.append((name, so_far(child.pid, began)))
    os.close(ours)
    spent = ended(child, began)
    stages = {}
    for (name, begins), (_, ends) in zip(seen, seen[1:] + [(None, spent)]):
        before = stages.get(name.decode(), Spent(0.0, 0.0, 0.0))
        stages[name.decode()] = Spent(before.whole_s + ends.whole_s - begins.whole_s,
                                      before.cpu_s + ends.cpu_s - begins.cpu_s, max(ends.peak_mib, begins.peak_mib))
    return spent, stages


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
    parser.add_argument("--no-notebook", action="store_true", help="leave the notebook way out, which needs NumPy and SciPy")
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
            placing, stages = staged([coeval, "align", recordings, "--json", "--no-cache"], shown)
            shown.seek(0)
            ours_ms = error_ms(json.load(shown))
        placing_s, placing_mib = placing.whole_s, placing.peak_mib
        out = shoot / f"aligned-{os.getpid()}-{time.time_ns()}"
        os.environ["COEVAL_CACHE"] = str(out.with_suffix(".cache"))
        with tempfile.TemporaryFile() as shown:
            whole, whole_stages = staged([coeval, "align", recordings, "-o", out], shown)
        whole_s, whole_mib = whole.whole_s, whole.peak_mib
        assert error_ms(json.loads((out / "alignment.json").read_text())) == ours_ms

        decode_s, write_s = decoding_s(sorted(recordings.iterdir())), writing_s(bytes_below(out), shoot)
        later = later_runs(coeval, recordings, out, files)
        for folder in (out, out.with_suffix(".cache")):
            shutil.rmtree(folder)

        row = {"decode_s": decode_s, "write_s": write_s, "later": later, "whole": whole, "minutes": minutes, "sound_h": sum(f["duration_s"] for f in files) / 3600, "placing_s": placing_s,
               "placing": placing, "stages": stages, "whole_stages": whole_stages, "placing_peak_mib": placing_mib, "worst_ms": ours_ms, "whole_s": whole_s,
               "whole_peak_mib": whole_mib, "notebook": {}}
        for name, rate in [] if options.no_notebook else [("48 kHz", CAMERA_RATE_HZ), ("8 kHz", 8000)]:
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
        own, low = row["notebook"].get("48 kHz"), row["notebook"].get("8 kHz")
        error = "not placed" if ours_ms is None else f"{ours_ms:.2f}"
        beside = "- | - | - | -" if own is None else (
            f"{own['whole_s']:.1f} | {own['peak_mib']:.0f} | {own['worst_ms']:.1f} | {own['whole_s'] / placing_s:.1f}")
        lower = "- | - | - | - | - | -" if low is None else (
            f"{low['whole_s']:.1f} | {low['decode_s']:.1f} | {low['correlate_s']:.1f} | {low['peak_mib']:.0f} "
            f"| {low['worst_ms']:.1f} | {low['whole_s'] / placing_s:.1f}")
        reading, comparing = (stages[name].whole_s if name in stages else 0.0 for name in ("reading", "comparing"))
        print(f"| {minutes:g} min | {row['sound_h']:.2f} h | {placing_s:.1f} | {reading:.2f} | {comparing:.2f} "
              f"| {placing_mib:.0f} | {error} | {whole_s:.1f} | {whole_mib:.0f} | {beside} | {lower} |", flush=True)
    print("\n| shoot | whole job s | peak MiB | decoding s | writing s | both s | job / both | "
          + " | ".join(f"{name} s" for name in LATER_AT_MOST_S) + " |\n" + "| --- " * (7 + len(LATER_AT_MOST_S)) + "|")
    for row in rows:
        minutes = row["minutes"]

        def held(value, most, digits=1, cpu_s=None):
            spent = "" if cpu_s is None else f" ({cpu_s:.{digits}f})"
            beyond = f" (more than {most:g})" if most is not None and value > most else ""
            return f"{value:.{digits}f}{spent}{beyond}"

        most_s, most_mib = WHOLE_AT_MOST.get(minutes, (None, None))
        both_s = row["decode_s"] + row["write_s"]
        later = [held(row["later"][name].whole_s, most if minutes == 60 else None, 2, row["later"][name].cpu_s)
                 for name, most in LATER_AT_MOST_S.items()]
        print(f"| {minutes:g} min | {held(row['whole_s'], most_s, cpu_s=row['whole'].cpu_s)} "
              f"| {held(row['whole_peak_mib'], most_mib, 0)} "
              f"| {row['decode_s']:.1f} | {row['write_s']:.1f} | {both_s:.1f} | {held(row['whole_s'] / both_s, RATIO_AT_MOST)} "
              f"| {' | '.join(later)} |")
    print("\n| shoot | stage of the whole job | s | processor s | peak MiB so far |\n" + "| --- " * 5 + "|")
    for row in rows:
        for name, spent in row["whole_stages"].items():
            print(f"| {row['minutes']:g} min | {name} | {spent.whole_s:.1f} | {spent.cpu_s:.1f} | {spent.peak_mib:.0f} |")
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
