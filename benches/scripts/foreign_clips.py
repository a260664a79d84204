#!/usr/bin/env python3
"""A folder in which most clips belong nowhere: how long it takes, and what is wrong.

    cargo build --release -p coeval-cli
    python3 benches/scripts/foreign_clips.py FOLDER

FOLDER holds shoots that `make_shoot` of the benchmarks has written, `event-1`, `event-2`, ..., which are taken with their
recorders. `--placed` clips are cut from their cameras, and `--foreign` clips that belong nowhere, not even to each other: these are
cut in the same way but are played at a speed of their own, 1 to 7 % off, so that no clock of the search could bring them to fit. It
is the everyday folder of a card that was never emptied. For 40 and 60 clips of 5 minutes beside two recorders of two hours:

    for n in 1 2; do make_shoot --minutes 120 --seed $n --out FOLDER/event-$n; done

A clip is wrong where it lies further than 20 ms from the truth and further than three of the standard deviations that it
states, or where it has a place and belongs nowhere. One that is wrong at 0.9 or more fails, and so does more than 120 s on two
cores on which nothing else runs (own target). In brackets stands processor time, the system's included. Needs ffmpeg.
"""

import argparse
import json
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from short_clips import PROJECT, SURE, WRONG_S, at, known_files

AT_MOST_S = 120
# Clips of one camera are parted by this, seconds.
PAUSE_S = 5.0
# Foreign clips are played up to this much faster or slower.
SPEED_MOST = 1.07
# The first one begins so late that both cameras run, seconds of the shoot's timeline.
FIRST_S = 60.0


def cut(cameras, seconds, count, again=False):
    """`count` clips of these cameras, taken from one after the other, none beside another in time. At the end of what
    they recorded from the beginning, if `again` allows it: clips at different speeds do not belong together."""
    clips = []
    # On the shoot's timeline, clocks taken for equal.
    start_s, end_s = FIRST_S, max(c["knots"][-1][1] for c in cameras)
    while len(clips) < count:
        fits = [(c, start_s - c["knots"][0][1]) for c in cameras if c["knots"][0][1] <= start_s <= c["knots"][-1][1] - seconds]
        if fits:
            clips.append(fits[len(clips) % len(fits)])
        elif start_s > end_s and again:
            start_s = FIRST_S
            continue
        elif start_s > end_s:
            sys.exit(f"{cameras[0]['path']}: too short for {count} clips of {seconds:g} s")
        # At the end of a camera's chapter a little later.
        start_s += seconds + PAUSE_S if fits else PAUSE_S
    return clips


def write(job):
    source, begins_s, seconds, speed, path = job
    if not path.exists():
        sound = f"atrim=start={begins_s:.6f}:duration={seconds * speed},asetpts=PTS-STARTPTS"
        if speed != 1:
            sound += f",aresample=48000,asetrate={48000 * speed:.0f},aresample=48000"
        picture = f"color=c=black:s=64x36:r=25:d={seconds}"
        subprocess.run(["ffmpeg", "-v", "error", "-y", "-threads", "1", "-f", "lavfi", "-i", picture, "-vn", "-i", source, "-map", "0:v",
                        "-map", "1:a", "-af", sound, "-c:v", "mpeg4", "-c:a", "aac", "-b:a", "128k", path], check=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="folder with the shoots")
    parser.add_argument("--placed", type=int, default=40)
    parser.add_argument("--foreign", type=int, default=60)
    parser.add_argument("--minutes", type=float, default=5)
    parser.add_argument("--bin", type=Path, default=PROJECT / "target" / "release")
    options = parser.parse_args()
    material = options.folder / f"clips-{options.placed}-{options.foreign}-{options.minutes:g}"
    material.mkdir(exist_ok=True)
    seconds, truth, jobs = 60 * options.minutes, {}, []
    shoots = [shoot.parent for shoot in sorted(options.folder.glob("event-*/truth.json"))]
    if not shoots:
        sys.exit(f"no event-1 in {options.folder}")
    for i, shoot in enumerate(shoots):
        cameras, recorders = known_files(shoot)
        for recorder in recorders:
            link = material / f"REC_{i + 1:04}.WAV"
            if not link.exists():
                os.link(shoot / "recordings" / recorder["path"], link)
            truth[link.name] = (i, recorder["knots"])
        for count, foreign in [(options.placed, False), (options.foreign, True)]:
            share = range(count * i // len(shoots), count * (i + 1) // len(shoots))
            for number, (camera, begins_s) in zip(share, cut(cameras, seconds * (SPEED_MOST if foreign else 1), len(share), foreign)):
                name = f"CLIP_{len(truth) + 1:04}.MP4"
                speed = 1 + (-1) ** number * (0.01 + 0.06 * number / count) if foreign else 1
                jobs.append((shoot / "recordings" / camera["path"], begins_s, seconds, speed, material / name))
                # Time on the shoot's timeline for a moment of the clip.
                knots = [(t, at(camera["knots"], begins_s + t)) for t in (0.0, seconds)]
                truth[name] = (None if foreign else i, knots)
    with ThreadPoolExecutor(os.cpu_count()) as threads:
        list(threads.map(write, jobs))
    began, before = time.perf_counter(), os.times()
    ran = subprocess.run([options.bin / "coeval", "align", material, "--json", "--no-cache"], capture_output=True)
    spent_s, after = time.perf_counter() - began, os.times()
    if ran.returncode not in (0, 3):
        sys.exit(ran.stderr.decode())
    cpu_s = sum(after[2:4]) - sum(before[2:4])
    alignment = json.loads(ran.stdout)
    files = {f["path"]: f for r in alignment["recordings"] for f in r["files"]}
    placed = {name: f for name, f in files.items() if f["status"] == "placed"}
    # The recorder of each event of the result: a clip is judged by the moment of the recorder that it lies on, because the
    # timeline runs on one of the devices' clocks.
    recorder = {placed[name].get("event", 1): name for name in placed if name.startswith("REC_")}
    right, wrong = [], []
    for name, f in placed.items():
        shoot, knots = truth[name]
        beside = recorder.get(f.get("event", 1))
        off_s = float("inf")
        if beside and shoot is not None and truth[beside][0] == shoot:
            moment_s = at([(y, x) for x, y in truth[beside][1]], at(knots, seconds / 2))
            off_s = at(f["knots"], seconds / 2) - at(placed[beside]["knots"], moment_s)
        if abs(off_s) <= max(WRONG_S, 3 * f["uncertainty_s"]):
            right.append(name)
        elif f["confidence"] >= SURE:
            wrong.append(f"  {name}: {off_s:+.3f} s off at {f['confidence']:.4f}")
    belong = sum(shoot is not None for shoot, _ in truth.values())
    print(f"{len(files)} files, {sum(f['duration_s'] for f in files.values()) / 3600:.1f} h of sound: {spent_s:.1f} s ({cpu_s:.1f} s of processor time)")
    print(f"right {len(right)} of {belong} that belong to an event; events: {len(recorder)}")
    print(f"wrong at {SURE} or more: {len(wrong)}", *wrong, sep="\n")
    return bool(wrong) or spent_s > AT_MOST_S


if __name__ == "__main__":
    sys.exit(main())
