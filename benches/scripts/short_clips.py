#!/usr/bin/env python3
"""A folder of many short clips beside a recorder: how long it takes, and what is wrong.

    cargo build --release -p coeval-cli
    python3 benches/scripts/short_clips.py [--clips 295] [--seconds 1] [--seed 1] [--shoot FOLDER] [--keep FOLDER]

The clips are cut from the cameras of a shoot whose truth is known: by default the demo's, whose sound is synthetic. Each
lies at random in its share of the cameras' time, so that pauses lie between them. It is a file with a small picture, AAC, and
the second in which it was filmed as its creation time. The recorder is taken whole. `--shoot` takes what `make_shoot` of the
benchmarks writes.

A clip is wrong where its middle lies further from the truth than 20 ms, as in the other benchmarks, and further than three of
the standard deviations that it states: a clip that only its neighbours place says tenths of a second. Any that is wrong at a
confidence of 0.9 or more fails, and so does more than 60 s on two cores on which nothing else runs (own targets, for 295 clips
of 1 s). In brackets stands processor time, the system's included. Clips in which nobody speaks are among them. Needs ffmpeg.
"""

import argparse
import datetime
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
WRONG_S = 0.02
SURE = 0.9
AT_MOST_S = 60
# When the shoot began, by the files; any day.
BEGAN = datetime.datetime(2026, 5, 12, 8, 40, tzinfo=datetime.timezone.utc)


def at(knots, t):
    """Timeline time of a moment of a file."""
    for (f0, t0), (f1, t1) in zip(knots, knots[1:]):
        if t <= f1 and f1 > f0:
            break
    return t0 + (t - f0) * (t1 - t0) / (f1 - f0)


def known_files(shoot):
    """The files of a shoot whose place is known, and which of them is its recorder."""
    truth = json.loads((shoot / "truth.json").read_text())
    files = truth.get("files") or [file for recording in truth["recordings"] for file in recording["files"]]
    files = [file for file in files if file["knots"]]
    sound_alone = [file for file in files if Path(file["path"]).suffix.lower() in {".wav", ".flac"}]
    return [file for file in files if file not in sound_alone], sound_alone


def cut(cameras, count, seconds, chance):
    """Where clips begin: file and second, in order of the cameras' files."""
    whole = sum(file["duration_s"] for file in cameras)
    clips, before_s = [], 0.0
    for file in cameras:
        # As many as its share of the whole, so that none is lost to rounding.
        upto = round((before_s + file["duration_s"]) / whole * count)
        step = file["duration_s"] / max(1, upto - len(clips))
        if step < seconds:
            sys.exit(f"{file['path']} is too short for {upto - len(clips)} clips of {seconds:g} s")
        clips += [(file, i * step + chance.random() * (step - seconds)) for i in range(upto - len(clips))]
        before_s += file["duration_s"]
    return clips


def write(source, begins_s, seconds, filmed_s, path):
    """One clip."""
    filmed = (BEGAN + datetime.timedelta(seconds=int(filmed_s))).strftime("%Y-%m-%dT%H:%M:%SZ")
    sound = f"atrim=start={begins_s:.6f}:duration={seconds},asetpts=PTS-STARTPTS"
    subprocess.run(["ffmpeg", "-v", "error", "-y", "-threads", "1", "-f", "lavfi", "-i", f"color=c=black:s=64x36:r=25:d={seconds}",
                    "-vn", "-i", source, "-map", "0:v", "-map", "1:a", "-af", sound, "-c:v", "mpeg4", "-c:a", "aac", "-b:a", "128k",
                    "-metadata", f"creation_time={filmed}", path], check=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clips", type=int, default=295)
    parser.add_argument("--seconds", type=float, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shoot", type=Path, default=PROJECT / "examples" / "survey-launch", help="folder with recordings/ and truth.json")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the clips here, and use those that are here")
    parser.add_argument("--bin", type=Path, default=PROJECT / "target" / "release")
    options = parser.parse_args()
    cameras, recorders = known_files(options.shoot)
    clips = cut(cameras, options.clips, options.seconds, random.Random(options.seed))
    with tempfile.TemporaryDirectory() as folder:
        folder = options.keep or Path(folder)
        material = folder / "shoot"
        material.mkdir(parents=True, exist_ok=True)
        names = {}
        jobs = []
        for number, (file, begins_s) in enumerate(clips, 1):
            name = f"{Path(file['path']).stem.rpartition('_')[0] or 'CLIP'}_{number:04}.MP4"
            names[name] = at(file["knots"], begins_s + options.seconds / 2)
            if not (material / name).exists():
                jobs.append((options.shoot / "recordings" / file["path"], begins_s, options.seconds, names[name], material / name))
        with ThreadPoolExecutor(os.cpu_count()) as threads:
            list(threads.map(lambda job: write(*job), jobs))
        for file in recorders:
            shutil.copy(options.shoot / "recordings" / file["path"], material)
        out = folder / "alignment.json"
        with out.open("w") as shown:
            began, before = time.perf_counter(), os.times()
            ran = subprocess.run([options.bin / "coeval", "align", material, "--json", "--no-cache"], stdout=shown, stderr=subprocess.PIPE)
            spent_s, after = time.perf_counter() - began, os.times()
        if ran.returncode not in (0, 3):
            sys.exit(ran.stderr.decode())
        cpu_s = sum(after[2:4]) - sum(before[2:4])
        alignment = json.loads(out.read_text())
    placed = {f["path"]: f for r in alignment["recordings"] for f in r["files"] if f["status"] == "placed"}
    recorder = recorders[0]
    if recorder["path"] not in placed:
        sys.exit("the recorder has no place")
    middle = options.seconds / 2
    mine = [name for name in names if name in placed]
    # The truth's time of each event's zero, by the file whose clock it has.
    off_s = {name: at(placed[name]["knots"], middle) - names[name] for name in mine}
    off_s[recorder["path"]] = at(placed[recorder["path"]]["knots"], middle) - at(recorder["knots"], middle)
    event = {name: placed[name].get("event", 1) for name in off_s}
    clocks = {e["event"]: e["clock"] for e in alignment.get("events", [])} or {1: alignment["timeline"]["clock"]}
    of_clock = {number: [f["path"] for r in alignment["recordings"] if r["id"] == clock for f in r["files"]]
                for number, clock in clocks.items()}
    zero_s = {number: next(s for name, s in off_s.items() if event[name] == number and name in of_clock[number])
              for number in set(event.values())}
    error_s = {name: off_s[name] - zero_s[event[name]] for name in mine}
    sure = [name for name in mine if placed[name]["confidence"] >= SURE]
    wrong = {name: error_s[name] for name in sure if abs(error_s[name]) > max(WRONG_S, 3 * placed[name]["uncertainty_s"])}
    right = sum(abs(error_s[name]) <= WRONG_S for name in mine)
    print(f"{len(names)} clips of {options.seconds:g} s: {spent_s:.1f} s ({cpu_s:.1f} s of processor time)")
    print(f"placed {len(mine)}, of these {right} right; at {SURE} or more {len(sure)}, at 0.99 or more "
          f"{sum(placed[name]['confidence'] >= 0.99 for name in mine)}; events: {len(zero_s)}")
    print(f"wrong at {SURE} or more: {len(wrong)}")
    for name, off_s in wrong.items():
        print(f"  {name}: {off_s:+.3f} s off at {placed[name]['confidence']:.4f}")
    return bool(wrong) or spent_s > AT_MOST_S


if __name__ == "__main__":
    sys.exit(main())
