#!/usr/bin/env bash
# Builds the package into a virtual environment of its own and runs everything that checks it.
set -euo pipefail
cd "$(dirname "$0")"
target=${CARGO_TARGET_DIR:-$(cd ../.. && pwd)/target}
venv=$target/venv-python
stamp=$venv/requirements-installed.txt
lists=(tests/requirements.txt)
[ -n "${COEVAL_SHORT_PYTHON:-}" ] || lists+=(tests/requirements-s3.txt)
if ! cat "${lists[@]}" | cmp -s - "$stamp"; then
    python3 -m venv --clear "$venv"
    "$venv/bin/pip" install --quiet --disable-pip-version-check "${lists[@]/#/-r}"
    cat "${lists[@]}" >"$stamp"
fi
export VIRTUAL_ENV=$venv PATH=$venv/bin:$PATH PYTHONDONTWRITEBYTECODE=1 MPLBACKEND=Agg COEVAL_CACHE=
maturin develop --quiet --features as-tested
mypy
python -m mypy.stubtest coeval --mypy-config-file pyproject.toml --allowlist tests/stubtest-allowlist.txt
python -m pytest -ra --durations 20 -p no:cacheprovider "$@"
