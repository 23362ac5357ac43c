#!/bin/sh
# Run every check of the project, on a fresh machine too: installs what the tests need (Debian packages where this is run
# as root, Python packages in a virtual environment of their own), then style, types and tests. Options given here go to
# pytest: `deploy/test.sh -k limits`. Ends with pytest's own summary lines.
# PYTHON chooses the interpreter (3.11 or newer), NOONMARK_TEST_VENV the environment's folder.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
cd "$root"
python=${PYTHON:-python3}
venv=${NOONMARK_TEST_VENV:-$root/.venv-test}

say() { printf 'test.sh: %s\n' "$*" >&2; }
fail() {
    say "$*"
    exit 2
}

command -v "$python" >/dev/null || fail "no $python here: install Python 3.11 or newer, or name it with PYTHON=..."

# program or path -> Debian package
missing=
for need in ip:iproute2 promtool:prometheus chromium:chromium /usr/lib/postgresql:postgresql \
    /usr/share/fonts/truetype/dejavu:fonts-dejavu-core systemd-analyze:systemd; do
    what=${need%%:*}
    case $what in
        /*) [ -e "$what" ] ;;
        *) command -v "$what" >/dev/null ;;
    esac || missing="$missing ${need##*:}"
done
packages=
if [ -n "$missing" ]; then
    [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null ||
        fail "these Debian packages are missing, and installing them needs root:$missing"
    say "installing$missing"
    # Servers that the packages bring are for the tests to start, not for the system.
    export DEBIAN_FRONTEND=noninteractive
    # Meanwhile Python's packages are installed, and style and types looked at.
    # shellcheck disable=SC2086
    (apt-get -qq update >&2 && RUNLEVEL=1 apt-get -qq install --yes --no-install-recommends $missing >/dev/null) &
    packages=$!
    trap 'wait' EXIT
fi

mark=$venv/noonmark-installed
if [ ! -e "$mark" ] || [ "$root/pyproject.toml" -nt "$mark" ]; then
    say "installing Python packages in $venv"
    "$python" -m venv "$venv" >&2 || fail "cannot make it: is Python's venv module installed (Debian: python3-venv)?"
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --editable "$root[collector,dev]" >&2 ||
        fail "the installation failed; see above"
    : >"$mark"
fi

say "style"
"$venv/bin/ruff" check --quiet .
"$venv/bin/ruff" format --quiet --check .
say "types"
"$venv/bin/mypy" --no-error-summary
if [ -n "$packages" ]; then
    wait "$packages" || fail "the Debian packages could not be installed; see above"
fi
say "tests"
[ $# = 0 ] || exec "$venv/bin/pytest" -q "$@"
# One process more than there are processors, since some tests wait for sockets and programs. The tests of one file stay
# together: they share fleets, browsers and servers. Whole fleets held to true time come last, two at a time: they mostly
# wait, and need a machine that does nothing else.
processors=$(getconf _NPROCESSORS_ONLN)
"$venv/bin/pytest" -q --numprocesses $((processors + 1)) --dist loadfile -m 'not steady'
exec "$venv/bin/pytest" -q --numprocesses 2 --dist loadfile -m steady tests/integration
