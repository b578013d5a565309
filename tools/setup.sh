#!/usr/bin/env bash
# Makes .venv with the locked packages. $1 is the lock to use: run or dev.
# Asks Debian's package manager only for what is missing.
set -euo pipefail
cd "$(dirname "$0")/.."
lock="locks/$1.txt"
stamp=".venv/.$1-$(cat "$lock" pyproject.toml | sha256sum | cut -c1-16)"
if [ -e "$stamp" ]; then exit 0; fi
if [ "$1" = run ] && compgen -G ".venv/.dev-*" >/dev/null; then exec "$0" dev; fi # dev holds all of run

as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi; }
python=${PYTHON:-python3}
if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
  echo "peatwright: asking Debian's package manager for python3-venv" >&2
  as_root apt-get update -q && as_root apt-get install -y -q python3-venv
fi
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
  echo "peatwright needs Python 3.11 or newer; '$python' is $("$python" --version 2>&1). Set PYTHON=/path/to/python3.11" >&2
  exit 2
}
[ -x .venv/bin/python ] || "$python" -m venv .venv
# uv installs the locked set in seconds; pip alone works too, only slower.
pip=".venv/bin/python -m pip --quiet --disable-pip-version-check"
# uv installs the locked set in seconds; pip alone does the same, only slower.
if $pip install uv && .venv/bin/python -m uv pip install --quiet --python .venv/bin/python --require-hashes -r "$lock"; then :; else
  $pip install --require-hashes -r "$lock"
fi
$pip install --no-deps --editable .
touch "$stamp"
