#!/usr/bin/env bash
# Runs the package's tests with one wheel on several interpreters:
#     versions.sh WHEEL python3.9 python3.10 ...
# Each gets a virtual environment of its own, in which there is no Rust, and the newest libraries that it can have; without
# OpenTimelineIO where that is not to be had for it yet. Ends in a line for each, and fails where one of them does.
set -uo pipefail
[ $# -ge 2 ] || { sed -n '2,6s/^# \{0,1\}//p' "$0"; exit 2; }
wheel=$(realpath "$1")
shift
cd "$(dirname "$0")" || exit 1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
results=()
failed=0
for python in "$@"; do
    version=$("$python" -c 'import platform; print(platform.python_version())') || exit 2
    venv=$work/$version
    log=$work/$version.log
    if "$python" -m venv "$venv" &&
        "$venv/bin/pip" install --quiet --disable-pip-version-check "$wheel" 'hypothesis<7' 'matplotlib<4' 'pandas>=1.5' \
            'pytest<10' 'scipy<2' tqdm &&
        { "$venv/bin/pip" install --quiet --disable-pip-version-check --only-binary :all: opentimelineio && timeline=test_timeline.py || timeline=; } &&
        (cd tests && PATH=$venv/bin:/usr/bin:/bin PYTHONDONTWRITEBYTECODE=1 MPLBACKEND=Agg COEVAL_CACHE= \
            "$venv/bin/python" -m pytest -q -p no:cacheprovider -c /dev/null --rootdir . \
            test_errors.py test_citizens.py test_pair.py test_files.py test_speech.py $timeline) >"$log" 2>&1; then
        word=ok
    else
        word=FAILED
        failed=1
        tail -n 40 "$log"
    fi
    numpy=$("$venv/bin/python" -c 'import numpy; print(numpy.__version__)' 2>/dev/null)
    results+=("Python $version, NumPy $numpy: $word: $(tail -n 1 "$log")")
    echo "${results[-1]}"
done
echo
printf '%s\n' "${results[@]}"
exit $failed
