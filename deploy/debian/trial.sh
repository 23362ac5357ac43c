#!/bin/sh
# Runs inside the booted guest of test-package.sh: the services as their units say, then upgrade, removal, purge.
set -u
check() { # WORDS COMMAND...
    words=$1
    shift
    if "$@" >/trial/told 2>&1; then
        echo "ok    $words"
    else
        echo "FAIL  $words" && tail -n 4 /trial/told | sed 's/^/      /'
        journalctl --no-pager -q -b -o cat -n 8 -u noonmark-agent -u noonmark-collector | sed 's/^/      | /'
    fi
}
within() { # SECONDS COMMAND...
    left=$1
    shift
    until "$@"; do
        left=$((left - 1))
        [ "$left" -gt 0 ] || return 1
        sleep 1
    done
}
property() { systemctl show --property="$2" --value "$1"; }
cat >/trial/page.py <<'END'
import sys, urllib.request
print(urllib.request.urlopen(sys.argv[1], timeout=5).read().decode())
END
ip link set lo up
cat >/etc/noonmark/agent.toml <<END
host = "quay-gate-1"
collector = ["127.0.0.1:18621"]
bind = ["127.0.0.1:18620"]
END
cat >/etc/noonmark/collector.toml <<END
listen = "127.0.0.1:18621"
reference = ["quay-gate-1=100ns"]
tick = "1s"
END
mkdir -p /etc/systemd/system/noonmark-agent.service.d
printf '[Service]\nWatchdogSec=4s\nRestartSec=1s\n' >/etc/systemd/system/noonmark-agent.service.d/trial.conf
systemctl daemon-reload

check "the collector starts and says that it is ready" systemctl enable --now noonmark-collector
check "the agent starts and says that it is ready" systemctl enable --now noonmark-agent
# A second host, to have somebody to probe.
noonmark agent --host quay-gate-2 --collector 127.0.0.1:18621 --bind 127.0.0.2:18620 --metrics off 2>/trial/second &
second=$!
check "both hosts are measured" within 60 sh -c \
    'noonmark fleet --collector 127.0.0.1:18621 --json 2>/dev/null | grep -A3 quay-gate-2 | grep -q measured'
check "the agent runs as nobody known" sh -c '[ "$(stat -c %u /proc/$(systemctl show -P MainPID noonmark-agent))" -gt 60000 ]'
check "without any capability" sh -c \
    'grep -q "CapEff:.0000000000000000" /proc/$(systemctl show -P MainPID noonmark-agent)/status'
check "and the kernel stamps" sh -c 'journalctl -b -u noonmark-agent -o cat | grep "receive and transmit"'
check "its metrics are served" sh -c 'python3 /trial/page.py http://127.0.0.1:18622/metrics | grep probes_completed'
check "the kernel's view of the clock is read under the filter" sh -c \
    '! journalctl -u noonmark-agent -b | grep -iE "adjtime|not permitted"'
check "the collector knows that view" sh -c 'noonmark fleet --collector 127.0.0.1:18621 --json | grep -q claimed_error'
check "the shared record can be read by others" within 15 su -s /bin/sh nobody -c 'test -s /run/noonmark/time'
check "history lies in the state folder" test -s /var/lib/noonmark/history.sqlite
check "the page is served" python3 /trial/page.py http://127.0.0.1:18623/healthz
resident() { sed -n 's/^VmRSS:[^0-9]*\([0-9]*\) kB/\1/p' "/proc/$(property "$1" MainPID)/status"; }
threads() { ls "/proc/$(property "$1" MainPID)/task" | wc -l; }
check "the agent's memory is below 64 MB" test "$(resident noonmark-agent)" -lt 65536
echo "      agent $(resident noonmark-agent) kB, $(threads noonmark-agent) threads;" \
    "collector $(resident noonmark-collector) kB, $(threads noonmark-collector) threads"

