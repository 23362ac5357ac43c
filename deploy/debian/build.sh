#!/bin/sh
# Build the Debian packages, without root: `noonmark` (the command and the agent's service; small) and
# `noonmark-collector` (what the collector and the calculating commands need besides). Their Python libraries are inside,
# in a private environment under /usr/lib/noonmark, so nothing of the host's own Python is touched.
#
#   deploy/debian/build.sh [--output DIR] [--wheelhouse DIR] [--version V] [--agent-only]
#
# PYTHON (default python3) must be of the version that the target release has; it needs pip. With --wheelhouse nothing is
# fetched (see deploy/airgapped). The same wheels and the same commit give the same packages, byte for byte.
set -eu

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
root=$(CDPATH='' cd -- "$here/../.." && pwd)
python=${PYTHON:-python3}
output=$root/dist
wheelhouse=
version=
agent_only=
while [ $# -gt 0 ]; do
    case $1 in
        --output) output=$2 && shift 2 ;;
        --wheelhouse) wheelhouse=$(CDPATH='' cd -- "$2" && pwd) && shift 2 ;;
        --version) version=$2 && shift 2 ;;
        --agent-only) agent_only=yes && shift ;;
        *) echo "build.sh: $1: no such option; see the head of this file" >&2 && exit 2 ;;
    esac
done
for need in dpkg-deb "$python"; do
    command -v "$need" >/dev/null || { echo "build.sh: $need is missing" >&2 && exit 2; }
done

SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git -C "$root" log -1 --format=%ct 2>/dev/null || echo 0)}
export SOURCE_DATE_EPOCH
umask 022
[ -n "$version" ] || version=$(sed -n 's/^version = "\(.*\)"/\1/p' "$root/pyproject.toml")
architecture=$(dpkg --print-architecture)
short=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
next=$("$python" -c 'import sys; print("%d.%d" % (sys.version_info[0], sys.version_info[1] + 1))')
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir -p "$output"

pip() { # what it warns of is mostly the building environment's own; shown if it fails
    "$python" -m pip --quiet --disable-pip-version-check --no-input "$@" 2>"$work/pip.log" ||
        { cat "$work/pip.log" >&2 && exit 1; }
}
from_wheels() { # TARGET REQUIREMENT [CONSTRAINTS]
    target=$1 requirement=$2
    shift 2
    # No bytecode yet: pip's would hold this machine's paths and times.
    if [ -n "$wheelhouse" ]; then
        pip install --no-index --find-links "$wheelhouse" --no-compile --target "$target" "$@" "$requirement"
    else
        pip install --find-links "$work/wheel" --no-compile --target "$target" "$@" "$requirement"
    fi
}

# noonmark's own wheel is made of this tree, from a copy, for building leaves traces.
mkdir "$work/source" "$work/wheel"
(cd "$root" && tar -cf - pyproject.toml README.md LICENSE agent collector proto deploy/lab) | tar -C "$work/source" -xf -
if "$python" -c 'import setuptools, sys; sys.exit(int(setuptools.__version__.split(".")[0]) < 77)' 2>/dev/null; then
    pip wheel --no-deps --no-build-isolation --wheel-dir "$work/wheel" "$work/source"
elif [ -n "$wheelhouse" ]; then
    pip wheel --no-deps --no-index --find-links "$wheelhouse" --wheel-dir "$work/wheel" "$work/source"
else
    pip wheel --no-deps --wheel-dir "$work/wheel" "$work/source"
fi
own=$(echo "$work"/wheel/noonmark-*.whl)

site=usr/lib/noonmark/lib/python$short/site-packages
base=$work/noonmark
extra=$work/noonmark-collector
mkdir -p "$base/$site"
if [ -n "$agent_only" ]; then
    from_wheels "$base/$site" "$own[enrol]"
else
    mkdir -p "$extra/$site"
    from_wheels "$extra/$site" "$own[collector,enrol]"
    pip freeze --path "$extra/$site" | grep -v '^noonmark' >"$work/constraints"
    from_wheels "$base/$site" "$own[enrol]" --constraint "$work/constraints"
    # The second package holds what the first does not.
    (cd "$base/$site" && find . -type f -o -type l) | (cd "$extra/$site" && xargs -d '\n' rm -f)
    # Nothing of these is used at run time: headers, sources of compiled code, the libraries' own tests.
    (cd "$extra/$site" && rm -rf pyarrow/include pyarrow/tests && find . -type d -name tests -prune -exec rm -rf {} +)
    find "$extra/$site" \( -name '*.pxd' -o -name '*.pyx' -o -name '*.h' -o -name '*.hpp' \) -delete
    find "$extra" -type d -empty -delete
