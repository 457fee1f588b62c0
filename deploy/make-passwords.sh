#!/usr/bin/env bash
# Draws a password for every name in mosquitto/acl and writes them, readable by you alone:
#   secrets/NAME        the password of NAME, for its own configuration
#   secrets/passwords   all of them, hashed, for the broker
#   secrets/page-token  what the page asks for at the log-in
# Needs the program mosquitto_passwd (Debian's package mosquitto has it). Existing passwords stay.
set -euo pipefail
cd "$(dirname "$0")"

hash_with=$(command -v mosquitto_passwd) || {
  echo "make-passwords.sh: mosquitto_passwd is missing; install the package mosquitto." >&2
  exit 1
}
directory=${1:-secrets}
mkdir -p "$directory"
# The folder keeps others out. The files are readable to all, because in the containers their
# readers are other users than you.
chmod 700 "$directory"
umask 022
plain=$directory/passwords.new
: > "$plain"
draw() {
  if [ ! -s "$directory/$1" ]; then
    head -c 24 /dev/urandom | base64 | tr '+/' '-_' > "$directory/$1"
  fi
}
draw page-token
while read -r name; do
  draw "$name"
  printf '%s:%s\n' "$name" "$(cat "$directory/$name")" >> "$plain"
done < <(sed -n 's/^user //p' mosquitto/acl)
"$hash_with" -U "$plain"
mv "$plain" "$directory/passwords"
echo "Passwords are in $PWD/${directory#"$PWD/"}; keep them out of backups that others read."
