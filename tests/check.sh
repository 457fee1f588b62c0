#!/usr/bin/env bash
# Installs the project into an environment of its own (.venv) and runs every check and every test.
#
#   bash tests/check.sh                     tests whose programs are missing are skipped
#   bash tests/check.sh --nothing-skipped   a skipped test counts as a failure
set -euo pipefail
cd "$(dirname "$0")/.."

case "${1:-}" in
  "") nothing_skipped=false ;;
  --nothing-skipped) nothing_skipped=true ;;
  *) echo "check.sh: $1 is unknown; accepted is --nothing-skipped." >&2; exit 2 ;;
esac

# Settings of the keeper's own daemon on this machine must not leak into the tests.
while IFS='=' read -r name _; do
  case "$name" in TIDEGATE_*) unset "$name" ;; esac
done < <(env)

if [ ! -x .venv/bin/python ]; then
  python3 -m venv .venv
fi
.venv/bin/python -m pip install --quiet --disable-pip-version-check -e '.[demo,test]'
# The programs of that environment, and no others of the same name.
PATH=$PWD/.venv/bin:$PATH

# All of them run, so that one visit shows everything that is wrong.
failed=()
check() {
  echo "== $*"
  "$@" || failed+=("$1")
}
check ruff check --output-format concise .
check ruff format --check .
check mypy --strict bridge tests
check lint-imports
if [ ${#failed[@]} -gt 0 ]; then
  echo "check.sh: these failed: ${failed[*]}; the tests run all the same." >&2
fi

report=$(mktemp)
trap 'rm -f "$report"' EXIT
# Its summary is the last that is seen when all is well.
python -m pytest --numprocesses 2 --dist worksteal --junit-xml "$report" || failed+=(pytest)
if $nothing_skipped && ! grep -q 'skipped="0"' "$report"; then
  echo "check.sh: some tests were skipped; the lines above say which and why." >&2
  failed+=(skipped)
fi
[ ${#failed[@]} -eq 0 ]
