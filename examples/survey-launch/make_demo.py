#!/usr/bin/env python3
"""Makes the demo recordings of a two-person inshore survey launch, and their truth.

    python3 make_demo.py            # writes recordings/ and truth.json beside this script
    python3 make_demo.py --check    # only decodes what is there and measures it against the truth

Needs ffmpeg (libx264, its own AAC and FLAC encoders), espeak-ng, NumPy and SciPy.

One world, three devices. All sounds are laid out on the reference clock (camera A's clock, zero at the
start of its first file). Each device then samples that world on its own clock: sample n of a file is
the world at  timeline = offset + n / rate * (1 + drift_ppm * 1e-6),  read with a windowed sinc of 64
points. Nothing else moves sound in time: filters are zero-phase, and every room's direct path has no
delay. So the truth is exact by construction, and sound takes no time to travel (see README.md).
"""

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy import fft, signal
from scipy.io import wavfile

HERE = Path(__file__).resolve().parent
MEDIA = HERE / "recordings"
WORLD_RATE = 48_000
WORLD_FROM_S, WORLD_TO_S = -32.0, 222.0
VOICE_BAND_HZ = (300.0, 3400.0)

# Voices by espeak-ng: name, words a minute, pitch.
VOICES = {
    "skipper": ("en-gb-x-rp", 158, 38),
    "surveyor": ("en-us+f3", 166, 56),
    "harbour": ("en-gb-scotland", 150, 45),
    "ferry": ("en-gb-x-gbcwmd+m4", 172, 30),
    "mechanic": ("en-029+m2", 150, 48),
    "deckhand": ("en-us+f2", 170, 66),
}

# (pause before in seconds, who, words). "harbour" and "ferry" come over the radio.
DIALOGUE = [
    (2.0, "skipper", "Intercom check. Do you hear me?"),
    (0.5, "surveyor", "Loud and clear. Recorder is running."),
    (1.2, "skipper", "Cameras on when you are ready, please."),
    (5.0, "surveyor", "First camera is running now."),
    (9.0, "clap", ""),
    (1.4, "harbour", "Survey launch two, harbour control. The dredger leaves the north basin at ten thirty."),
    (0.451, "skipper", "Harbour control, launch two. Dredger at ten thirty, thank you."),
    (3.105, "surveyor", "Tide gauge reads one metre forty two. I will write that down."),
    (4.0, "clap", ""),
    (0.9, "clap", ""),
    (2.2, "skipper", "Both cameras see the wheelhouse. Coming round to the first line."),
    (2.6, "surveyor", "Line twelve starts at the green buoy. Steer two four five."),
    (0.7, "skipper", "Two four five. Engine at fourteen hundred."),
    (6.5, "surveyor", "Sounding seven point three. Seven point one. Bottom is flat here."),
    (3.0, "surveyor", "Six point eight. There is a bit of weed on the trace."),
    (7.0, "ferry", "All stations, ferry four is leaving the pier and turning to starboard."),
    (4.816, "surveyor", "Then let us finish this line before it gets here. Ninety metres to go."),
    (2.4, "skipper", "End of line. Turning to port, mind the mast."),
    (8.0, "surveyor", "Line thirteen is forty metres to the east. Heading zero six five."),
    (1.0, "skipper", "Zero six five. The wind pushes us off, I am holding four degrees up."),
    (6.0, "surveyor", "Sounding eleven point nine. Twelve even. Twelve point four, that is the deepest so far."),
    (2.0, "harbour", "Launch two, harbour control, are you clear of the fairway?"),
    (0.526, "skipper", "Launch two is clear of the fairway, working between the yellow buoys."),
    (7.117, "surveyor", "The yellow buoy is thirty metres out of its place. Please pass close by it."),
    (1.3, "skipper", "Passing on your side, about five metres."),
    (4.0, "surveyor", "Mark. Got the position. It has dragged its sinker to the south."),
    (6.0, "skipper", "Ferry wash coming on the beam. Hold on to something."),
    (3.2, "surveyor", "Holding. The trace will be useless for ten seconds."),
    (7.0, "surveyor", "Good again. Eight point seven, eight point five."),
    (2.5, "skipper", "How many lines have we still got to run?"),
    (0.6, "surveyor", "Three more, then the tide gauge again, then home."),
    (4.0, "surveyor", "Recorder is still going. Last entry for this part, line thirteen complete."),
    (1.0, "skipper", "Line thirteen complete."),
]
OTHER_DAY = [
    (1.5, "mechanic", "Hand me the long spanner, the filter sits rather tight."),
    (1.0, "deckhand", "Here. Shall I open the cooling water first?"),
    (0.7, "mechanic", "Wait. Let her idle until the hose is warm."),
    (2.5, "deckhand", "There is a drip under the pump. Only a small one."),
    (1.2, "mechanic", "I see it. A new washer will do. Stop the engine, then we drain the oil."),
]

