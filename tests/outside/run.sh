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

cargo build --locked --manifest-path "$top/Cargo.toml" -p sim-instrument
log=$(mktemp)
# The program ends with its standard input: the pipe is held open by the sleep, which is ended below.
sleep 600 | "$top/target/debug/sim-instrument" --scenario "$top/sim-instrument/scenarios/vc-07.toml" \
    --tcp 127.0.0.1:0 --pty >"$log" &
trap 'jobs -p | xargs -r kill 2>/dev/null || true; pkill -P $$ 2>/dev/null || true; rm -f "$log"' EXIT
for _ in $(seq 100); do
    grep -q '^ready' "$log" && break
    sleep 0.1
done
cat "$log"
port=$(sed -n 's|^scope tcp://127.0.0.1:||p' "$log")
pty=$(grep -o '/dev/pts/[0-9]*' "$log" | head -n 1)
"$venv/bin/python" "$here/visa_check.py" "TCPIP0::127.0.0.1::$port::SOCKET" "ASRL$pty::INSTR"
"$venv/bin/python" "$here/volts_check.py" "$top/target/debug/sim-instrument" \
    "$top/sim-instrument/scenarios/healthy.toml" "$top/sim-instrument/scenarios/vc-07.toml"
echo "outside checks: all agree"
