"""The container installs versions that the package itself would accept."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
PIN = re.compile(
    r"^([a-z0-9.-]+)==([^ ]+) \\\n((?: +--hash=sha256:[0-9a-f]{64}(?: \\)?\n)+)", re.MULTILINE
)


def pins(name: str) -> dict[str, tuple[str, int]]:
    """Version and number of hashes for each package of a lock file."""
    text = (ROOT / name).read_text(encoding="utf-8")
    return {match[1]: (match[2], match[3].count("--hash")) for match in PIN.finditer(text + "\n")}


def normal(name: str) -> str:
    """A package's name as lock files spell it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
WANTED = [
    *PROJECT["project"]["dependencies"],
    *PROJECT["project"]["optional-dependencies"]["metrics"],
    *PROJECT["project"]["optional-dependencies"]["page"],
]


@pytest.mark.parametrize("wanted", WANTED)
def test_the_lock_keeps_to_the_ranges(wanted: str) -> None:
    """Each dependency is pinned to a version within the range of pyproject.toml."""
    requirement = Requirement(wanted)

    pinned = pins("requirements.lock").get(normal(requirement.name))

    assert pinned is not None, f"run deploy/lock.sh: {requirement.name} is not in the lock"
    assert requirement.specifier.contains(pinned[0]), f"run deploy/lock.sh: {wanted} is {pinned[0]}"


def test_the_builder_is_the_one_that_the_package_asks_for() -> None:
    """The container builds with the build system that pyproject.toml names."""
    hook = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]["hooks"]["mypyc"]
    for wanted in [*PROJECT["build-system"]["requires"], *hook["dependencies"]]:
        requirement = Requirement(wanted)
        assert requirement.specifier.contains(
            pins("requirements-build.lock")[normal(requirement.name)][0]
        )


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-build.lock"])
def test_every_pin_can_be_looked_into(name: str) -> None:
    """Each pin has a wheel and a source archive, and the file names no place to fetch it from."""
    text = (ROOT / name).read_text(encoding="utf-8")
    found = pins(name)

    assert len(found) == len(re.findall(r"^[a-z0-9]\S*==", text, re.MULTILINE)) > 0
    assert [package for package, (_, hashes) in found.items() if hashes < 2] == []
    assert "://" not in text
    assert "--index" not in text