# file: start on its own device's clock after the device's first file start, and length in picture frames
CAM_A = {"id": "cam-a", "rate": 48_000, "fps": (25, 1), "start_s": 0.0, "drift_ppm": 0.0,
         "voice_db": -6.0, "seed": 11, "bitrate": "96k",
         "files": [("CAM-A_0017.MP4", 1700, 0.0), ("CAM-A_0018.MP4", 1700, 0.040), ("CAM-A_0019.MP4", 1340, 0.0)],
         "created": "2026-05-12T08:41:07Z"}
CAM_B = {"id": "cam-b", "rate": 48_000, "fps": (30_000, 1001), "start_s": 17.4137, "drift_ppm": 37.0,
         "voice_db": -9.0, "seed": 12, "bitrate": "80k",
         "files": [("CAM-B_0004.MOV", 2430, 0.0), ("CAM-B_0005.MOV", 2280, 0.085)],
         "created": "2026-05-12T08:39:52Z"}  # its calendar clock is 93 s slow: creation times are a hint, not a truth
RECORDER = {"id": "recorder", "rate": 44_100, "start_s": -24.6182, "drift_ppm": -52.0, "seed": 13,
            "samples": 44_100 * 238 + 12_345, "file": "REC_0003.FLAC"}
OTHER = {"id": "cam-a-other-day", "rate": 48_000, "fps": (25, 1), "voice_db": -6.0, "seed": 14, "bitrate": "96k",
         "file": "CAM-A_0009.MP4", "frames": 650, "created": "2026-05-04T15:20:31Z"}


# ---------------------------------------------------------------- sound of the world

def world_times():
    return WORLD_FROM_S + np.arange(int((WORLD_TO_S - WORLD_FROM_S) * WORLD_RATE)) / WORLD_RATE


def zero_phase(x, gain_of_hz):
    """Filters with a real gain over frequency: no delay at any frequency."""
    n = fft.next_fast_len(len(x) + WORLD_RATE, real=True)
    gain = gain_of_hz(fft.rfftfreq(n, 1 / WORLD_RATE))
    return fft.irfft(fft.rfft(x, n) * gain, n)[: len(x)]


def band(low_hz, high_hz, order=4):
    """Gain of a band pass with Butterworth slopes."""
    def gain(f):
        with np.errstate(divide="ignore"):
            high_pass = 1 / np.sqrt(1 + (low_hz / np.maximum(f, 1e-9)) ** (2 * order)) if low_hz else 1.0
        return high_pass / np.sqrt(1 + (f / high_hz) ** (2 * order))
    return gain


def voice_band(x):
    return zero_phase(x, lambda f: ((f >= VOICE_BAND_HZ[0]) & (f <= VOICE_BAND_HZ[1])).astype(float))


def speak(who, words):
    voice, speed, pitch = VOICES[who]
    with tempfile.NamedTemporaryFile(suffix=".wav") as f:
        subprocess.run(["espeak-ng", "-v", voice, "-s", str(speed), "-p", str(pitch), "-w", f.name, words], check=True)
        rate, x = wavfile.read(f.name)
    x = signal.resample_poly(x / 32768.0, 320, 147) if rate == 22_050 else sys.exit(f"espeak-ng rate {rate}")
    loud = np.flatnonzero(np.abs(x) > 0.004)
    x = x[loud[0]: loud[-1]]
    return x / np.sqrt(np.mean(x**2))


