#!/bin/sh
# Fetches the sounds that the marker score learns from, beside those of the benchmark (fetch_claps.sh), from Debian
# packages into benches/data/training (git-ignored), as mono 16-bit WAV at 48 kHz. Downloads 2.6 GB, installs nothing.
# Needs apt-get, dpkg, ffmpeg. benches/src/origins.rs says what is learnt from and what is tuned on; none is in the benchmark.
#
# Licences, from each package's copyright file; nothing of this is redistributed:
#   hydrogen-drumkits GPL-2, GPL-2+, CC-BY-3.0, CC0; torcs-data GPL-2+, LGPL-2+, Free Art; flightgear-data-base GPL-2+;
#   searchandrescue-data GPL; supertuxkart-data CC-BY-SA-3.0 and 4.0, CC-BY-3.0, CC0, GPL;
#   btanks-data GPL-2+, LGPL-2.1+; gl-117-data GPL-2.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
out=$here/data/training
work=${PACKAGES:-$(mktemp -d)}
mkdir -p "$out/clap" "$out/engine" "$out/wind"
cd "$work"
for p in hydrogen-drumkits torcs-data flightgear-data-base searchandrescue-data supertuxkart-data \
    btanks-data gl-117-data; do
    ls "$p"_*.deb >/dev/null 2>&1 || apt-get -qq -o APT::Sandbox::User=root download "$p"
    # Only the sounds: the rest of these packages is large. No package has all three kinds, which tar takes ill.
    dpkg --fsys-tarfile "$p"_*.deb | tar -x --wildcards '*.wav' '*.ogg' '*.flac' 2>/dev/null || true
done
games=usr/share/games
wav() { ffmpeg -nostdin -v error -y -i "$1" -ac 1 -ar 48000 -c:a pcm_s16le "$out/$2.wav"; }

kits=usr/share/hydrogen/data/drumkits
for kit in ColomboAcousticDrumkit ElectricEmpireKit ForzeeStereo HardElectro1 Millo-Drums_v.1 Millo_MultiLayered2; do
    find "$kits/$kit" -type f | grep -iE 'clap|rim|stick' | LC_ALL=C sort | while read -r f; do
        wav "$f" "clap/${kit}_$(basename "${f%.*}")"
    done
done

s=$games/torcs/data/sound
n=0
for f in $(printf '%s\n' $s/*_engine.wav $s/engine-1.wav | LC_ALL=C sort); do
    n=$((n + 1))
    wav "$f" engine/torcs_$n
done
s=$games/flightgear
for name in engine-idle engine; do wav $s/Aircraft/*/Sounds/$name.wav "engine/piston_$name"; done
for name in engine-prop prop exhaust_loop fan jet rotor-2blade rotor turbine_loop turbojet_fan turboprop1; do
    wav $s/Sounds/$name.wav "engine/aircraft_$name"
done
for name in wind wind1 rain-windshield; do wav $s/Sounds/$name.wav "wind/aircraft_$name"; done
s=$games/searchandrescue/sounds
for name in helicopter_engine_inside helicopter_engine_outside2 helicopter_engine_outside3 jet_engine_inside \
    jet_engine_inside2 jet_engine_outside; do
    wav $s/$name.wav "engine/rescue_$name"
done
n=0
for f in $s/*/engine_inside.wav; do
    n=$((n + 1))
    wav "$f" engine/rescue_hover_$n
done
s=$games/supertuxkart/data/sfx
for name in engine_large engine_small; do wav $s/$name.ogg "engine/kart_$name"; done
s=$games/btanks/data/sounds
for name in engine-car engine-vehicle helicopter; do wav $s/$name.ogg "engine/tank_$name"; done
wav $games/gl-117/sounds/plane1.wav engine/plane
ls "$out"/*
