#!/bin/sh
# Fetches the real voices and engines that the accuracy benchmark mixes, into benches/data (git-ignored).
#
#   benches/scripts/fetch_sounds.sh [FOLDER]      default: benches/data
#
# Needs apt-get (Debian), dpkg, ffmpeg. Downloads about 114 MB of Debian packages, installs none of them.
# Nothing of this is part of the project; the packages' own licences hold (usr/share/doc/*/copyright):
#   asterisk-core-sounds-{en,es,fr,it,ru}-g722   telephone prompts, five speakers, CC-BY-SA-3.0
#   searchandrescue-data                         helicopter and jet engines, GPL
#   stormbaancoureur-data, dustracing2d-data     car engines, GPL-3, GPL-3+
#   crrcsim-data                                 model aircraft motors, GPL-2
# Result: voices/<speaker>.wav with <speaker>.txt (first sample, length, name of each prompt), and
# engines/<name>.wav, all 16 kHz 16 bit mono.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
data=${1:-$here/data}
mkdir -p "$data"
data=$(cd "$data" && pwd)
if [ -e "$data/complete" ]; then
    echo "sounds are in $data"
    exit 0
fi
work=$data/packages
mkdir -p "$work/root" "$data/voices" "$data/engines"
cd "$work"
# The package lists may never have been read on this machine.
apt-cache show searchandrescue-data >/dev/null 2>&1 || apt-get update -qq
for p in asterisk-core-sounds-en-g722 asterisk-core-sounds-es-g722 asterisk-core-sounds-fr-g722 \
    asterisk-core-sounds-it-g722 asterisk-core-sounds-ru-g722 \
    searchandrescue-data stormbaancoureur-data dustracing2d-data crrcsim-data; do
    ls "$p"_*.deb >/dev/null 2>&1 || apt-get -qq -o APT::Sandbox::User=root download "$p"
    dpkg -x "$p"_*.deb root
done

# G.722 at 64 kbit/s holds two samples a byte, so the files joined give the prompts' places by their sizes.
for folder in root/usr/share/asterisk/sounds/*_*_*; do
    speaker=$(basename "$folder")
    joined=$data/voices/$speaker.g722
    : >"$joined"
    : >"$data/voices/$speaker.txt"
    first=0
    for f in $(find "$folder" -name '*.g722' -size +8k -not -path '*/silence/*' | LC_ALL=C sort); do
        cat "$f" >>"$joined"
        samples=$(($(wc -c <"$f") * 2))
        echo "$first $samples $(basename "$f" .g722)" >>"$data/voices/$speaker.txt"
        first=$((first + samples))
    done
    ffmpeg -v error -y -f g722 -i "$joined" -ar 16000 -ac 1 "$data/voices/$speaker.wav"
    rm "$joined"
done

engine() {
    # Steady part only: start-ups and shut-downs are cut away by the times given.
    ffmpeg -v error -y ${3:-} -i root/usr/share/games/$2 -ar 16000 -ac 1 "$data/engines/$1.wav"
}
s=searchandrescue/sounds
engine helicopter-inside $s/helicopter_engine_inside.wav
engine helicopter-outside-2 $s/helicopter_engine_outside2.wav
engine helicopter-outside-3 $s/helicopter_engine_outside3.wav
engine turbine-a $s/*60/engine_inside.wav
engine turbine-b $s/*65/engine_inside.wav
engine jet-inside $s/jet_engine_inside.wav
engine jet-inside-2 $s/jet_engine_inside2.wav
engine jet-outside $s/jet_engine_outside.wav
engine car-v8 stormbaancoureur/sounds/c*_s16_le.wav
engine car-four dustracing2d/sounds/carEngine.ogg
engine motor-fan crrcsim/sounds/fan.wav
engine motor-electric crrcsim/sounds/electric.wav

rm -rf "$work/root"
touch "$data/complete"
echo "sounds are in $data: $(cat "$data"/voices/*.txt | wc -l) prompts of $(ls "$data"/voices/*.wav | wc -l) speakers, $(ls "$data"/engines/*.wav | wc -l) engines"