def clap(rng):
    """Two hands, 25 ms: noise around 1.5 kHz that dies away at once."""
    n = int(0.03 * WORLD_RATE)
    t = np.arange(n) / WORLD_RATE
    x = rng.standard_normal(n) * np.exp(-t / 0.004) * np.minimum(1, t / 0.0003)
    return signal.sosfilt(signal.butter(2, [700, 6000], "bandpass", fs=WORLD_RATE, output="sos"), x) * 9.0


def lay_out(dialogue, rng, start_s):
    """Voices on the timeline: {who: signal}, talk [[from, to, who]], claps [time]."""
    stems, talk, claps = {}, [], []
    now = start_s
    for pause, who, words in dialogue:
        now += pause
        x = clap(rng) if who == "clap" else speak(who, words)
        at = int(round((now - WORLD_FROM_S) * WORLD_RATE))
        stem = stems.setdefault(who, np.zeros(len(world_times())))
        stem[at: at + len(x)] += x
        # The time that the sample grid gives, not the time that was asked for.
        begin = WORLD_FROM_S + at / WORLD_RATE
        if who == "clap":
            claps.append(round(begin, 6))
        else:
            talk.append([round(begin, 3), round(begin + len(x) / WORLD_RATE, 3), who])
        now = begin + len(x) / WORLD_RATE
    return stems, talk, claps


