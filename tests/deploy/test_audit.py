"""The audit of dependencies never takes "not asked" for "nothing found"."""

import importlib.util
from pathlib import Path
from typing import Any

import pytest

SCRIPT = Path(__file__).parents[2] / "deploy" / "audit.py"
specification = importlib.util.spec_from_file_location("audit", SCRIPT)
assert specification is not None
assert specification.loader is not None
audit = importlib.util.module_from_spec(specification)
specification.loader.exec_module(audit)

SOUND = {"name": "sound", "version": "1.0", "vulns": []}
UNASKED = {"name": "unasked", "skip_reason": "Dependency not found"}
KNOWN = {
    "name": "known",
    "version": "2.0",
    "vulns": [{"id": "X-2026-1", "fix_versions": ["2.1"]}, {"id": "X-2026-2", "fix_versions": []}],
}


@pytest.mark.parametrize(
    ("packages", "code", "parts"),
    [
        ([SOUND], 0, ["1 packages looked up"]),
        ([SOUND, UNASKED], 3, ["NOT AUDITED", "unasked"]),
        ([], 3, ["NOT AUDITED", "all of them"]),
        ([SOUND, KNOWN], 1, ["known 2.0: X-2026-1, mended in 2.1.", "no version yet"]),
        ([UNASKED, KNOWN], 1, ["X-2026-1", "NOT AUDITED", "unasked"]),
    ],
)
def test_every_outcome_is_told_apart(
    packages: list[dict[str, Any]], code: int, parts: list[str]
) -> None:
    """Clean, known, and not asked have a code of their own; the form is pip-audit's JSON."""
    found, said = audit.verdict([{"dependencies": packages, "fixes": []}])

    assert found == code
    for part in parts:
        assert part in "\n".join(said)
