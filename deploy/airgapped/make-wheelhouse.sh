#!/bin/sh
# Gather every wheel that noonmark needs, with its hashes, in one folder to carry to machines without a network.
#
#   deploy/airgapped/make-wheelhouse.sh FOLDER [--agent-only] [--python-version 3.12] [--platform manylinux_2_28_aarch64]
#
# Run it where the package index can be reached; PYTHON (default python3) needs pip. Without the last two the wheels are
# for this machine's Python and processor. On the other side: FOLDER/install.sh, which needs nothing but Python.
set -eu

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
root=$(CDPATH='' cd -- "$here/../.." && pwd)
python=${PYTHON:-python3}
[ $# -ge 1 ] && [ "${1#-}" = "$1" ] || { sed -n '2,6s/^# \{0,1\}//p' "$0" >&2 && exit 2; }
folder=$1
shift
extras=collector,postgresql,enrol
version=
foreign=
while [ $# -gt 0 ]; do
    case $1 in
        --agent-only) extras=enrol && shift ;;
        --python-version) version=$2 && foreign="$foreign --python-version $2" && shift 2 ;;
        --platform) foreign="$foreign --platform $2" && shift 2 ;;
        *) echo "make-wheelhouse.sh: $1: no such option; see the head of this file" >&2 && exit 2 ;;
    esac
done
[ ! -e "$folder" ] || [ -z "$(ls -A "$folder")" ] ||
    { echo "make-wheelhouse.sh: $folder is not empty: name a new folder" >&2 && exit 2; }
mkdir -p "$folder"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

pip() { # what it warns of is mostly this environment's own; shown if it fails
    "$python" -m pip --quiet --disable-pip-version-check --no-input "$@" 2>"$work/pip.log" ||
        { cat "$work/pip.log" >&2 && exit 1; }
}
# shellcheck disable=SC2086
gather() { pip download --only-binary :all: $foreign "$@"; }

mkdir "$work/source"
(cd "$root" && tar -cf - pyproject.toml README.md LICENSE agent collector proto deploy/lab) | tar -C "$work/source" -xf -
pip wheel --no-deps --wheel-dir "$folder" "$work/source"
own=$(echo "$folder"/noonmark-*.whl)
gather --dest "$folder" "$own[$extras]"

# One list a kind of machine: every distribution with its version and the hash of its file here.
list() { # EXTRAS LIST
    mkdir "$work/$2"
    gather --no-index --find-links "$folder" --dest "$work/$2" "$own$1"
    for wheel in "$work/$2"/*.whl; do
        name=${wheel##*/}
        distribution=$(echo "$name" | cut -d- -f1 | tr _ -)
        release=$(echo "$name" | cut -d- -f2)
        echo "$distribution==$release --hash=sha256:$(sha256sum "$folder/$name" | cut -d' ' -f1)"
    done | LC_ALL=C sort >"$folder/$2.txt"
}
list '[enrol]' agent
[ "$extras" = enrol ] || list "[$extras]" collector
printf '%s\n' "${version:-$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')}" >"$folder/PYTHON"
cp "$here/install.sh" "$folder/"
(cd "$folder" && sha256sum -- *.whl *.txt PYTHON install.sh >SHA256SUMS)
echo "$(find "$folder" -name '*.whl' | wc -l) wheels, $(du -sh "$folder" | cut -f1), in $folder; sign or note its SHA256SUMS:"
sha256sum "$folder/SHA256SUMS"
