#!/usr/bin/env bash
# Writes a bill of materials of the container in the CycloneDX format (JSON), from the lock file: every
# Python package, its version and hashes. The same lock file gives the same bytes.
#
#   bash deploy/sbom.sh [FILE]                   (default: dist/tidegate-sbom.json)
#
# Debian's packages of the base image are not in it; `dpkg-query -W` in the image lists them.
set -euo pipefail
cd "$(dirname "$0")/.."
output=${1:-dist/tidegate-sbom.json}
mkdir -p "$(dirname "$output")"

tools=$(mktemp -d)
trap 'rm -rf "$tools"' EXIT
python3 -m venv "$tools/venv"
"$tools/venv/bin/pip" install --quiet 'cyclonedx-bom>=7,<8'
# Which package needs which does not stand in a lock file; that the tool says so every time is no news.
PYTHONWARNINGS=ignore "$tools/venv/bin/cyclonedx-py" requirements --pyproject pyproject.toml \
  --mc-type application --output-reproducible --of JSON -o "$output" requirements.lock
echo "$output: $(grep -c '"purl"' "$output") packages."
