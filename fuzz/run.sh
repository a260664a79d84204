#!/usr/bin/env bash
# Fuzzes one target after the other, each for a while, on the stable compiler and without cargo-fuzz:
#
#   fuzz/run.sh [SECONDS [ROUNDS [TARGET...]]]        default: 60 seconds, 1 round, all targets
#
# What is learnt goes to target/fuzz/corpus, what is found to target/fuzz/found; every run adds a line to
# target/fuzz/log.tsv (target, processor seconds, executions, findings, date). FUZZ_DIR names another folder.
set -euo pipefail
cd "$(dirname "$0")/.."

seconds=${1:-60} rounds=${2:-1}
shift $(($# < 2 ? $# : 2))
dir=${FUZZ_DIR:-target/fuzz}
triple=$(rustc -vV | sed -n 's/^host: //p')
mkdir -p "$dir/bin" "$dir/found"
# Files that a target hands to a reader are made here, in memory where there is such a place.
TMPDIR=$(mktemp -d -p "$([ -w /dev/shm ] && echo /dev/shm || echo /tmp)" coeval-fuzz-XXXXXX)
export TMPDIR
trap 'rm -rf "$TMPDIR"' EXIT

# The coverage that libFuzzer follows, as cargo-fuzz asks for it. The flags are stable; a sanitizer would not be.
cover="--cfg fuzzing -Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4"
cover+=" -Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table"
cover+=" -Cllvm-args=-sanitizer-coverage-trace-compares"
if [ -z "${FUZZ_NO_BUILD:-}" ]; then
    RUSTFLAGS=$cover cargo build --quiet --package coeval-fuzz --features libfuzzer --bins --target "$triple"
    for source in fuzz/fuzz_targets/*.rs; do
        name=$(basename "$source" .rs)
        cp "${CARGO_TARGET_DIR:-target}/$triple/debug/$name" "$dir/bin/$name.new"
        mv "$dir/bin/$name.new" "$dir/bin/$name"
    done
fi

targets=("$@")
if [ ${#targets[@]} -eq 0 ]; then
    for source in fuzz/fuzz_targets/*.rs; do targets+=("$(basename "$source" .rs)"); done
fi

failed=0
for ((round = 0; round < rounds; round++)); do
    for target in "${targets[@]}"; do
        corpora=("$dir/corpus/$target")
        mkdir -p "${corpora[0]}" "$dir/found/$target"
        for more in "fuzz/seeds/$target" "fuzz/regressions/$target"; do
            [ -d "$more" ] && corpora+=("$more")
        done
        case $target in riff | isobmff | matroska | foreign) corpora+=(tests/fixtures) ;; esac
        dictionary=()
        [ -f "fuzz/dictionaries/$target" ] && dictionary=("-dict=fuzz/dictionaries/$target")
        output=$(mktemp -p "$TMPDIR")
        found=0
        TIMEFORMAT="%U %S"
        cpu=$( { time "$dir/bin/$target" "${corpora[@]}" "${dictionary[@]}" -max_total_time="$seconds" \
            -rss_limit_mb=512 -timeout=20 -max_len=65536 -print_final_stats=1 -verbosity=0 \
            -artifact_prefix="$dir/found/$target/" >"$output" 2>&1; } 2>&1) || found=1
        [ $found -eq 0 ] || { failed=1; cp "$output" "$dir/found/$target/last.txt"; }
        runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$output")
        awk -v t="$target" -v c="$cpu" -v r="${runs:-0}" -v f=$found -v d="$(date -u +%FT%TZ)" \
            'BEGIN { split(c, s, " "); printf "%s\t%.0f\t%d\t%d\t%s\n", t, s[1] + s[2], r, f, d }' >>"$dir/log.tsv"
        rm -rf "${TMPDIR:?}"/* "$TMPDIR"/.[!.]* 2>/dev/null || true
    done
done
exit $failed
