"""Fits the logistic weights of the marker score to the candidates that the benchmark dumps.

    cargo run --release -p coeval-benches --bin markers -- 0.5 1 --dump > dump.txt
    python3 benches/scripts/fit_markers.py dump.txt

Needs numpy. Prints WEIGHTS and BIAS for crates/coeval/src/marker.rs; the bias puts the score's zero where the
dump has one false alarm an hour. Leaves each engine out in turn to show what the fit is worth on others.
"""

import re
import sys

import numpy as np


def read(path):
    false, true, hours = [], [], 0.0
    for line in open(path):
        values = re.search(r"\[(.*)\]$", line.strip())
        part = line.split()
        if line.startswith(("F ", "T ")) and values:
            x = [float(v) for v in values.group(1).split(",")]
            row = dict(kind=part[1], engine=part[2], shape=part[3], grouping=part[4], error=float(part[6]), x=x)
            (false if part[0] == "F" else true).append(row)
        elif line.startswith("all "):
            hours = float(part[1])
    return false, true, hours


def fit(a, y, w, ridge=1.0):
    """Weighted logistic regression by Newton's method, on standardised columns."""
    mean, scale = a.mean(0), a.std(0) + 1e-9
    z = np.column_stack([(a - mean) / scale, np.ones(len(a))])
    b = np.zeros(z.shape[1])
    penalty = ridge * np.eye(len(b))
    penalty[-1, -1] = 0
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(z @ b, -30, 30)))
        h = (z * (w * p * (1 - p))[:, None]).T @ z + penalty
        b = b + np.linalg.solve(h, z.T @ (w * (y - p)) - penalty @ b)
    weights = b[:-1] / scale
    return weights, b[-1] - weights @ mean


def main():
    false, true, hours = read(sys.argv[1])
    serves = lambda r: r["shape"] == "Clap" and r["grouping"] != "Periodic"
    false = [r for r in false if serves(r)]
    print(f"{len(false)} false candidates in {hours} h, {len(true)} true ones, {sum(map(serves, true))} of them claps by shape")
    kept = [r for r in true if serves(r) and abs(r["error"]) < 20]
    def solve(f, t):
        a = np.array([r["x"] for r in f + t])
        y = np.r_[np.zeros(len(f)), np.ones(len(t))]
        w = np.r_[np.full(len(f), 1.0), np.full(len(t), 1.0)]
        return fit(a, y, w)
    weights, bias = solve(false, kept)
    score = lambda rows: np.array([r["x"] for r in rows]) @ weights + bias
    order = np.sort(score(false))[::-1]
    for allowed in (0, 0.33, 1, 3, 10):
        limit = order[min(int(allowed * hours), len(order) - 1)] + 1e-6
        recall = {k: np.mean([serves(r) and s >= limit for r, s in zip(true, score(true)) if r["kind"] == k]) for k in ("20", "10", "6")}
        print(f"{allowed} alarms an hour: limit {limit:.2f}, recall of candidates {recall}")
    for engine in sorted({r["engine"] for r in false}):
        w, b = solve([r for r in false if r["engine"] != engine], [r for r in kept if r["engine"] != engine])
        f = [r for r in false if r["engine"] == engine]
        t = [r for r in kept if r["engine"] == engine]
        if f and t:
            sf = np.sort(np.array([r["x"] for r in f]) @ w + b)[::-1]
            st = np.array([r["x"] for r in t]) @ w + b
            print(f"  without {engine:<14} top false scores {np.round(sf[:4], 1)}, true quantiles {np.round(np.quantile(st, [0.01, 0.1, 0.5]), 1)}")
    limit = order[min(int(0.5 * hours), len(order) - 1)]
    print("WEIGHTS", ", ".join(f"{w:.4f}" for w in weights))
    print(f"BIAS {bias - limit:.4f}")
    worst = np.argsort(-score(false))[:12]
    for i in worst:
        print(f"{score(false)[i]:.2f}", false[i]["kind"], false[i]["engine"], np.round(false[i]["x"], 1))


main()
