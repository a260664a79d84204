#!/usr/bin/env python3
"""Shoots of kinds that no other benchmark here has made, by another generator, aligned and held against their truth.

    cargo build --release -p coeval-cli
    python3 benches/scripts/other_shoots.py FOLDER [--split tune] [--seeds 3] [--first-seed 1] [--only reverb,wind]

FOLDER keeps what was made. A shoot of `RELATED` is a recorder on the voice line and two cameras (six clips for `broll`), four to eight
minutes; one of `UNRELATED` is two files of different days that have something in common. No sentence comes twice: words
are drawn at random and spoken by `flite` (`--split tune`) or `espeak-ng` (`--split test`), each a little faster or slower than
the last. The engine is a row of uneven firing strokes through the resonances of a body, so that it nearly repeats itself with every
turn. Every room, level, path, clock and loss follows from class, split and seed.

A file is wrong where the median of its error against the recorder is above 20 ms by the voices' path and above 5 ms by every
path, and "off" where it passes three times what it claims at the moment for more than a twentieth of the time, a second around
losses left out. A pair of different days is wrong where it has a place at all. Any that is wrong at 0.99 or more fails. Nothing
may be chosen by the split `test`. Needs NumPy, SciPy, ffmpeg, and flite or espeak-ng.
"""

import argparse
import hashlib
import json
import subprocess
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import numpy as np
from scipy import signal
from scipy.io import wavfile

PROJECT = Path(__file__).resolve().parents[2]
RATE = 16000
SPEED_OF_SOUND_M_S = 343.0
SPEAKERS = {
    "tune": ["kal16", "awb", "rms", "slt"],
    "test": ["en-gb", "en-us", "en-gb-scotland", "en-gb-x-gbclan"],
}
WORDS = """depth sounder buoy channel marker heading starboard port helm slow ahead astern line anchor chain tide current gauge reading metres
seven four nine point two three eight zero five six one survey track transect cable lead wreck rock shoal green red white light beacon harbour
engine temperature oil pressure fuel left right turn again copy stand by ready mark waypoint latitude longitude sonar ping trace noisy clear good
bad wait check camera battery spare wind gust wave swell ferry yacht kayak fisherman net pot float coming across bow stern watch hold steady
please think maybe looks like under over between after before first second last next run start stop record log sheet pencil coffee biscuit
sandwich cold wet glove jacket antenna mast radar screen plotter chart scale contour edge slope sand mud gravel weed""".split()

RELATED = {
    "reverb": "cameras in a room that is louder than the direct sound",
    "wind": "gusts over everything, and a gain that follows them",
    "codec": "cameras' sound through AAC at 32 kbit/s",
    "suppress": "an open microphone through the noise suppressor of a voice recorder",
    "speaker": "a loudspeaker in the cabin says what the line says, 12 to 60 ms later",
    "walk": "people walk about, 1 to 8 m from the cameras",
    "bt": "a wireless microphone: packets are repeated, and after a dropout 10 to 60 ms are missing",
    "broll": "six clips of 5 to 30 s beside an open microphone",
    "lowtalk": "a few words in minutes",
    "echo": "a valley or a harbour wall answers after 0.25 to 0.9 s",
    "narrow": "a recorder of telephone quality",
    "loopmusic": "two bars of a drum machine again and again, louder than the talk",
    "agc": "cameras whose gain follows the level, and which clip",
}
UNRELATED = {
    "day_jingle": "the same piece of 6 to 25 s is played on both days",
    "day_songs": "the same two bars go on all the time on both days",
    "day_wiper": "the same wipers, once in 1.3 s",
    "day_plain": "nothing but the same engine, and other talk",
    "day_radio": "the same announcement of 5 to 12 s is heard on both days",
}

SPEECH_BAND = signal.butter(2, [300, 3400], "band", fs=RATE, output="sos")