def smooth_noise(rng, n, corner_hz):
    """Slow random movement, unit deviation."""
    step = int(WORLD_RATE / (8 * corner_hz))
    coarse = rng.standard_normal(n // step + 8)
    coarse = signal.sosfiltfilt(signal.butter(2, 0.25, output="sos"), coarse)
    fine = np.interp(np.arange(n) / step, np.arange(len(coarse)), coarse)
    return fine / np.std(fine)


def diesel(rng, rpm, cylinders, roughness):
    """Four-stroke diesel: orders of the wandering crank speed, and combustion noise that beats with the firing."""
    n = len(world_times())
    rev_hz = rpm / 60 * (1 + 0.012 * smooth_noise(rng, n, 0.15) + 0.004 * smooth_noise(rng, n, 2.0))
    phase = 2 * np.pi * np.cumsum(rev_hz) / WORLD_RATE
    x = np.zeros(n)
    for k in range(1, 97):
        order = k / 2
        firing = k % cylinders == 0
        amplitude = (1.0 if firing else 0.35 * rng.uniform(0.3, 1)) / (1 + (order * rpm / 60 / 180) ** 1.1)
        x += amplitude * np.sin(order * phase + rng.uniform(0, 2 * np.pi))
    knock = np.maximum(0, np.sin(cylinders / 2 * phase)) ** 6
    noise = zero_phase(rng.standard_normal(n), band(250, 2600, 1))
    return x / np.std(x) + roughness * noise / np.std(noise) * (0.35 + knock)


def wind(rng):
    """Turbulence at the microphone: low, gusty, another at every microphone."""
    n = len(world_times())
    rumble = zero_phase(rng.standard_normal(n), lambda f: 1 / (1 + (f / 45) ** 1.6) * (f > 12))
    hiss = zero_phase(rng.standard_normal(n), band(200, 5000, 1))
    gust = np.exp(0.7 * smooth_noise(rng, n, 0.25) + 0.3 * smooth_noise(rng, n, 2.0))
    return gust * (rumble / np.std(rumble) + 0.10 * hiss / np.std(hiss))


def room(rng, direct, decay_s):
    """Impulse response of a wheelhouse: direct path at zero, some wall reflections, a tail."""
    n = int(0.35 * WORLD_RATE)
    h = np.zeros(n)
    h[0] = direct
    for _ in range(9):
        h[int(rng.uniform(0.002, 0.022) * WORLD_RATE)] += rng.choice([-1, 1]) * rng.uniform(0.1, 0.38)
    t = np.arange(n) / WORLD_RATE
    h += rng.standard_normal(n) * np.exp(-6.9 * t / decay_s) * 0.022 * (t > 0.004)
    return h


def active(stems):
    """Where somebody talks in the air, from the voices' own 50 ms level."""
    x = sum(stems.values())
    level = np.sqrt(np.maximum(0, signal.fftconvolve(x**2, np.ones(2400) / 2400, "same")))
    return level > 0.1


def radio(rng, stems):
    """Calls on the ship's radio: narrow band, clipped, with the squelch's click and rush at both ends."""
    n = len(world_times())
    out = np.zeros(n)
    for stem in stems:
        x = zero_phase(np.tanh(1.6 * stem), band(350, 2800, 4))
        on = signal.fftconvolve((np.abs(stem) > 0.01).astype(float), np.ones(int(0.5 * WORLD_RATE)), "same") > 0.5
        hiss = zero_phase(rng.standard_normal(n), band(350, 3000, 3))
        x += 0.05 * hiss * on
        for edge in np.flatnonzero(np.diff(on.astype(int))):
            rush = int(0.09 * WORLD_RATE)
            x[edge: edge + rush] += 0.5 * hiss[edge: edge + rush]
            x[edge: edge + 24] += 0.9
        out += x
    return zero_phase(out, band(250, 3400, 4))


# ---------------------------------------------------------------- devices

HALF, PHASES = 32, 4096


def _kernel():
    """Windowed-sinc table: row p holds the 64 weights for a fraction of p / PHASES of a sample."""
    frac = np.arange(PHASES + 1)[:, None] / PHASES
    x = frac - np.arange(-HALF + 1, HALF + 1)[None, :]
    return np.sinc(x) * np.i0(9.0 * np.sqrt(np.maximum(0, 1 - (x / HALF) ** 2))) / np.i0(9.0)


KERNEL = _kernel()


def sample_world(world, timeline_s):
    """The world's value at any times: band-limited interpolation."""
    out = np.empty(len(timeline_s))
    for at in range(0, len(out), 65_536):
        x = (timeline_s[at: at + 65_536] - WORLD_FROM_S) * WORLD_RATE
        whole = np.floor(x).astype(np.int64)
        p = (x - whole) * PHASES
        row = p.astype(np.int64)
        part = (p - row)[:, None]
        weights = KERNEL[row] * (1 - part) + KERNEL[row + 1] * part
        out[at: at + 65_536] = np.sum(weights * world[whole[:, None] + np.arange(-HALF + 1, HALF + 1)], axis=1)
    return out


def camera_channels(cam, stems, engine):
    """What the two microphones of a camera hear, on the timeline; voices at cam['voice_db'] in the voice band."""
    rng = np.random.default_rng(cam["seed"])
    talking = active({k: v for k, v in stems.items() if k != "clap"})
    voices = [0.0, 0.0]
    for who, stem in stems.items():
        shared = room(rng, 1.0, 0.16)
        for ch in range(2):
            own = room(rng, 0.0, 0.16)
            voices[ch] = voices[ch] + signal.fftconvolve(stem, shared + 0.5 * own)[: len(stem)]
    hull = 1 + 0.5 * np.sin(np.linspace(0, 40, 64) + rng.uniform(0, 6))
    engine = zero_phase(engine, lambda f: np.interp(f, np.linspace(0, 6000, 64), hull, right=0.3) / (1 + (f / 5000) ** 2))
    channels = []
    for ch in range(2):
        noise = 1.0 * engine / np.std(engine) + 1.1 * wind(rng)
        ratio = np.std(voice_band(voices[ch])[talking]) / np.std(voice_band(noise)[talking])
        mix = noise + voices[ch] * 10 ** (cam["voice_db"] / 20) / ratio
        channels.append(zero_phase(mix, band(40, 14_000, 3)))
    level = max(np.percentile(np.abs(c), 99.9) for c in channels)
    print(f"  {cam['id']}: voice {cam['voice_db']:+.1f} dB against engine and wind in "
          f"{VOICE_BAND_HZ[0]:.0f}-{VOICE_BAND_HZ[1]:.0f} Hz while somebody talks")
    # A camera's limiter: soft above half scale.
    return [np.tanh(c / level * 0.6) / 1.05 for c in channels]


def recorder_channel(rec, stems, engine, radio_calls):
    """The headset line: clean voices, the intercom opens for talk only, radio mixed in."""
    rng = np.random.default_rng(rec["seed"])
    heard = sum(zero_phase(x, band(160, 4200, 8)) for who, x in stems.items() if who != "clap")
    heard = heard + 0.35 * zero_phase(stems["clap"], band(160, 4200, 8))
    quiet = zero_phase(rng.standard_normal(len(heard)), band(100, 3600, 4)) * 0.0015
    cabin = 0.012 * zero_phase(engine / np.std(engine), band(120, 3000, 4))
    near = signal.fftconvolve((np.abs(sum(stems.values())) > 0.05).astype(float), np.ones(int(0.9 * WORLD_RATE)), "same")
    gate = np.clip(signal.fftconvolve(near > 0.5, np.hanning(2400) / np.sum(np.hanning(2400)), "same"), 0, 1)
    line = gate * (heard + quiet + cabin) + 0.8 * radio_calls
    line = line * 0.25 / np.percentile(np.abs(line[near > 0.5]), 99.9)
    line = np.tanh(line * 1.2) / 1.2
    return line + zero_phase(rng.standard_normal(len(line)), band(60, 3600, 4)) * 4e-6


# ---------------------------------------------------------------- pictures

def frames(cam, times_s, other_day=False):
    """A drawn scene, 320 x 180: sea and sky that roll and pitch, and the launch that stands still in the frame."""
    w, h = 320, 180
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    inside = cam["id"] == "cam-b"
    hull = ((x > 70) & (x < 250) & (y > 132 + 0.002 * (x - 160) ** 2)) if not inside else (y > 150) | (x < 14) | (x > 306)
    frame = (np.abs(x - 160) < 3) & (y < 150) if inside else (np.abs(x - 160) < 2) & (y > 96) & (y < 140)
    heads = np.zeros_like(hull)
    if inside:
        for cx in (96, 224):
            heads |= (x - cx) ** 2 + (y - 104) ** 2 < 20**2
            heads |= ((x - cx) / 34) ** 2 + ((y - 160) / 42) ** 2 < 1
    for t in times_s:
        roll = 0.05 * np.sin(2 * np.pi * t / 5.3) + 0.03 * np.sin(2 * np.pi * t / 3.1 + 1)
        pitch = 78 + 9 * np.sin(2 * np.pi * t / 4.4 + 0.4) + (0 if not inside else -14)
        if other_day:
            roll, pitch = 0.004 * np.sin(t), 60 + np.sin(2 * np.pi * t / 6)
        below = y - (pitch + roll * (x - 160))
        sea = np.clip(below / 110, 0, 1)
        wave = 9 * np.sin(0.35 * below / (0.25 + sea) + 0.05 * x - 5 * t) * sea
        img = np.empty((h, w, 3), np.float32)
        sky = np.array([176, 190, 200] if other_day else [150, 186, 214], np.float32)
        water = np.array([58, 92, 104], np.float32)
        img[:] = np.where((below < 0)[..., None], sky - 0.18 * y[..., None], water - 30 * sea[..., None] + wave[..., None])
        if not other_day:
            for k, colour in enumerate(((40, 130, 60), (214, 180, 40))):
                bx = (40 + 190 * k + (14 + 9 * k) * t) % 400 - 40
                by = pitch + roll * (bx - 160) + 12
                img[((x - bx) / 5) ** 2 + ((y - by) / 11) ** 2 < 1] = colour
        img[hull] = (206, 204, 196) if not inside else (60, 58, 56)
        img[frame] = (90, 90, 92)
        img[heads] = (44, 48, 66)
        yield np.clip(img, 0, 255).astype(np.uint8).tobytes()


# ---------------------------------------------------------------- files

def write_camera_file(path, cam, channels, offset_s, drift_ppm, n_frames, created, other_day=False):
    num, den = cam["fps"]
    samples = int(round(n_frames * den / num * cam["rate"]))
    timeline_s = offset_s + np.arange(samples) / cam["rate"] * (1 + drift_ppm * 1e-6)
    pcm = np.stack([sample_world(c, timeline_s) for c in channels], axis=1)
    with tempfile.TemporaryDirectory() as tmp:
        wav = Path(tmp) / "sound.wav"
        wavfile.write(wav, cam["rate"], (np.clip(pcm, -1, 1) * 32767).round().astype(np.int16))
        enc = subprocess.Popen(
            ["ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", "320x180",
             "-r", f"{num}/{den}", "-i", "-", "-i", str(wav), "-map", "0:v", "-map", "1:a",
             "-c:v", "libx264", "-preset", "medium", "-crf", "33", "-pix_fmt", "yuv420p", "-g", "150", "-bf", "0",
             # The encoder would write its name and settings into the picture (units of type 6), and its name into the track.
             "-bsf:v", "filter_units=remove_types=6", "-metadata:s:v", "encoder=H.264",
             "-threads", "2", "-c:a", "aac", "-b:a", cam["bitrate"], "-metadata", f"creation_time={created}",
             "-fflags", "+bitexact", "-flags:v", "+bitexact", "-flags:a", "+bitexact", str(path)],
            stdin=subprocess.PIPE)
        for frame in frames(cam, offset_s + np.arange(n_frames) * den / num, other_day):
            enc.stdin.write(frame)
        enc.stdin.close()
        if enc.wait() != 0:
            sys.exit(f"ffmpeg failed on {path}")
    return pcm[:, 0], samples / cam["rate"]


def write_recorder_file(path, rec, line):
    timeline_s = rec["start_s"] + np.arange(rec["samples"]) / rec["rate"] * (1 + rec["drift_ppm"] * 1e-6)
    x = sample_world(line, timeline_s)
    pcm = (np.clip(x, -1, 1) * (2**23 - 1)).round().astype(np.int32)
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-f", "s32le", "-ar", str(rec["rate"]), "-ac", "1", "-i", "-",
         "-c:a", "flac", "-sample_fmt", "s32", "-bits_per_raw_sample", "24", "-compression_level", "12",
         "-fflags", "+bitexact", "-flags:a", "+bitexact", str(path)],
        input=(pcm << 8).astype("<i4").tobytes(), check=True)
    return x, rec["samples"] / rec["rate"]


