#!/bin/sh
# Install noonmark from the folder that this file lies in, without a network; made by make-wheelhouse.sh.
#
#   ./install.sh agent|collector [ENVIRONMENT]        # default /opt/noonmark
#
# Every file is held to its hash. PYTHON chooses the interpreter, which must be of the version that the wheels are for.
set -eu

folder=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
fail() {
    echo "install.sh: $*" >&2
    exit 2
}
what=${1:-}
case $what in
    agent | collector) ;;
    *) sed -n '2,6s/^# \{0,1\}//p' "$0" >&2 && exit 2 ;;
esac
environment=${2:-/opt/noonmark}
python=${PYTHON:-python3}
[ -e "$folder/$what.txt" ] || fail "this folder holds no $what: gather the wheels without --agent-only"
(cd "$folder" && sha256sum --quiet --strict --check SHA256SUMS >&2) ||
    fail "a file differs from what was gathered: carry the folder over anew"
wanted=$(cat "$folder/PYTHON")
command -v "$python" >/dev/null || fail "there is no $python: name one with PYTHON=..."
found=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
[ "$found" = "$wanted" ] || fail "the wheels are for Python $wanted, $python is $found: name another with PYTHON=..."
"$python" -m venv "$environment" || fail "no environment could be made at $environment (Debian: is python3-venv installed?)"
"$environment/bin/python" -m pip --disable-pip-version-check --quiet install \
    --no-index --find-links "$folder" --require-hashes --only-binary :all: --requirement "$folder/$what.txt"
"$environment/bin/noonmark" --version
echo "installed; put $environment/bin/noonmark on the path, as /usr/bin/noonmark for the units of deploy/systemd"