def say(rng, split, speaker, count):
    """So many words, at unit power where they sound."""
    text = " ".join(rng.choice(WORDS, count))
    with tempfile.NamedTemporaryFile(suffix=".wav") as file:
        if split == "tune":
            how = ["flite", "-voice", speaker, "--setf", f"duration_stretch={rng.uniform(0.85, 1.2)}", "-t", text, "-o", file.name]
        else:
            pace, pitch = int(rng.uniform(140, 190)), int(rng.uniform(30, 70))
            how = ["espeak-ng", "-v", speaker, "-s", str(pace), "-p", str(pitch), "-w", file.name, text]
        subprocess.run(how, check=True, capture_output=True)
        rate, x = wavfile.read(file.name)
    x = x.astype(np.float64) / 32768
    if rate != RATE:
        x = signal.resample_poly(x, RATE, rate)
    faster = rng.uniform(0.94, 1.06)
    x = np.interp(np.arange(int(len(x) / faster)) * faster, np.arange(len(x)), x)
    return x / (np.sqrt(np.mean(x[np.abs(x) > 0.01 * np.max(np.abs(x))] ** 2)) + 1e-9)


def talk(rng, split, seconds, share):
    """What each of two people says, on the true clock; together they speak for about that share of the time."""
    speakers = rng.choice(SPEAKERS[split], 2, replace=False)
    out = np.zeros((2, int(seconds * RATE)))
    at_s = rng.uniform(1, 6)
    while at_s < seconds - 8:
        who = rng.integers(2)
        x = say(rng, split, speakers[who], int(rng.integers(2, 14)))
        first = int(at_s * RATE)
        length = min(len(x), out.shape[1] - first)
        out[who, first : first + length] += x[:length] * 10 ** (rng.normal(0, 2) / 20)
        at_s += len(x) / RATE + rng.exponential(len(x) / RATE * (1 / share - 1)) + 0.15
    return out


def coloured(rng, length, slope=1.0):
    """Noise whose power falls with so many powers of the frequency, at unit power."""
    spectrum = np.fft.rfft(rng.standard_normal(length))
    bin_number = np.arange(len(spectrum))
    bin_number[0] = 1
    x = np.fft.irfft(spectrum / (bin_number * RATE / length + 20) ** (slope / 2), length)
    return x / x.std()


def diesel(rng, seconds, make=None):
    """Firing strokes of four uneven cylinders through the resonances of a body, and noise that goes with them. Engines of one
    make have the same strokes and resonances, and never the same sound."""
    length = int(seconds * RATE)
    body = np.random.default_rng(make or int(rng.integers(1 << 30)))
    turns_hz = body.uniform(9, 25)
    steps = max(4, int(seconds / 7))
    wander = np.interp(np.arange(length), np.linspace(0, length, steps), rng.normal(0, 0.05, steps))
    jitter = np.cumsum(rng.standard_normal(length)) * 2e-6
    phase = np.cumsum(turns_hz * (1 + wander + np.clip(jitter, -0.05, 0.05)) / RATE) * 4
    strokes = np.zeros(length)
    at = np.nonzero(np.diff(np.floor(phase)) > 0)[0]
    cylinders = body.uniform(0.6, 1.3, 4)
    strokes[at] = cylinders[np.arange(len(at)) % 4] * rng.lognormal(0, 0.25, len(at))
    x = np.zeros(length)
    for _ in range(7):
        frequency_hz, quality = body.uniform(80, 3000), body.uniform(3, 12)
        b, a = signal.iirpeak(frequency_hz, quality, fs=RATE)
        x += signal.lfilter(b, a, strokes) * body.uniform(0.3, 1) * (300 / (frequency_hz + 100)) ** 0.3
    x /= x.std()
    noise = coloured(rng, length, 1.2) * (0.6 + 0.4 * np.abs(signal.lfilter([1], [1, -0.995], strokes)))
    x = x + 0.6 * noise / noise.std()
    return x / x.std()


def wind(rng, length, depth):
    x = signal.sosfilt(signal.butter(2, 500, fs=RATE, output="sos"), coloured(rng, length, 2.0))
    steps = max(4, int(length / RATE / 1.5))
    x *= np.exp(np.interp(np.arange(length), np.linspace(0, length, steps), rng.normal(0, depth, steps)))
    return x / x.std()


