#!/usr/bin/env bash
# Renews requirements.lock and requirements-build.lock, from which the container image is made.
# Run it by hand, look at the difference, build the image (deploy/image-check.sh) and commit.
set -euo pipefail
cd "$(dirname "$0")/.."

tools=$(mktemp -d)
trap 'rm -rf "$tools"' EXIT
python3 -m venv "$tools/venv"
"$tools/venv/bin/pip" install --quiet uv

compile() {
  "$tools/venv/bin/uv" --native-tls pip compile --quiet --upgrade --generate-hashes --no-header \
    --python-version 3.11 --python-platform linux --no-emit-index-url \
    --constraint deploy/constraints.txt --output-file "$@"
}
compile requirements.lock --extra metrics --extra page pyproject.toml
# The builder, and what compiles the core.
python3 - <<'PY' | compile requirements-build.lock -
import tomllib

with open("pyproject.toml", "rb") as file:
    project = tomllib.load(file)
hook = project["tool"]["hatch"]["build"]["targets"]["wheel"]["hooks"]["mypyc"]
print(*project["build-system"]["requires"], *hook["dependencies"], sep="\n")
PY