def truth_file(path, duration_s, offset_s, drift_ppm):
    end = offset_s + duration_s * (1 + drift_ppm * 1e-6)
    return {"path": path, "status": "placed", "duration_s": round(duration_s, 9), "offset_s": round(offset_s, 9),
            "drift_ppm": drift_ppm, "knots": [[0.0, round(offset_s, 9)], [round(duration_s, 9), round(end, 9)]]}


def shift_iso(iso, seconds):
    from datetime import datetime, timedelta
    return (datetime.fromisoformat(iso.replace("Z", "+00:00")) + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%SZ")


# ---------------------------------------------------------------- check

def decode(path, rate):
    """A file's first channel as ffmpeg presents it: sample zero is presentation zero."""
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(path), "-map", "0:a:0", "-af", "aresample=async=1:first_pts=0,pan=mono|c0=c0",
         "-ar", str(rate), "-f", "f32le", "-"], check=True, capture_output=True).stdout
    return np.frombuffer(raw, "<f4").astype(float)


def delay_s(got, want, rate):
    """How much later `got` is than `want`: peak of their correlation, refined on a 32 times finer grid."""
    n = fft.next_fast_len(2 * len(want))
    cross = fft.rfft(got, n) * np.conj(fft.rfft(want, n))
    fine = fft.irfft(cross, 32 * n) if n % 2 == 0 else None
    k = int(np.argmax(fine))
    a, b, c = fine[k - 1], fine[k], fine[(k + 1) % len(fine)]
    k = k + 0.5 * (a - c) / (a - 2 * b + c)
    return (k if k < 16 * n else k - 32 * n) / 32 / rate