def piece(rng, seconds):
    """Notes and a drum, at unit power."""
    length = int(seconds * RATE)
    x = np.zeros(length)
    beat_s = rng.uniform(0.28, 0.45)
    notes_hz = 220 * 2 ** (rng.choice([0, 2, 4, 5, 7, 9, 11, 12], 64) / 12)
    t = np.arange(int(0.5 * RATE)) / RATE
    for i, at_s in enumerate(np.arange(0, seconds - 0.5, beat_s)):
        note = sum(np.sin(2 * np.pi * notes_hz[i % 64] * h * t) / h for h in (1, 2, 3, 4)) * np.exp(-4 * t)
        if i % 2 == 0:
            note = note + np.exp(-40 * t) * rng.standard_normal(len(t)) * 2
        first = int(at_s * RATE)
        x[first : first + len(t)] += note[: length - first]
    return x / x.std()


def loop(rng, seconds, bars_s):
    """The same bars again and again, sample for sample."""
    return np.tile(piece(rng, bars_s), int(seconds / bars_s) + 2)[: int(seconds * RATE)]


def room(rng, decay_s=0.3, direct_db=3.0):
    """A response that begins with the direct sound, which is so much louder than the rest; 60 dB in `decay_s`."""
    length = int(decay_s * 1.2 * RATE)
    tail = rng.standard_normal(length) * np.exp(-6.9 * np.arange(length) / (decay_s * RATE))
    tail[: int(0.003 * RATE)] = 0
    for _ in range(6):
        tail[int(rng.uniform(0.001, 0.03) * RATE)] += rng.uniform(-3, 3)
    tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    return tail


def heard(x, response, late_s):
    """Through a room, so much later."""
    size = 1 << int(np.ceil(np.log2(len(response) + 64 + late_s * RATE + 64)))
    padded = np.zeros(size)
    padded[: len(response)] = response
    turned = np.fft.rfft(padded) * np.exp(-2j * np.pi * np.fft.rfftfreq(size) * late_s * RATE)
    return signal.fftconvolve(x, np.fft.irfft(turned, size))[: len(x)]


