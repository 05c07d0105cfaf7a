#!/usr/bin/env bash
# The live checks against outside tools: a numerical library and a VISA client library, both general-purpose
# and pinned. Needs python3 with venv; installs the rest below target/.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
top=$(cd "$here/../.." && pwd)
venv=$top/target/outside-venv
python3 -m venv "$venv"
"$venv/bin/pip" install --quiet --disable-pip-version-check --requirement "$here/requirements.txt"
"$venv/bin/python" "$here/make_vectors.py" "$top/tests/vectors" --check
"$venv/bin/python" "$here/make_fits.py" "$top/tests/vectors" --check

cargo build --locked --manifest-path "$top/Cargo.toml" -p sim-instrument
"$venv/bin/python" "$here/visa_check.py" "$top/target/debug/sim-instrument"
"$venv/bin/python" "$here/volts_check.py" "$top/target/debug/sim-instrument" \
    "$top/sim-instrument/scenarios/healthy.toml" "$top/sim-instrument/scenarios/vc-07.toml"
echo "outside checks: all agree"
