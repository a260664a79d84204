"""The core beside scipy.signal.correlate on random signals."""
import json

import numpy as np
import pytest
from conftest import coeval
from scipy import fft, signal
from scipy.io import wavfile

RATE = 16_000


def band_noise(rng, seconds):
    """White noise between 300 and 3400 Hz, standard deviation 1."""
    sos = signal.butter(6, (300, 3400), "bandpass", fs=RATE, output="sos")
    x = signal.sosfiltfilt(sos, rng.standard_normal(int(seconds * RATE)))
    return x / x.std()


def delayed(x, delay_s):
    """x later by any time, by its spectrum's phase; the start wraps round."""
    f = fft.rfftfreq(len(x), 1 / RATE)
    return fft.irfft(fft.rfft(x) * np.exp(-2j * np.pi * f * delay_s), len(x))


def scipy_offset_s(a, b):
    """Where b lies on a, by the peak of the plain correlation and a parabola through it."""
    c = signal.correlate(a, b, "full", method="fft")
    k = int(np.argmax(c))
    y0, y1, y2 = c[k - 1 : k + 2]
    return (k - (len(b) - 1) + 0.5 * (y0 - y2) / (y0 - 2 * y1 + y2)) / RATE


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("snr_db", [0, 20])
def test_offset_agrees(tmp_path, seed, snr_db):
    rng = np.random.default_rng(1000 * snr_db + seed)
    common = band_noise(rng, 40)
    skip = rng.integers(2 * RATE, 12 * RATE)
    fraction_s = rng.uniform(-0.5, 0.5) / RATE
    noise = 10 ** (-snr_db / 20)
    a = common[: 30 * RATE] + noise * band_noise(rng, 30)
    # Sample 0 of b is the moment skip / RATE - fraction of a.
    b = delayed(common, fraction_s)[skip:] + noise * band_noise(rng, 40)[skip:]
    true_s = skip / RATE - fraction_s
    for name, x in (("a.wav", a), ("b.wav", b)):
        wavfile.write(tmp_path / name, RATE, (0.1 * x).astype(np.float32))
    result = json.loads(coeval("align", tmp_path, "--json", "--keep-apart", "--reference", "a.wav"))
    place = {f["path"]: f for r in result["recordings"] for f in r["files"]}
    offset_s = place["b.wav"]["offset_s"] - place["a.wav"]["offset_s"]
    scipy_s = scipy_offset_s(a, b)
    assert abs(scipy_s - true_s) < 20e-6, "the yardstick itself"
    # b overlaps a from its own start on; the map's start is where it is measured.
    assert abs(offset_s - true_s) < 20e-6, (offset_s, true_s, scipy_s)
    assert abs(place["b.wav"]["drift_ppm"]) < 1.0
