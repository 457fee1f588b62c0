"""Asks a database of advisories about every package that the container installs.

    python3 deploy/audit.py

It makes an environment for itself and installs pip-audit there. Exit code 0: every package was
looked up, and nothing is known against it. 1: something is known. 3: the database could not be
reached, or does not know some packages; then nothing is known, which is not the same as nothing
being wrong.
"""

import json
import subprocess
import sys
import tempfile
import venv
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
LOCKS = ("requirements.lock", "requirements-build.lock")
DATABASES: dict[str, tuple[str, ...]] = {"pip-audit's own choice": (), "osv": ("-s", "osv")}
"""Options that choose one; the second is asked when the first does not answer."""
CLEAN, KNOWN, NOT_ASKED = 0, 1, 3


def verdict(reports: list[dict[str, Any]]) -> tuple[int, list[str]]:
    """Exit code and sentences for what pip-audit wrote as JSON, one report a lock file."""
    packages = [each for report in reports for each in report.get("dependencies", ())]
    unasked = [each["name"] for each in packages if "skip_reason" in each]
    said = [
        f"{each['name']} {each['version']}: {advisory['id']}, mended in "
        f"{', '.join(advisory['fix_versions']) or 'no version yet'}."
        for each in packages
        for advisory in each.get("vulns", ())
    ]
    if unasked or not packages:
        names = ", ".join(sorted(set(unasked))) or "all of them"
        said.append(f"NOT AUDITED, so that nothing is known of them: {names}.")
    if said and any("NOT AUDITED" not in each for each in said):
        return KNOWN, said
    if said:
        return NOT_ASKED, said
    return CLEAN, [f"{len(packages)} packages looked up; nothing is known against them."]


def ask(program: Path, database: str) -> list[dict[str, Any]] | None:
    """A report for each lock file, or None when the database does not answer."""
    reports = []
    for lock in LOCKS:
        words = ["--require-hashes", "--disable-pip", "--progress-spinner", "off", "-f", "json"]
        done = subprocess.run(  # noqa: S603 # fixed words
            [str(program), *words, *DATABASES[database], "-r", str(ROOT / lock)],
            capture_output=True,
            text=True,
            check=False,
        )
        try:
            reports.append(json.loads(done.stdout))
        except json.JSONDecodeError:
            last = (done.stderr.strip().splitlines() or ["no answer"])[-1]
            sys.stderr.write(f"audit.py: {database} was not reached: {last}\n")
            return None
    return reports


def main() -> int:
    """Audit and tell."""
    with tempfile.TemporaryDirectory() as directory:
        venv.create(directory, with_pip=True)
        python = Path(directory) / "bin" / "python"
        subprocess.run(  # noqa: S603 # fixed words
            [str(python), "-m", "pip", "install", "--quiet", "pip-audit>=2.9,<3"], check=True
        )
        code, said = NOT_ASKED, ["NOT AUDITED: no database of advisories could be reached."]
        for database in DATABASES:
            reports = ask(python.with_name("pip-audit"), database)
            if reports is not None:
                code, said = verdict(reports)
                if code != NOT_ASKED:
                    break
    sys.stdout.write("\n".join(said) + "\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
