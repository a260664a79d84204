"""The resampler beside the SoX resampler's very high quality, on the same sound.

Run from the top of the repository, with numpy and soxr installed:
    cargo build --release -p coeval-benches --example resample_raw
    python benches/scripts/resample_beside_soxr.py

Prints THD+N (best-fitting sine taken out) and level of sines, and the speed, as Markdown; fails when the resampler
misses -120 dB at 1 kHz, -110 dB elsewhere, 0.01 dB of level up to 20 kHz, or 450 times real time on
one core (900 where nothing else runs).

Taps x rate is the work that the direct form, 192 products and sums for each output frame, would be at that speed.

Drifting: the source's clock goes from +1000 to -1000 ppm and back within 4 s (knots every 0.5 s, linear between),
and the sine taken out of ours has exactly the phase that these knots say. The SoX resampler follows a changing ratio
only in its experimental variable-rate mode and to no stated moments: it gets a ramp of the ratio from +1000 to
-1000 ppm, and the sine taken out of its output has the polynomial phase of fourth degree that fits best.
"""

import os
import platform
import resource
import subprocess
import sys
import time

import numpy as np
import soxr

PROGRAM = "target/release/examples/resample_raw"
SECONDS = 4
# A busy machine halves what a core does alone.
LEAST_SPEED = 450
# Of the filter at equal rates: what the direct form would multiply and add for each output frame.
TAPS = 192
# Two additions and two multiplications of four 32-bit numbers each, as x86-64 without extensions does them at best.
PEAK_PER_CYCLE = 16


def by_coeval(sound, source_hz, target_hz, knots):
    run = subprocess.run(
        [PROGRAM, str(source_hz), str(target_hz), *(f"{a:.17g},{b:.17g}" for a, b in knots)],
        input=sound.astype("<f4").tobytes(), capture_output=True, check=True,
    )
    return np.frombuffer(run.stdout, "<f4").astype(float)


def constant(ppm, seconds=SECONDS):
    return [(0.0, 0.0), (seconds, seconds * (1 + ppm * 1e-6))]


def drifting():
    """Knots of a clock whose drift is linear between +-1000 ppm, as the resampler gets them: linear in pieces."""
    knots = [(0.0, 0.0)]
    for i in range(2 * SECONDS):
        ppm = 1000 - 2000 * (i / 4 if i < 4 else (7 - i) / 4)
        knots.append((0.5 * (i + 1), knots[-1][1] + 0.5 * (1 + ppm * 1e-6)))
    return knots


def by_soxr(sound, source_hz, target_hz, ppm):
    # The library takes a ratio only, not a moment: equal to a drift of the source clock.
    return soxr.resample(sound, source_hz, target_hz * (1 + ppm * 1e-6), "VHQ").astype(float)


def by_soxr_ramp(sound, rate):
    stream = soxr.ResampleStream(rate * 1.001, rate, 1, dtype="float32", quality="VHQ", vr=True)
    stream.set_io_ratio(rate * 0.999, rate, slew_len=len(sound))
    return stream.resample_chunk(sound, last=True).astype(float)


def clock_ghz():
    with open("/proc/cpuinfo") as lines:
        return max(float(line.split(":")[1]) for line in lines if line.startswith("cpu MHz")) / 1000


