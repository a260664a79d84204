#!/bin/sh
# Fetches the sounds of the marker benchmark from Debian packages into benches/data/claps (git-ignored),
# as mono 16-bit WAV at 48 kHz. Needs apt-get, dpkg, ffmpeg, unzip, python3, espeak-ng.
#
# Licences, from each package's copyright file; nothing of this is redistributed:
#   hydrogen-data GPL-2+, lmms-common GPL-2+, sonic-pi-samples (perc_snap, perc_snap2, vinyl_hiss) CC0,
#   openttd-opensfx CC-BY-SA-3.0 (recordings named in its readme), trigger-rally-data GPL-2+,
#   dustracing2d-data GPL-3+, stormbaancoureur-data GPL-3. The radio voice is made with espeak-ng.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
out=$here/data/claps
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir -p "$out/clap" "$out/engine" "$out/wind"
cd "$work"
apt-get -qq download hydrogen-data lmms-common sonic-pi-samples openttd-opensfx trigger-rally-data \
    dustracing2d-data stormbaancoureur-data
for deb in *.deb; do dpkg -x "$deb" root; done
share=$work/root/usr/share
wav() { ffmpeg -v error -y -i "$1" -ac 1 -ar 48000 -c:a pcm_s16le "$out/$2.wav"; }

kit=$share/hydrogen/data/drumkits/GMRockKit
wav "$kit/HandClap.wav" clap/hand_clap
for how in Softest Soft Med Hard Hardest; do
    wav "$kit/SideStick-$how.wav" "clap/side_stick_$how"
    wav "$kit/SnareRimshot-$how.wav" "clap/rim_shot_$how"
done
drums=$share/lmms/samples/drums
for name in clap01 clap02 clap03 clap04 sidestick01 wood01; do wav "$drums/$name.ogg" "clap/lmms_$name"; done
for name in metronome01 metronome02 snaph01; do wav "$share/lmms/samples/misc/$name.ogg" "clap/lmms_$name"; done
for name in perc_snap perc_snap2; do wav "$share/sonic-pi/samples/$name.flac" "clap/$name"; done

unzip -q -o "$share/games/trigger-rally/data.zip" 'sounds/*' -d rally
rally=$(find rally -type d -name sounds | head -1)
wav "$rally/engine.wav" engine/rally
wav "$rally/wind.wav" wind/rally
wav "$share/games/dustracing2d/sounds/carEngine.ogg" engine/car
wav "$share"/games/stormbaancoureur/sounds/c*_s16_le.wav engine/v8
# The sound file of openttd-opensfx is a table of (offset, length) pairs, each entry a name and a RIFF file.
python3 - "$share/games/openttd/baseset/opensfx/opensfx.cat" <<'PY'
import struct, sys
data = open(sys.argv[1], "rb").read()
count = (struct.unpack("<I", data[:4])[0] & 0x7FFFFFFF) // 8
for i in range(count):
    offset, length = struct.unpack("<II", data[8 * i:8 * i + 8])
    offset &= 0x7FFFFFFF
    start = offset + 1 + data[offset]
    if data[start:start + 4] == b"RIFF":
        open(f"sfx{i}.wav", "wb").write(data[start:start + length])
PY
wav sfx8.wav engine/propeller
wav sfx24.wav engine/helicopter
wav sfx27.wav engine/bus
wav sfx28.wav engine/old_bus
wav sfx10.wav engine/diesel_train
wav sfx52.wav wind/wind
wav sfx57.wav wind/heavy_wind
mkdir -p "$out/voice"
say() { espeak-ng -s "$2" -p "$3" -w "$1.wav" "$4"; wav "$1.wav" "voice/$1"; }
say call1 170 40 "Harbour control, survey launch Tern, leaving berth four, two persons on board, over."
say call2 155 60 "Tern, harbour control, copied, traffic is one tug with tow at the east pier, keep clear, out."
say call3 180 35 "Tern, tug Petrel, passing you port to port, tow is one hundred metres."
say call4 165 50 "Petrel, Tern, understood, port to port, we are starting line three now."
ls "$out"/*