fi

tidy_and_compile() { # TREE
    find "$1/$site" \( -name direct_url.json -o -name REQUESTED -o -name INSTALLER -o -name RECORD \) -delete
    rm -rf "$1/$site/bin"
    "$python" -m compileall -q -j 1 --invalidation-mode unchecked-hash -s "$1" -p / "$1/$site" >/dev/null || true
}
tidy_and_compile "$base"
[ -n "$agent_only" ] || tidy_and_compile "$extra"

# The private environment: its interpreter is the system's.
mkdir -p "$base/usr/lib/noonmark/bin" "$base/usr/bin"
ln -s ../../../bin/python3 "$base/usr/lib/noonmark/bin/python"
cat >"$base/usr/lib/noonmark/pyvenv.cfg" <<END
home = /usr/bin
include-system-site-packages = false
END
cat >"$base/usr/bin/noonmark" <<'END'
#!/usr/lib/noonmark/bin/python -I
import sys

from noonmark.collector.cli import main

sys.exit(main(prog_name="noonmark"))
END
chmod 755 "$base/usr/bin/noonmark"

finish() { # NAME TREE
    name=$1 tree=$2
    install -D -m 644 "$root/deploy/systemd/$3.service" "$tree/usr/lib/systemd/system/$3.service"
    install -D -m 644 "$here/$4" "$tree/etc/noonmark/$4"
    doc=$tree/usr/share/doc/$name
    install -D -m 644 "$here/copyright" "$doc/copyright"
    printf '%s (%s) stable; urgency=medium\n\n  * See CHANGELOG.md.gz beside this file.\n\n -- %s  %s\n' \
        "$name" "$version" "noonmark <noonmark@localhost>" "$(date -u -R -d "@$SOURCE_DATE_EPOCH")" |
        gzip -9n >"$doc/changelog.gz"
    gzip -9nc "$root/CHANGELOG.md" >"$doc/CHANGELOG.md.gz"
    mkdir "$tree/DEBIAN"
    size=$(du -k --apparent-size -s --exclude=DEBIAN "$tree" | cut -f1)
    sed -e "s/@VERSION@/$version/g" -e "s/@ARCHITECTURE@/$architecture/" -e "s/@SIZE@/$size/" \
        -e "s/@PYTHON@/$short/" -e "s/@NEXT@/$next/" "$here/$name.control" >"$tree/DEBIAN/control"
    echo "/etc/noonmark/$4" >"$tree/DEBIAN/conffiles"
    for script in postinst prerm postrm; do
        sed -e "s/@SERVICE@/$3.service/" "$here/$script" >"$tree/DEBIAN/$script"
        chmod 755 "$tree/DEBIAN/$script"
    done
    find "$tree" -type f ! -path '*/usr/bin/*' ! -path '*/DEBIAN/*' -exec chmod 644 {} +
    (cd "$tree" && find . -type f ! -path './DEBIAN/*' -printf '%P\n' | LC_ALL=C sort | xargs -d '\n' md5sum) \
        >"$tree/DEBIAN/md5sums"
    dpkg-deb --root-owner-group --uniform-compression -Zxz -z1 --build "$tree" \
        "$output/${name}_${version}_$architecture.deb" >/dev/null
    echo "$output/${name}_${version}_$architecture.deb"
}
mkdir -p "$base/usr/share/noonmark"
install -m 644 "$root/deploy/systemd/agent-devices.conf" "$root/deploy/systemd/agent-identity.conf" \
    "$base/usr/share/noonmark/"
finish noonmark "$base" noonmark-agent agent.toml
if [ -z "$agent_only" ]; then
    mkdir -p "$extra/usr/share/noonmark"
    install -m 644 "$root/deploy/prometheus/noonmark-rules.yml" "$root/deploy/grafana/noonmark.json" \
        "$extra/usr/share/noonmark/"
    finish noonmark-collector "$extra" noonmark-collector collector.toml
fi