def inner(x, rate):
    return x[rate // 10 : len(x) - rate // 10]


def residual_and_level_db(output, phase):
    """Of a sine with this phase, in radians at every sample."""
    basis = np.stack([np.sin(phase), np.cos(phase), np.ones_like(phase)], 1)
    fit, *_ = np.linalg.lstsq(basis, output, rcond=None)
    rest = output - basis @ fit
    level = np.hypot(fit[0], fit[1])
    return 10 * np.log10(np.mean(rest**2) / (level**2 / 2)), 20 * np.log10(level)


def fitted_phase(output):
    """The polynomial of fourth degree that fits the phase of a sine of slowly changing frequency."""
    spectrum = np.fft.fft(output * np.hanning(len(output)))
    spectrum[len(output) // 2 :] = 0
    measured = np.unwrap(np.angle(np.fft.ifft(spectrum)))
    x = np.linspace(-1, 1, len(output))
    keep = np.abs(x) < 0.9
    return np.polynomial.Polynomial.fit(x[keep], measured[keep], 4)(x)


def sine(hz, rate):
    return np.sin(2 * np.pi * hz * np.arange(SECONDS * rate) / rate).astype("f4")


def speed(source_hz, target_hz, ppm):
    sound = (np.random.default_rng(1).random(60 * source_hz) - 0.5).astype("f4")
    ours, theirs = [], []
    # In turn, so that whatever else the machine does slows both; the time of the processor counts, not of the clock.
    for _ in range(5):
        begun = resource.getrusage(resource.RUSAGE_CHILDREN)
        by_coeval(sound, source_hz, target_hz, constant(ppm, 60))
        ended = resource.getrusage(resource.RUSAGE_CHILDREN)
        # All of the program: it also reads and writes.
        ours.append(ended.ru_utime + ended.ru_stime - begun.ru_utime - begun.ru_stime)
        begun = time.process_time()
        by_soxr(sound, source_hz, target_hz, ppm)
        theirs.append(time.process_time() - begun)
    return 60 / min(ours), 60 / min(theirs)


def main():
    missed = 0
    print("| rates, Hz | drift, ppm | sine, Hz | THD+N, dB: coeval | soxr VHQ | level, dB: coeval | soxr VHQ |")
    print("| --- | --- | --- | --- | --- | --- | --- |")

    def row(rates, drift, hz, ours, theirs, flat=True):
        nonlocal missed
        good = ours[0] < (-120 if hz == 1000 else -110) and (abs(ours[1]) < 0.01 or not flat)
        missed += not good
        print(f"| {rates} | {drift} | {hz} | {ours[0]:.1f} | {theirs[0]:.1f} | {ours[1]:+.5f} | {theirs[1]:+.5f} |"
              f"{'' if good else ' MISSED'}")

    for source_hz, target_hz, ppm in [
        (48000, 48000, 1000), (48000, 48000, -1000), (48000, 48000, 85),
        (44100, 48000, 0), (48000, 44100, 0), (96000, 48000, 30), (32000, 48000, 0), (16000, 48000, 0),
    ]:
        for hz in (1000, 10000, 18000, 20000):
            if hz > 0.4535 * min(source_hz, target_hz):
                continue
            sound = sine(hz, source_hz)
            heard = hz / (1 + ppm * 1e-6)
            measured = []
            for output in (by_coeval(sound, source_hz, target_hz, constant(ppm)), by_soxr(sound, source_hz, target_hz, ppm)):
                part = inner(output, target_hz)
                measured.append(residual_and_level_db(part, 2 * np.pi * heard * np.arange(len(part)) / target_hz))
            row(f"{source_hz} to {target_hz}", f"{ppm:+d}" if ppm else "0", hz, *measured)
    knots = np.array(drifting())
    for hz in (1000, 10000, 18000, 20000):
        sound = sine(hz, 48000)
        output = by_coeval(sound, 48000, 48000, knots)
        file_s = np.interp(np.arange(len(output)) / 48000, knots[:, 1], knots[:, 0])
        ours = residual_and_level_db(inner(output, 48000), inner(2 * np.pi * hz * file_s, 48000))
        other = inner(by_soxr_ramp(sound, 48000), 48000)
        # The phase is fitted where the window leaves enough of the sine.
        theirs = residual_and_level_db(inner(other, 48000), inner(fitted_phase(other), 48000))
        row("48000 to 48000", "drifting ±1000", hz, ours, theirs)

    print("\n| rates, Hz | drift, ppm | times real time, one core: coeval | soxr VHQ | ratio | taps x rate, Gflop/s |")
    print("| --- | --- | --- | --- | --- | --- |")
    for source_hz, target_hz, ppm in [(48000, 48000, 85), (44100, 48000, 85)]:
        ours, theirs = speed(source_hz, target_hz, ppm)
        missed += ours < LEAST_SPEED
        direct = 2 * TAPS * ours * target_hz * 1e-9
        print(f"| {source_hz} to {target_hz} | {ppm:+d} | {ours:.0f} | {theirs:.0f} | {ours / theirs:.2f} | {direct:.1f} |"
              f"{'' if ours >= LEAST_SPEED else ' MISSED'}")
    print(f"\nPeak of one core without special instructions: {PEAK_PER_CYCLE} flop a cycle x {clock_ghz():.2f} GHz = "
          f"{PEAK_PER_CYCLE * clock_ghz():.0f} Gflop/s.")
    print(f"\nsoxr {soxr.__version__}; {os.cpu_count()} cores, {platform.machine()}; load {os.getloadavg()[0]:.1f}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