before=$(property noonmark-agent NRestarts)
kill -STOP "$(property noonmark-agent MainPID)"
restarted() { [ "$(property noonmark-agent NRestarts)" -gt "$before" ] && systemctl -q is-active noonmark-agent; }
check "an agent that hangs is started anew by its watchdog" within 40 restarted
kill -KILL "$(property noonmark-collector MainPID)"
check "a collector that was killed comes back" within 40 sh -c \
    'sleep 6; noonmark fleet --collector 127.0.0.1:18621 --json | grep -q measured'

# The same secured: the fleet's own authority, an identity that the agent can renew, and one handed over by systemd.
systemctl stop noonmark-agent noonmark-collector
noonmark authority init --folder /var/lib/private/noonmark/authority --name 127.0.0.1 >/trial/authority 2>&1
chown -R --reference=/var/lib/private/noonmark /var/lib/private/noonmark/authority
sed -i '/^listen/d' /etc/noonmark/collector.toml
echo 'listen = "127.0.0.1:18621"
authority = "/var/lib/noonmark/authority"' >>/etc/noonmark/collector.toml
check "with an authority in its own folder the collector starts" systemctl start noonmark-collector
noonmark authority token --folder /var/lib/private/noonmark/authority quay-gate-1 2>/dev/null |
    grep -o 'noonmark[^ ]*' | tail -1 >/trial/token
chown -R --reference=/var/lib/private/noonmark /var/lib/private/noonmark/authority
check "a host enrols" noonmark enrol --collector 127.0.0.1 --token-file /trial/token --name quay-gate-1 \
    --folder /var/lib/private/noonmark-agent/identity
cp /usr/share/noonmark/agent-identity.conf /etc/systemd/system/noonmark-agent.service.d/identity.conf
systemctl daemon-reload
check "the agent starts with its identity" systemctl start noonmark-agent
connected() { journalctl -b -u noonmark-collector -o cat --since "$1" | grep -q 'host connected host=quay-gate-1'; }
check "and the collector knows it by its certificate" within 20 connected -1min
check "its key is its own" sh -c '[ "$(stat -c %U /var/lib/private/noonmark-agent/identity/identity.pem)" != root ]'
mkdir -p /etc/noonmark/identity
cp /var/lib/private/noonmark-agent/identity/*.pem /etc/noonmark/identity
chmod 600 /etc/noonmark/identity/*
cat >/etc/systemd/system/noonmark-agent.service.d/identity.conf <<END
[Service]
LoadCredential=identity.pem:/etc/noonmark/identity/identity.pem
LoadCredential=authority.pem:/etc/noonmark/identity/authority.pem
Environment=NOONMARK_AGENT_IDENTITY=%d
END
systemctl daemon-reload
started=$(date '+%F %T')
check "an agent takes its identity as systemd's credentials" systemctl restart noonmark-agent
check "and is known by it too" within 20 connected "$started"

main=$(property noonmark-agent MainPID)
check "an upgrade installs" dpkg -i /trial/noonmark-next.deb /trial/noonmark-collector-next.deb
check "what ran goes on, started anew" sh -c "systemctl -q is-active noonmark-agent noonmark-collector && \
    [ \$(systemctl show -P MainPID noonmark-agent) != $main ]"
check "settings are kept" grep -q quay-gate-1 /etc/noonmark/agent.toml

kill "$second"
check "removal" dpkg -r noonmark-collector noonmark
check "stops the services" sh -c '! systemctl -q is-active noonmark-agent && ! systemctl -q is-active noonmark-collector'
check "takes the command away" test ! -e /usr/bin/noonmark
check "keeps settings" test -e /etc/noonmark/agent.toml
dpkg -P noonmark-collector noonmark >/trial/purge 2>&1
check "a purge says where history is" grep -q 'history is kept in' /trial/purge
rm -rf /etc/noonmark/identity # not the package's
rmdir /etc/noonmark 2>/dev/null
check "and takes all else away" sh -c '! ls -d /etc/noonmark /usr/lib/noonmark /run/noonmark 2>/dev/null'
check "no unit is left enabled" sh -c '! ls /etc/systemd/system/multi-user.target.wants | grep noonmark'
echo "end"
