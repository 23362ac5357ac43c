#!/bin/sh
# Build the packages, install them in a bare Debian root that is booted with systemd, run agents and a collector there as
# their units say, starve a watchdog, upgrade, remove, purge; prints one line a check and ends with "N passed, M failed".
# Needs root, mmdebstrap, systemd-nspawn and lintian (Debian: mmdebstrap, systemd-container, lintian), and some five
# minutes. The guest has a network of its own without any way out.
#
#   deploy/debian/test-package.sh [--packages DIR]      # DIR: built already
# NOONMARK_ROOT_CACHE keeps the bare root for the next run; PYTHON builds (of the suite's version).
set -eu

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
suite=${SUITE:-bookworm}
cache=${NOONMARK_ROOT_CACHE:-${TMPDIR:-/tmp}/noonmark-root-$suite.tar}
packages=
[ "${1:-}" != --packages ] || packages=$2
for need in mmdebstrap systemd-nspawn lintian; do
    command -v "$need" >/dev/null || { echo "test-package.sh: $need is missing; see the head of this file" >&2 && exit 2; }
done
[ "$(id -u)" = 0 ] || { echo "test-package.sh: needs root" >&2 && exit 2; }
work=$(mktemp -d)
trap 'rm -rf --one-file-system "$work"' EXIT
passed=0
failed=0
check() { # WORDS COMMAND...
    words=$1
    shift
    if "$@" >"$work/told" 2>&1; then
        passed=$((passed + 1)) && echo "ok    $words"
    else
        failed=$((failed + 1)) && echo "FAIL  $words" && sed 's/^/      /' "$work/told"
    fi
}

if [ -z "$packages" ]; then
    # One time for all builds, whatever is committed meanwhile.
    SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git -C "$here" log -1 --format=%ct)}
    export SOURCE_DATE_EPOCH
    # From a copy, so that whoever works in the tree meanwhile does not make two builds differ.
    mkdir "$work/tree"
    (cd "$here/../.." && tar -cf - pyproject.toml README.md CHANGELOG.md LICENSE agent collector proto deploy) |
        tar -C "$work/tree" -xf -
    build=$work/tree/deploy/debian/build.sh
    packages=$work/packages
    "$build" --output "$packages"
    "$build" --output "$work/again" --agent-only >/dev/null
    "$build" --output "$work/once-more" --agent-only >/dev/null
    check "two builds give the same package, byte for byte" cmp "$work"/again/*.deb "$work"/once-more/*.deb
fi
agent=$(echo "$packages"/noonmark_*.deb)
collector=$(echo "$packages"/noonmark-collector_*.deb)
check "the agent's package is below 16 MB" test "$(stat -c %s "$agent")" -lt 16000000
# Left out: what a private environment of Python libraries is by its nature, and whoever publishes puts an address.
check "lintian finds no error" lintian --fail-on error --tag-display-limit 3 \
    --suppress-tags embedded-library,unstripped-binary-or-object,package-installs-python-pycache-dir,wrong-path-for-interpreter,bogus-mail-host,bogus-mail-host-in-debian-changelog \
    "$agent"

# The next version, to upgrade to.
next() {
    dpkg-deb -R "$1" "$work/next"
    sed -i "s/^\(Version: .*\)/\1+next/; s/noonmark (= \([^)]*\))/noonmark (= \1+next)/" "$work/next/DEBIAN/control"
    dpkg-deb --root-owner-group -Zgzip -z1 -b "$work/next" "$2" >/dev/null
    rm -rf "$work/next"
}

[ -e "$cache" ] || mmdebstrap --quiet --variant=minbase \
    --include=python3,systemd,systemd-sysv,dbus,iproute2,libstdc++6,zlib1g "$suite" "$cache"
bare=$work/root
mkdir "$bare"
tar -C "$bare" -xf "$cache"
mkdir "$bare/trial"
cp "$agent" "$bare/trial/noonmark.deb"
cp "$collector" "$bare/trial/noonmark-collector.deb"
next "$agent" "$bare/trial/noonmark-next.deb"
next "$collector" "$bare/trial/noonmark-collector-next.deb"

check "both install in a bare root" chroot "$bare" dpkg -i /trial/noonmark.deb /trial/noonmark-collector.deb
check "noonmark --version answers" chroot "$bare" noonmark --version
check "nothing is enabled that nobody asked for" sh -c "! ls $bare/etc/systemd/system/multi-user.target.wants | grep noonmark"
check "without a collector named the agent says what to do" sh -c \
    "chroot $bare noonmark agent --config /etc/noonmark/agent.toml 2>&1 | grep -- --collector"
install -m 755 "$here/trial.sh" "$bare/trial/trial.sh"
cat >"$bare/etc/systemd/system/trial.service" <<'END'
[Unit]
After=multi-user.target dbus.service
[Service]
Type=oneshot
ExecStart=/trial/trial.sh
ExecStopPost=/bin/systemctl --no-block poweroff
StandardOutput=file:/trial/out
StandardError=file:/trial/err
TimeoutStartSec=300
[Install]
WantedBy=multi-user.target
END
ln -s ../trial.service "$bare/etc/systemd/system/multi-user.target.wants/trial.service"
timeout -k 10 400 systemd-nspawn --quiet -D "$bare" --boot --private-network --register=no --keep-unit \
    </dev/null >"$work/console" 2>&1 || true
cat "$bare/trial/out" 2>/dev/null || { echo "FAIL  the guest did not boot" && tail -5 "$work/console"; failed=$((failed + 1)); }
passed=$((passed + $(grep -c '^ok' "$bare/trial/out" || true)))
failed=$((failed + $(grep -c '^FAIL' "$bare/trial/out" || true)))
if ! grep -q '^end' "$bare/trial/out"; then
    failed=$((failed + 1)) && echo "FAIL  the trial did not reach its end" && tail -5 "$bare/trial/err"
fi
echo "$passed passed, $failed failed"
[ "$failed" = 0 ]