def check_delays(path, rate, want):
    """Decoded file against what was synthesized, at its start, middle and end. Returns the worst, in seconds."""
    got = decode(path, rate)
    span = 4 * rate
    worst = 0.0
    for at in (0, (len(want) - span) // 2, len(want) - span - rate // 10):
        worst = max(worst, abs(delay_s(got[at: at + span], want[at: at + span], rate)))
    print(f"  {path.name:16} decoded {len(got):>9} of {len(want):>9} samples, worst delay {worst * 1e6:6.2f} us")
    return worst


def build_world():
    rng = np.random.default_rng(2026)
    stems, talk, claps = lay_out(DIALOGUE, rng, RECORDER["start_s"])
    in_air = {k: v for k, v in stems.items() if k not in ("harbour", "ferry")}
    calls = radio(rng, [stems["harbour"], stems["ferry"]])
    engine = diesel(rng, 1400, 4, 0.55)
    return in_air, talk, claps, calls, engine


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing; measure the files that are there")
    only_check = parser.parse_args().check
    MEDIA.mkdir(exist_ok=True)
    print("world")
    in_air, talk, claps, calls, engine = build_world()
    print(f"  last words end at {max(t[1] for t in talk):.1f} s, "
          f"somebody talks {100 * sum(t[1] - t[0] for t in talk) / (max(t[1] for t in talk) - talk[0][0]):.0f} % of the time")
    recordings, wanted = [], []
    for cam in (CAM_A, CAM_B):
        channels = camera_channels(cam, in_air, engine)
        num, den = cam["fps"]
        own_s, files = 0.0, []
        for name, n_frames, gap_s in cam["files"]:
            own_s += gap_s
            offset = cam["start_s"] + own_s * (1 + cam["drift_ppm"] * 1e-6)
            created = shift_iso(cam["created"], round(own_s))
            if only_check:
                samples = int(round(n_frames * den / num * cam["rate"]))
                times = offset + np.arange(samples) / cam["rate"] * (1 + cam["drift_ppm"] * 1e-6)
                pcm, duration = sample_world(channels[0], times), samples / cam["rate"]
            else:
                pcm, duration = write_camera_file(MEDIA / name, cam, channels, offset, cam["drift_ppm"], n_frames, created)
            wanted.append((MEDIA / name, cam["rate"], pcm))
            files.append(truth_file(name, duration, offset, cam["drift_ppm"]))
            own_s += n_frames * den / num
        recordings.append({"id": cam["id"], "kind": "camera", "files": files})

    line = recorder_channel(RECORDER, in_air, engine, calls)
    if only_check:
        times = RECORDER["start_s"] + np.arange(RECORDER["samples"]) / RECORDER["rate"] * (1 + RECORDER["drift_ppm"] * 1e-6)
        pcm, duration = sample_world(line, times), RECORDER["samples"] / RECORDER["rate"]
    else:
        pcm, duration = write_recorder_file(MEDIA / RECORDER["file"], RECORDER, line)
    wanted.append((MEDIA / RECORDER["file"], RECORDER["rate"], pcm))
    recordings.append({"id": "recorder", "kind": "recorder",
                       "files": [truth_file(RECORDER["file"], duration, RECORDER["start_s"], RECORDER["drift_ppm"])]})

    rng = np.random.default_rng(77)
    other_stems, _, _ = lay_out(OTHER_DAY, rng, 0.0)
    channels = camera_channels(OTHER, other_stems, diesel(rng, 830, 3, 0.8))
    if not only_check:
        write_camera_file(MEDIA / OTHER["file"], OTHER, channels, 0.0, 0.0, OTHER["frames"], OTHER["created"], True)
    recordings.append({"id": OTHER["id"], "kind": "camera",
                       "files": [{"path": OTHER["file"], "status": "unplaced", "reason": "recorded on another day",
                                  "duration_s": OTHER["frames"] / 25, "knots": []}]})

    if not only_check:
        truth = {"schema": "coeval.truth/1",
                 "about": "Where each file of recordings/ lies on the timeline: camera A's clock, zero at the start of its first "
                          "file. knots are [file presentation time, timeline time] in seconds. Sound takes no time to travel.",
                 "timeline": {"clock": "cam-a"}, "recordings": recordings,
                 "claps_s": claps, "talk": talk}
        (HERE / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")

    print("check: each file decoded by ffmpeg against the synthesized sound")
    worst = max(check_delays(*w) for w in wanted)
    total = sum(p.stat().st_size for p in MEDIA.iterdir())
    print(f"  worst of all {worst * 1e6:.2f} us; {total / 1e6:.2f} MB in {len(list(MEDIA.iterdir()))} files")
    if worst > 50e-6:
        sys.exit("the truth is off by more than 0.05 ms")


if __name__ == "__main__":
    main()
