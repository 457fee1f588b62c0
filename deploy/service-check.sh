#!/usr/bin/env bash
# Boots a small Debian with systemd in a container and tries tidegate.service in it: that it starts with
# all its restrictions, answers a reading, is restarted when it hangs, says goodbye, and is not tried
# again over a wrong configuration. Takes some minutes, so it is for a release, not for every change.
#
#   apt-get install mmdebstrap systemd-container
#   bash deploy/service-check.sh            (as root, on Debian)
set -euo pipefail
cd "$(dirname "$0")/.."

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
tree=$work/tree

echo "== Making a Debian with systemd and a broker"
mmdebstrap --quiet --variant=minbase \
  --include=usr-is-merged,systemd-sysv,python3-venv,ca-certificates,mosquitto,mosquitto-clients \
  --hook-dir=/usr/share/mmdebstrap/hooks/merged-usr bookworm "$tree" >/dev/null 2>&1

echo "== Installing Tidegate as the unit says"
mkdir "$tree/src"
cp -r bridge pyproject.toml README.md LICENSE "$tree/src"
cp /etc/resolv.conf "$tree/etc/resolv.conf"
# Certificates of this machine are lent to the tree.
cp /etc/ssl/certs/ca-certificates.crt "$tree/root/lent-certificates.crt"
printf '[global]\ncert = /root/lent-certificates.crt\n' > "$tree/etc/pip.conf"
inside() { env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin chroot "$tree" "$@"; }
inside python3 -m venv /opt/tidegate
inside /opt/tidegate/bin/pip install --quiet /src
install -D -m 0644 config/minimal.toml "$tree/etc/tidegate/tidegate.toml"
sed -i 's/^host = .*/host = "127.0.0.1"\nusername = "tidegate"/' "$tree/etc/tidegate/tidegate.toml"
# With the password as a credential, as the unit's first lines describe.
sed 's/^#\(LoadCredential\|Environment\)=/\1=/' deploy/tidegate.service \
  > "$tree/etc/systemd/system/tidegate.service"
(umask 077 && echo invented > "$tree/etc/tidegate/broker-password")

cat > "$tree/root/try.sh" <<'TRY'
#!/bin/bash
exec > /root/report 2>&1
expect() { # what, wanted, found
  if [ "$2" = "$3" ]; then echo "ok    $1: $3"; else echo "WRONG $1: $3 instead of $2"; fi
}
property() { systemctl show --property "$1" --value tidegate; }
hear() { mosquitto_sub -h 127.0.0.1 -u hub -P hub -t "$1" -C 1 -W 5; }
say() { mosquitto_pub -h 127.0.0.1 -u hub -P hub -t "$1" -m "$2"; }

systemctl stop mosquitto
printf 'tidegate:invented\nhub:hub\n' > /run/names
mosquitto_passwd -U /run/names
printf 'user root\nlistener 1883 127.0.0.1\nallow_anonymous false\npassword_file /run/names\n' > /run/broker
/usr/sbin/mosquitto -c /run/broker 2>/dev/null &
sleep 1

systemctl start tidegate
expect "it is" active "$(systemctl is-active tidegate)"
sleep 8
expect "its word" ready "$(hear tidegate/state)"
say sump/temperature 25.4; sleep 1; say sump/salinity 34.9; sleep 2
expect "it answers" '"reported":34.9' "$(hear tidegate/reef/salinity | grep -o '"reported":34.9')"
main=$(property MainPID)
expect "its capabilities" 0000000000000000 "$(sed -n 's/^CapEff:\s*//p' "/proc/$main/status")"
expect "its system calls are filtered" 2 "$(sed -n 's/^Seccomp:\s*//p' "/proc/$main/status")"
expect "the history's mode" 600 "$(stat -c %a /var/lib/private/tidegate/tidegate-data/history.sqlite3)"

kill -STOP "$main"
sleep 42
expect "restarts after it hung" 1 "$(property NRestarts)"
sleep 8
expect "its word after that" ready "$(hear tidegate/state)"
systemctl stop tidegate
expect "its last word" disconnected "$(hear tidegate/state)"
expect "it ended with" success "$(property Result)"

sed -i '1i nonsense = 1' /etc/tidegate/tidegate.toml
systemctl start tidegate
sleep 8
expect "code for a wrong configuration" 2 "$(property ExecMainStatus)"
expect "tries again with it" 0 "$(property NRestarts)"
echo "the end"
journalctl --unit tidegate --no-pager > /root/journal
poweroff
TRY
chmod +x "$tree/root/try.sh"
printf '[Unit]\nAfter=multi-user.target\n[Service]\nType=oneshot\nExecStart=/root/try.sh\n' \
  > "$tree/etc/systemd/system/try.service"
mkdir -p "$tree/etc/systemd/system/multi-user.target.wants"
ln -s ../try.service "$tree/etc/systemd/system/multi-user.target.wants/try.service"

echo "== Booting it"
timeout 300 systemd-nspawn --quiet --keep-unit --register=no --private-network \
  --directory "$tree" --boot >"$work/boot.log" 2>&1 </dev/null || true
cat "$tree/root/report"
if grep -q '^WRONG' "$tree/root/report" || ! grep -q '^the end$' "$tree/root/report"; then
  cat "$tree/root/journal" 2>/dev/null || tail -n 40 "$work/boot.log"
  echo "service-check: the service does not do what it should." >&2
  exit 1
fi
