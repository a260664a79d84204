"""Learns the network that scores markers, and writes crates/coeval/src/marker_network.bin.

    benches/scripts/fetch_claps.sh; benches/scripts/fetch_sounds.sh; benches/scripts/fetch_marker_training.sh
    marker() { cargo run --release -p coeval-benches --bin marker_training -- "$@"; }
    marker train.f32 --part train --scenes 400 --seed 3 --quiet 0.3 --cabin 0.3
    marker tune.f32 --part tune --scenes 144 --seed 21 --plain; marker test.f32 --part test --scenes 192 --seed 10 --plain
    python3 benches/scripts/fit_markers.py tune.f32 train.f32 [--write crates/coeval/src/marker_network.bin]

The network that is shipped was learnt before the parts were made, from sounds of all three: what it finds on the test part
says nothing of engines that it has not heard. RESULTS.md has what this recipe finds there.

Needs numpy and some minutes on a core (OPENBLAS_NUM_THREADS=1). Everything is chosen on the tune part, the score's zero too; the test part is
looked at when nothing is left to choose: benches/src/origins.rs says which sounds are in which.
"""

import argparse
import struct

import numpy as np

HEADER, MEASURES, LEVELS = 11, 14, 250
HIDDEN = [128, 32]
# The rate at which a score becomes zero.
ALARMS_AN_HOUR = 1
LABEL, SCENE, KIND, ENGINE, CLAP, NUMBER, LEVEL_DB, ERROR_MS, SHAPE, SECONDS, TIME_S = range(HEADER)


def read(path):
    x = np.fromfile(path, "<f4").reshape(-1, HEADER + MEASURES + LEVELS)
    return x[:, :HEADER], x[:, HEADER:]


def forward(layers, x):
    values = [x]
    for k, (weights, bias) in enumerate(layers):
        x = x @ weights + bias
        if k + 1 < len(layers):
            x = np.maximum(x, 0)
        values.append(x)
    return values


def score(layers, x):
    return forward(layers, x)[-1][:, 0]


