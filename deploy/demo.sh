#!/bin/sh
# Run the demonstration on a fresh machine: makes a virtual environment, installs noonmark there, runs `noonmark demo`
# with the options given here (try --seconds 40, or --seconds 40 --json). All that this script says goes to standard
# error, so that standard output is the demonstration's alone.
# PYTHON chooses the interpreter (3.11 or newer), NOONMARK_VENV the environment's folder.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
python=${PYTHON:-python3}

say() { printf 'demo.sh: %s\n' "$*" >&2; }
fail() {
    say "$*"
    exit 2
}

command -v "$python" >/dev/null || fail "no $python here: install Python 3.11 or newer, or name it with PYTHON=..."
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    fail "$("$python" --version 2>&1) is too old: name Python 3.11 or newer with PYTHON=..."

venv=${NOONMARK_VENV:-$root/.venv}
if [ -z "${NOONMARK_VENV:-}" ] && [ ! -w "$root" ]; then
    temporary=$(mktemp -d)
    venv=$temporary
    trap 'rm -rf "$temporary"' EXIT
fi
# Its time tells whether what is installed is older than what the project asks for.
mark=$venv/noonmark-installed
if [ ! -e "$mark" ] || [ "$root/pyproject.toml" -nt "$mark" ]; then
    if [ ! -x "$venv/bin/python" ]; then
        say "making a virtual environment in $venv"
        "$python" -m venv "$venv" >&2 || fail "cannot make it: is Python's venv module installed (Debian: python3-venv)?"
    fi
    say "installing noonmark with its collector there (a minute or two the first time)"
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --editable "$root[collector]" >&2 ||
        fail "the installation failed; see above"
    : >"$mark"
fi

if [ -z "${temporary:-}" ]; then
    # Signals then reach the demonstration itself.
    exec "$venv/bin/noonmark" demo "$@"
fi
"$venv/bin/noonmark" demo "$@"
