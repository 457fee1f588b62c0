#!/usr/bin/env bash
# Builds the container image and tries it out, without a Docker engine and without a registry of
# images. Takes some minutes, so it is for a release, not for every change.
#
#   apt-get install buildah podman runc mmdebstrap mosquitto mosquitto-clients
#   bash deploy/image-check.sh              (as root, on Debian)
#
# The base image is made here from Debian's packages, slimmed as the official one is. To try another:
#   BASE=debian:bookworm-slim bash deploy/image-check.sh
set -euo pipefail
cd "$(dirname "$0")/.."

LARGEST_MB=250
IMAGE=localhost/tidegate-check
export STORAGE_DRIVER=${STORAGE_DRIVER:-vfs} BUILDAH_ISOLATION=${BUILDAH_ISOLATION:-chroot}

work=$(mktemp -d)
started=()
finish() {
  podman rm --force tidegate-check >/dev/null 2>&1 || true
  for process in "${started[@]}"; do kill "$process" 2>/dev/null || true; done
  rm -rf "$work"
}
trap finish EXIT

say() { printf '\n== %s\n' "$*"; }
fail() { echo "image-check: $*" >&2; exit 1; }

if [ -z "${BASE:-}" ]; then
  say "Making a slim Debian base image"
  without=()
  for folder in doc groff info linda lintian locale man; do
    without+=(--dpkgopt="path-exclude=/usr/share/$folder/*")
  done
  mmdebstrap --quiet --variant=minbase --include=usr-is-merged \
    --hook-dir=/usr/share/mmdebstrap/hooks/merged-usr "${without[@]}" \
    --dpkgopt='path-include=/usr/share/doc/*/copyright' bookworm "$work/base.tar"
  BASE=localhost/debian-slim-check
  container=$(buildah from scratch)
  buildah add --quiet "$container" "$work/base.tar" / >/dev/null
  buildah commit --quiet --rm "$container" "$BASE" >/dev/null
fi

say "Building the image on $BASE"
# Certificates and proxies of this machine are lent to the build and are not in the image.
printf '[global]\ncert = /usr/lib/lent-certificates.crt\n' > "$work/pip.conf"
buildah bud --quiet --format docker --build-arg BASE="$BASE" \
  --volume "$work/pip.conf:/etc/pip.conf:ro" \
  --volume /etc/ssl/certs/ca-certificates.crt:/usr/lib/lent-certificates.crt:ro \
  --tag "$IMAGE" . >/dev/null

bytes=$(podman image inspect --format '{{.Size}}' "$IMAGE")
megabytes=$((bytes / 1000000))
echo "The image has $megabytes MB."
[ "$megabytes" -lt "$LARGEST_MB" ] || fail "the image has $megabytes MB; allowed are $LARGEST_MB"

# As compose.yaml runs it; the ulimits only so that it works inside another sandbox too.
run=(podman --runtime runc run --name tidegate-check --network host --no-healthcheck --init=false
  --read-only --read-only-tmpfs=false --cap-drop all --security-opt no-new-privileges
  --ulimit nofile=1024:1024 --ulimit nproc=1000:1000 --tmpfs "/tmp:size=16m,mode=1777")

say "Trying it as compose.yaml runs it: read-only, without capabilities"
"${run[@]}" --rm "$IMAGE" --version
"${run[@]}" --rm "$IMAGE" convert 35 psu >/dev/null
# shellcheck disable=SC2016 # the shell in the container is to expand these
"${run[@]}" --rm --entrypoint /bin/sh "$IMAGE" -c '
  set -e
  test "$(id -u)" = 10001
  grep -q "^CapEff:[[:space:]]*0*$" /proc/self/status
  if touch /opt/tidegate/here 2>/dev/null; then echo "the root file system can be written"; exit 1; fi
  for tool in pip pip3 gcc cc ld strip hatchling; do
    if command -v "$tool"; then echo "$tool is in the image"; exit 1; fi
  done
  ! python -c "import pip" 2>/dev/null
' || fail "the image gives away more than it should"

say "Running the daemon against a broker"
port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
printf 'listener %s 127.0.0.1\nallow_anonymous true\npersistence false\n' "$port" > "$work/broker.conf"
PATH=$PATH:/usr/sbin mosquitto -c "$work/broker.conf" >/dev/null 2>&1 &
started+=($!)
sleep 1
"${run[@]}" --detach \
  --env TIDEGATE_BROKER__HOST=127.0.0.1 --env TIDEGATE_BROKER__PORT="$port" \
  --volume "$PWD/config/minimal.toml:/etc/tidegate/tidegate.toml:ro" "$IMAGE" >/dev/null

state() { mosquitto_sub -p "$port" -t tidegate/state -C 1 -W 2 2>/dev/null || true; }
healthy() { podman exec tidegate-check "${check[@]}"; }
mapfile -t check < <(podman image inspect --format '{{range .HealthCheck.Test}}{{println .}}{{end}}' "$IMAGE" \
  | grep -v -e '^CMD$' -e '^$')

for _ in $(seq 20); do [ "$(state)" = ready ] && break; sleep 0.5; done
[ "$(state)" = ready ] || { podman logs tidegate-check; fail "the daemon does not get ready"; }
healthy || fail "the health check fails although the daemon is ready"

mosquitto_pub -p "$port" -t sump/temperature -m 25.4
( sleep 1; mosquitto_pub -p "$port" -t sump/salinity -m 34.9 ) &
grep -q -m 1 '"reported":34.9' < <(mosquitto_sub -p "$port" -t tidegate/reef/salinity -W 15 2>/dev/null) \
  || fail "a reading is not answered"
podman exec tidegate-check test -s /data/tidegate-data/history.sqlite3 \
  || fail "the history is not kept on the volume"

say "Freezing it: the health check must notice"
process=$(podman inspect --format '{{.State.Pid}}' tidegate-check)
kill -STOP "$process"
sleep 17
if healthy; then fail "a frozen daemon passes the health check"; fi
kill -CONT "$process"
sleep 3
healthy || fail "the daemon does not come back"

say "Stopping it: it must say goodbye in time"
begin=$(date +%s%N)
podman stop --time 10 tidegate-check >/dev/null
took_ms=$((($(date +%s%N) - begin) / 1000000))
code=$(podman inspect --format '{{.State.ExitCode}}' tidegate-check)
[ "$code" = 0 ] || fail "it ended with $code"
[ "$took_ms" -lt 6000 ] || fail "it took $took_ms ms to end"
[ "$(state)" = disconnected ] || fail "its last word was $(state)"
echo "It ended with 0 after $took_ms ms."

say "The image is sound: $megabytes MB"