def gain(voices, noise, level_db):
    """Of a noise, so that the voices, where they sound, are so many dB over it in the speech band."""
    frames = signal.sosfilt(SPEECH_BAND, voices)
    power = (frames[: len(frames) // 320 * 320].reshape(-1, 320) ** 2).mean(1)
    loud = np.sqrt(power[power > 0.01 * power.max()].mean())
    return loud / (signal.sosfilt(SPEECH_BAND, noise).std() + 1e-12) * 10 ** (-level_db / 20)


class Device:
    """A clock, as device time against true time: `losses` are device times and the seconds lost there."""

    def __init__(self, role, start_s, length_s, ppm, wander=0.0, losses=(), rng=None):
        t = np.arange(0, length_s + 1, 1.0)
        true_s = start_s + t * (1 + ppm * 1e-6)
        if wander:
            true_s += np.cumsum(np.cumsum(rng.standard_normal(len(t)) * wander * 1e-6) * 0.05)
        knots = list(zip(t, true_s))
        for at_s, lost_s in losses:
            before_s = np.interp(at_s, t, true_s) + sum(lost for sooner, lost in losses if sooner < at_s)
            knots = [(x, y + (lost_s if x > at_s else 0)) for x, y in knots]
            i = next(k for k, knot in enumerate(knots) if knot[0] > at_s)
            knots[i:i] = [(at_s, before_s), (at_s + 1e-9, before_s + lost_s)]
        self.role, self.length_s, self.losses = role, length_s, list(losses)
        self.t, self.true_s = (np.array(column) for column in zip(*knots))

    def record(self, sound):
        """What it has of a sound on the true clock."""
        finer = signal.resample_poly(sound, 8, 1).astype(np.float32)
        out = np.empty(int(self.length_s * RATE), np.float32)
        for first in range(0, len(out), RATE * 20):
            moments = np.arange(first, min(len(out), first + RATE * 20)) / RATE
            at = np.interp(moments, self.t, self.true_s) * RATE * 8
            low, high = max(0, int(at[0]) - 2), min(len(finer), int(at[-1]) + 3)
            out[first : first + RATE * 20] = np.interp(at - low, np.arange(high - low), finer[low:high])
        return out


def gain_that_follows(x, rng):
    """Down fast, up slowly, and a limiter."""
    hop = 160
    frames = len(x) // hop
    level = np.sqrt((x[: frames * hop].reshape(frames, hop) ** 2).mean(1)) + 1e-9
    now, gains = 1.0, np.empty(frames)
    up, down = 1 + rng.uniform(0.001, 0.01), rng.uniform(0.6, 0.95)
    for i in range(frames):
        now = now * down if level[i] * now > 0.3 else min(now * up, 10.0)
        gains[i] = now
    return np.tanh(3 * x[: frames * hop] * np.interp(np.arange(frames * hop), np.arange(frames) * hop, gains)) / 3


def suppressed(x):
    """Through a spectral gate: nothing moves, and much is gone."""
    _, _, z = signal.stft(x, RATE, nperseg=512, noverlap=384)
    power = np.abs(z) ** 2
    floor = np.quantile(signal.lfilter([0.1], [1, -0.9], power, axis=1), 0.3, axis=1, keepdims=True)
    open_ = signal.lfilter([0.5], [1, -0.5], np.clip(1 - 3 * floor / (power + 1e-12), 0.03, 1), axis=1)
    return signal.istft(z * open_, RATE, nperseg=512, noverlap=384)[1][: len(x)]


def telephone(x):
    """300 to 3000 Hz, 8 bits by the mu law."""
    x = signal.sosfilt(signal.butter(4, [300, 3000], "band", fs=RATE, output="sos"), x)
    x = np.sign(x) * np.log1p(255 * np.abs(x) / (np.abs(x).max() + 1e-9)) / np.log(256)
    x = np.round(x * 127) / 127
    return np.sign(x) * np.expm1(np.abs(x) * np.log(256)) / 255


def related(rng, split, kind):
    """Devices, what they recorded, and by which paths (seconds) they hear what; and by how much paths vary."""
    seconds = rng.uniform(240, 480)
    people = talk(rng, split, seconds, 0.02 if kind == "lowtalk" else 0.15)
    engine = diesel(rng, seconds)
    length = len(engine)
    music = loop(rng, seconds, rng.uniform(2.5, 6)) if kind == "loopmusic" else None
    vary_s = 3.5 / SPEED_OF_SOUND_M_S if kind == "walk" else 0.0

    start_s = rng.uniform(0, 20)
    rec = Device("rec", start_s, seconds - start_s - rng.uniform(1, 20), rng.uniform(-90, 90), rng.choice([0, 2.0]), rng=rng)
    voices = sum(heard(one, room(rng, 0.1, 12), 0.0003) for one in people)
    open_microphone = kind in ("suppress", "broll")
    level_db = {"suppress": 6, "broll": 3}.get(kind, rng.uniform(8, 30))
    engine_s = rng.uniform(0.5, 5) / SPEED_OF_SOUND_M_S
    leak = heard(engine, room(rng, 0.2, 0), engine_s)
    line = voices + leak * gain(voices, leak, level_db)
    if music is not None:
        there = heard(music, room(rng, 0.2, 3), 0.002)
        line = line + there * gain(voices, there, 0)
    if kind == "lowtalk" or (not open_microphone and rng.random() < 0.4):
        # The line opens for talk only.
        level = np.convolve(np.abs(voices), np.ones(800) / 800, "same")
        line = line * np.convolve((level > 0.02).astype(float), np.ones(1600) / 1600, "same")
    latency_s = rng.uniform(0.012, 0.06) if kind == "speaker" else None
    x = rec.record(line + 0.003 * rng.standard_normal(length))
    x = suppressed(x) if kind == "suppress" else telephone(x) if kind == "narrow" else x
    files = [(rec, x, {"voice": 0.0003, "engine": engine_s})]

    for number in range(6 if kind == "broll" else 2):
        voice_s, engine_s = rng.uniform(0.6, 3) / SPEED_OF_SOUND_M_S, rng.uniform(0.7, 6) / SPEED_OF_SOUND_M_S
        level_db = rng.uniform(-9, 0)
        dull = (rng.uniform(0.5, 1.2), rng.uniform(-8, 0)) if kind == "reverb" else (rng.uniform(0.08, 0.3), rng.uniform(0, 8))
        if kind == "broll":
            length_s, at_s = rng.uniform(5, 30), rng.uniform(start_s + 2, seconds - 60)
        else:
            at_s = rng.uniform(0, 40)
            length_s = seconds - at_s - rng.uniform(1, 30)
        losses = []
        if kind == "bt":
            for _ in range(rng.integers(1, 4)):
                losses.append((float(rng.uniform(20, length_s - 20)), float(rng.uniform(0.01, 0.06))))
        wander = rng.choice([0, 2.0])
        camera = Device(f"cam{number}", at_s, length_s, rng.uniform(-90, 90), wander, sorted(losses), rng)
        paths = {"voice": voice_s, "engine": engine_s}
        if kind == "walk":
            t, turns = np.arange(length) / RATE, max(4, int(seconds / 15))
            away_m = np.clip(np.interp(t, np.linspace(0, seconds, turns), rng.uniform(1, 8, turns)), 1, 8)
            moving = np.interp(t - away_m / SPEED_OF_SOUND_M_S, t, sum(people)) / away_m**0.5
            voices = heard(moving, room(rng, *dull), 0.0)
            paths["voice"] = 4.5 / SPEED_OF_SOUND_M_S
        else:
            voices = sum(heard(one, room(rng, *dull), voice_s + rng.uniform(-0.0007, 0.0007)) for one in people)
        s = voices.copy()
        if kind == "speaker":
            paths["speaker"] = latency_s + rng.uniform(0.5, 3) / SPEED_OF_SOUND_M_S
            s += heard(sum(people), room(rng, *dull), paths["speaker"]) * rng.uniform(0.3, 1.2)
        if kind == "echo":
            s += heard(sum(people), room(rng, 0.3, 0), voice_s + rng.uniform(0.25, 0.9)) * rng.uniform(0.3, 0.8)
        noise = heard(engine, room(rng, *dull), engine_s) + 0.3 * coloured(rng, length)
        if kind == "wind":
            noise = noise + wind(rng, length, 0.9) * noise.std() * rng.uniform(2, 6)
        s = s + noise * gain(voices, noise, level_db)
        if music is not None:
            there = heard(music, room(rng, *dull), 0.004)
            s = s + there * gain(voices, there, -3)
            paths["music"] = 0.002
        y = camera.record(s)
        if kind == "bt":
            for lost_at_s, _ in camera.losses:
                y[int((lost_at_s - rng.uniform(0.2, 0.8)) * RATE) : int(lost_at_s * RATE)] = 0
            for _ in range(int(length_s / 3)):
                first = int(rng.uniform(0, length_s - 1) * RATE)
                y[first + 120 : first + 240] = y[first : first + 120]
        if kind in ("agc", "wind") or rng.random() < 0.3:
            y = gain_that_follows(y / (4 * y.std()), rng)
        files.append((camera, -y if rng.random() < 0.2 else y, paths))
    return files, vary_s


def unrelated(rng, split, kind):
    """Two devices on two days."""
    seconds = rng.uniform(180, 420)
    common = None
    if kind == "day_jingle":
        common = piece(rng, rng.uniform(6, 25))
    elif kind == "day_songs":
        common = loop(rng, seconds, rng.uniform(3, 8))
    elif kind == "day_radio":
        speaker = str(rng.choice(SPEAKERS[split]))
        said = [say(rng, split, speaker, 8), np.zeros(4000), say(rng, split, speaker, 10)]
        common = np.concatenate(said)[: int(rng.uniform(5, 12) * RATE)]
    elif kind == "day_wiper":
        common = signal.lfilter([1], [1, -0.9], rng.standard_normal(4000)) * np.hanning(4000)
        common[:200] += 3 * rng.standard_normal(200) * np.exp(-np.arange(200) / 30)
    make = int(rng.integers(1, 1 << 30))
    files = []
    for day in range(2):
        people = talk(rng, split, seconds, 0.12)
        engine = diesel(rng, seconds, make)
        length = len(engine)
        voices = sum(heard(one, room(rng, 0.2, 3), 0.002) for one in people)
        s = voices + engine * gain(voices, engine, rng.uniform(-6, 10))
        if common is not None:
            there = np.zeros(length)
            if kind == "day_songs":
                there[:] = np.roll(common, int(rng.uniform(0, seconds) * RATE))[:length]
            else:
                times_s = rng.uniform(2, seconds - 30, rng.integers(1, 4))
                if kind == "day_wiper":
                    times_s = np.arange(rng.uniform(0, 2), seconds - 2, 1.3)
                for at_s in times_s:
                    first = int(at_s * RATE)
                    there[first : first + len(common)] += common[: length - first]
            there = heard(there, room(rng, 0.2, 3), 0.003)
            s = s + there * gain(voices, there[np.abs(there) > 0], rng.uniform(-6, 6))
        device = Device(f"day{day}", 0.0, seconds - 3, rng.uniform(-80, 80), rng=rng)
        files.append((device, device.record(s), {"voice": 0.002}))
    return files, 0.0


def make(folder, kind, seed, split):
    """Makes one shoot, unless it is there; answers where."""
    folder = Path(folder) / f"{split}-{kind}-{seed}"
    if (folder / "truth.json").exists():
        return folder
    rng = np.random.default_rng(int(hashlib.sha256(f"{split} {kind} {seed}".encode()).hexdigest()[:12], 16))
    files, vary_s = (related if kind in RELATED else unrelated)(rng, split, kind)
    sound = folder / "recordings"
    sound.mkdir(parents=True, exist_ok=True)
    truth = []
    # Names and their order tell nothing.
    for number, (device, y, paths) in zip(rng.permutation(len(files)), files):
        path = sound / f"{'kbwzn'[number % 5]}{number * 37 + 11}.wav"
        wavfile.write(path, RATE, (y / (np.abs(y).max() + 1e-9) * 0.7 * 32767).astype(np.int16))
        if kind == "codec" and device.role != "rec":
            coded = path.with_suffix(".m4a")
            subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", path, "-c:a", "aac", "-b:a", "32k", coded], check=True)
            path.unlink()
            path = coded
        truth.append({
            "path": path.name, "role": device.role, "t": list(device.t), "true_s": list(device.true_s), "paths": paths,
            "losses": device.losses,
        })
    (folder / "truth.json").write_text(json.dumps({"vary_s": vary_s, "files": truth}))
    return folder


def moment(file, at_s):
    """Timeline time of moments of a placed file, and what is claimed for them."""
    knots = np.array(file["knots"])
    stretches = file["stretches"]
    which = np.searchsorted([s["to_s"] for s in stretches], at_s).clip(0, len(stretches) - 1)
    return np.interp(at_s, knots[:, 0], knots[:, 1]), np.array([s["uncertainty_s"] for s in stretches])[which]


def judge(folder, binary):
    """Aligns a shoot. A row for each camera, or for a pair: verdict, confidence, error by the voices' path (ms), and claimed."""
    truth = json.loads((folder / "truth.json").read_text())
    with tempfile.TemporaryDirectory() as out:
        command = [binary, "align", "--quiet", "--no-cache", "--only", "edl", "-o", f"{out}/results", folder / "recordings"]
        done = subprocess.run(command, capture_output=True, text=True)
        if not Path(out, "results", "alignment.json").exists():
            sys.exit(f"{folder}: {done.stderr}")
        placed = {}
        for event in Path(out).rglob("alignment.json"):
            for recording in json.loads(event.read_text())["recordings"]:
                files = (f for f in recording["files"] if f["status"] == "placed")
                placed.update({Path(f["path"]).name: (event, f) for f in files})
    known = {f["role"]: f for f in truth["files"]}
    on = {role: placed.get(f["path"], (None, None)) for role, f in known.items()}
    roles = list(known)
    reference, others = roles[0], roles[1:]
    rows = []
    for role in others:
        (event, file), (reference_event, by) = on[role], on[reference]
        if event is None or event != reference_event:
            rows.append((folder.name, role, "unplaced", 0.0, None, None))
            continue
        confidence = min(file["confidence"], by["confidence"])
        if reference != "rec":
            rows.append((folder.name, "pair", "wrong", confidence, None, None))
            continue
        clock, reference_clock = known[role], known[reference]
        ends = [(np.interp([0.2, f["duration_s"] - 0.2], c["t"], c["true_s"])) for f, c in ((file, clock), (by, reference_clock))]
        said_s = np.linspace(max(e[0] for e in ends), min(e[1] for e in ends), 200)
        lost_s = [np.interp(at_s, c["t"], c["true_s"]) for c in (clock, reference_clock) for at_s, _ in c["losses"]]
        said_s = said_s[[all(abs(s - lost) > 1.0 for lost in lost_s) for s in said_s]]
        off_s, claimed_s = {}, None
        for name, late_s in clock["paths"].items():
            late = (late_s, reference_clock["paths"].get(name, reference_clock["paths"]["voice"]))
            here, there = (
                moment(f, np.interp(said_s + s, c["true_s"], c["t"]))
                for f, c, s in ((file, clock, late[0]), (by, reference_clock, late[1]))
            )
            off_s[name] = here[0] - there[0]
            claimed_s = np.hypot(here[1], there[1]) if name == "voice" else claimed_s
        voice_s, vary_s = off_s["voice"], truth["vary_s"]
        nearest_s = min(np.median(np.abs(off)) for off in off_s.values())
        wrong = np.median(np.abs(voice_s)) > 0.02 + vary_s and nearest_s > 0.005 + vary_s
        off = np.mean(np.abs(voice_s) > 3 * claimed_s + vary_s) > 0.05
        verdict = "wrong" if wrong else "off" if off else "right"
        rows.append((folder.name, role, verdict, confidence, 1e3 * np.median(np.abs(voice_s)), 1e3 * np.median(claimed_s)))
    return rows


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--split", choices=SPEAKERS, default="tune")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--only", default=",".join([*RELATED, *UNRELATED]), help="classes, with commas between")
    parser.add_argument("--bin", type=Path, default=PROJECT / "target/release", help="folder of the command")
    asked = parser.parse_args()
    kinds = asked.only.split(",")
    if unknown := set(kinds) - {*RELATED, *UNRELATED}:
        sys.exit(f"no such classes: {', '.join(sorted(unknown))}; there are {', '.join([*RELATED, *UNRELATED])}")
    seeds = range(asked.first_seed, asked.first_seed + asked.seeds)
    jobs = [(asked.folder, kind, seed, asked.split) for kind in kinds for seed in seeds]
    with ProcessPoolExecutor(2) as pool:
        folders = list(pool.map(make, *zip(*jobs)))
    with ThreadPoolExecutor(2) as pool:
        rows = [row for found in pool.map(judge, folders, [asked.bin / "coeval"] * len(folders)) for row in found]
    print("| class | files | right | off | wrong | unplaced | at 0.9 | at 0.99 | at 0.9999 | off the voices ms, median | most |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for kind in kinds:
        mine = [row for row in rows if row[0].split("-")[1] == kind]
        count = {v: sum(row[2] == v for row in mine) for v in ("right", "off", "wrong", "unplaced")}
        sure = [sum(row[2] == "wrong" and row[3] >= least for row in mine) for least in (0.9, 0.99, 0.9999)]
        off_ms = [row[4] for row in mine if row[4] is not None]
        ms = f"{np.median(off_ms):.2f} | {max(off_ms):.2f}" if off_ms else "- | -"
        print(f"| {kind} | {len(mine)} | {' | '.join(map(str, [*count.values(), *sure]))} | {ms} |")
    for name, role, verdict, confidence, off_ms, claimed_ms in rows:
        if verdict in ("wrong", "off"):
            by = f", {off_ms:.2f} ms by the voices, {claimed_ms:.2f} claimed" if off_ms is not None else ""
            print(f"{name}, {role}: {verdict} at {confidence:.5f}{by}")
    if any(row[2] == "wrong" and row[3] >= 0.99 for row in rows):
        sys.exit("a file that is wrong claims 0.99 or more")


if __name__ == "__main__":
    main()