def learn(x, y, epochs, noise, decay, seed=1, batch=512, rate=2e-3):
    """Cross entropy by Adam (Kingma & Ba 2015; from memory), the rate falling by a cosine; noise on the inputs."""
    rng = np.random.default_rng(seed)
    sizes = [x.shape[1], *HIDDEN, 1]
    layers = [(rng.standard_normal((a, b), "f4") * np.sqrt(2 / a).astype("f4"), np.zeros(b, "f4")) for a, b in zip(sizes, sizes[1:])]
    first = [[np.zeros_like(p) for p in layer] for layer in layers]
    second = [[np.zeros_like(p) for p in layer] for layer in layers]
    steps, t = epochs * (len(x) // batch), 0
    for _ in range(epochs):
        order = rng.permutation(len(x))
        for at in range(0, len(x) - batch + 1, batch):
            rows = order[at : at + batch]
            values = forward(layers, x[rows] + noise * rng.standard_normal((batch, x.shape[1]), "f4"))
            p = 1 / (1 + np.exp(-np.clip(values[-1][:, 0], -30, 30)))
            gradient = ((p - y[rows]) / batch)[:, None].astype("f4")
            t += 1
            now = rate * 0.5 * (1 + np.cos(np.pi * t / steps))
            for k in reversed(range(len(layers))):
                own = values[k].T @ gradient, gradient.sum(0)
                before = (gradient @ layers[k][0].T) * (values[k] > 0) if k else None
                for g, parameter, m, v in zip(own, layers[k], first[k], second[k]):
                    m += 0.1 * (g - m)
                    v += 0.001 * (g * g - v)
                    parameter -= now * (m / (1 - 0.9**t)) / (np.sqrt(v / (1 - 0.999**t)) + 1e-8)
                layers[k][0][...] *= 1 - now * decay
                gradient = before
    return layers


def alarms(head, s, most=5000):
    """Scores of the false alarms of scenes without claps, highest first, no two within 0.1 s; and their hours."""
    clear = (head[:, LABEL] == 0) & (head[:, SECONDS] > 0)
    kept, seen = [], {}
    rows = np.flatnonzero(clear)
    for i in rows[np.argsort(-s[rows])][:most]:
        times = seen.setdefault(head[i, SCENE], [])
        if all(abs(head[i, TIME_S] - t) > 0.1 for t in times):
            times.append(head[i, TIME_S])
            kept.append(i)
    scenes = {scene: seconds for scene, seconds in head[head[:, SECONDS] > 0][:, [SCENE, SECONDS]]}
    return np.array(kept), sum(scenes.values()) / 3600


def recall(head, s, limit, low, high, engine=None):
    rows = (head[:, LABEL] > 0) & (head[:, LEVEL_DB] > low) & (head[:, LEVEL_DB] < high)
    if engine is not None:
        rows &= head[:, ENGINE] == engine
    best = {}
    for scene, number, label, value in zip(head[rows, SCENE], head[rows, NUMBER], head[rows, LABEL], s[rows]):
        best[scene, number] = max(best.get((scene, number), -1e9), value if label == 1 else -1e9)
    return 100 * np.mean([value > limit for value in best.values()]) if best else float("nan")


def report(name, head, s):
    """Prints what is found at some rates of false alarms; the score with ALARMS_AN_HOUR."""
    rows, hours = alarms(head, s)
    for an_hour in (ALARMS_AN_HOUR, 3, 10):
        limit = s[rows[min(int(an_hour * hours), len(rows) - 1)]]
        found = [recall(head, s, limit, low, high) for low, high in ((19, 30), (9, 11), (5, 7))]
        print(f"{name}, {hours:.1f} h, {an_hour:4} alarms an hour: limit {limit:6.2f}, found {' '.join(f'{r:5.1f}' for r in found)} % at 20, 10, 6 dB")
    limit = s[rows[min(int(ALARMS_AN_HOUR * hours), len(rows) - 1)]]
    loud = rows[s[rows] > limit]
    print("  alarms by kind", np.bincount(head[loud, KIND].astype(int), minlength=5), "by engine", np.bincount(head[loud, ENGINE].astype(int)))
    print("  6 dB by engine", " ".join(f"{recall(head, s, limit, 5, 7, e):.0f}" for e in np.unique(head[:, ENGINE])))
    return limit


def quantised(layers):
    """As the bytes that are written hold them."""
    out = []
    for weights, bias in layers:
        scale = np.maximum(np.abs(weights).max(0), 1e-9).astype("f4") / 127
        out.append((scale, np.round(weights / scale).astype("i1"), bias))
    return out


def slope(s, y):
    """What a score is to be multiplied by to be log odds: logistic regression on it alone, by Newton's method."""
    w, x = np.array([1.0, 0.0]), np.stack([s, np.ones_like(s)], 1).astype("f8")
    for _ in range(30):
        p = 1 / (1 + np.exp(-np.clip(x @ w, -30, 30)))
        w += np.linalg.solve((x * (p * (1 - p))[:, None]).T @ x + 1e-6 * np.eye(2), x.T @ (y - p))
    return w[0]


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("tune")
    arguments.add_argument("train", nargs="+")
    arguments.add_argument("--test", help="the test part: only when nothing is left to choose")
    arguments.add_argument("--write", help="for the crate, which has the default's units")
    arguments.add_argument("--hidden", type=int, nargs=2, default=HIDDEN, help="units of the two hidden layers")
    arguments.add_argument("--epochs", type=int, default=20)
    arguments.add_argument("--noise", type=float, default=0.3)
    arguments.add_argument("--decay", type=float, default=0.1)
    a = arguments.parse_args()
    HIDDEN[:] = a.hidden
    heads, inputs = zip(*map(read, a.train))
    # Scenes of two files are two scenes.
    for k, head in enumerate(heads):
        head[:, SCENE] += 100_000 * k
    head, x = np.vstack(heads), np.vstack(inputs)
    # A clap whose onset is far off teaches the wrong course.
    good = (head[:, LABEL] == 0) | ((head[:, LABEL] == 1) & (np.abs(head[:, ERROR_MS]) < 20))
    mean, spread = x[good].mean(0), np.maximum(x[good].std(0), 0.05)
    y = (head[:, LABEL] == 1).astype("f4")
    print(f"{good.sum()} candidates, {int(y[good].sum())} of them claps")
    layers = learn((x[good] - mean) / spread, y[good], a.epochs, a.noise, a.decay)
    packed = quantised(layers)
    layers = [(scale * weights.astype("f4"), bias) for scale, weights, bias in packed]
    report("training", head, score(layers, (x - mean) / spread))
    tune, x = read(a.tune)
    s = score(layers, (x - mean) / spread)
    limit = report("tune", tune, s)
    # Shrinking and noise on the inputs make scores smaller than log odds.
    times = slope(s[tune[:, LABEL] < 2], (tune[:, LABEL] == 1)[tune[:, LABEL] < 2])
    packed[-1][2][0] = times * (packed[-1][2][0] - limit)
    packed[-1] = (times * packed[-1][0], *packed[-1][1:])
    print(f"scores are multiplied by {times:.2f}")
    layers = [(scale * weights.astype("f4"), bias) for scale, weights, bias in packed]
    for name in filter(None, (a.tune, a.test)):
        head, x = read(name)
        s = score(layers, (x - mean) / spread)
        if name == a.test:
            report("test", head, s)
        rows, hours = alarms(head, s)
        for least in (0, 2):
            found = [recall(head, s, least, low, high) for low, high in ((19, 30), (9, 11), (5, 7))]
            print(f"{name}: from {least} on {' '.join(f'{r:5.1f}' for r in found)} %, {(s[rows] > least).sum() / hours:.1f} alarms an hour")
    if a.write:
        with open(a.write, "wb") as f:
            f.write(mean.astype("<f4").tobytes() + (1 / spread).astype("<f4").tobytes())
            for scale, weights, bias in packed:
                for unit in range(len(scale)):
                    f.write(struct.pack("<ff", scale[unit], bias[unit]) + weights[:, unit].tobytes())


main()
