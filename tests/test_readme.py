"""What the pages tell the reader to do can be done."""

import argparse
import os
import re
import shlex
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge import __version__
from bridge.cli import COMMANDS, main
from bridge.shell.config import load

ROOT = Path(__file__).parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"```(\w*)\n(.*?)```", re.DOTALL)
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")


def command_lines(text: str) -> list[list[str]]:
    """Every call of tidegate in the blocks of a page, as words."""
    lines = [
        line.strip()
        for kind, block in BLOCK.findall(text.replace("\n   ", "\n"))
        if not kind
        for line in block.splitlines()
    ]
    return [
        shlex.split(line, comments=True)[1:]
        for line in lines
        if re.match(r"(\S*/bin/)?tidegate [a-z]", line)
    ]


CALLS = [
    pytest.param(words, id=f"{page.name}: {' '.join(words)}")
    for page in PAGES
    for words in command_lines(page.read_text(encoding="utf-8"))
]


def parsers(monkeypatch: pytest.MonkeyPatch) -> dict[str, argparse.ArgumentParser]:
    """The parser of every subcommand, by name; filled when the command line is read."""
    found: dict[str, argparse.ArgumentParser] = {}
    add: Callable[..., argparse.ArgumentParser] = argparse._SubParsersAction.add_parser  # noqa: SLF001

    def note(
        self: "argparse._SubParsersAction[argparse.ArgumentParser]",
        name: str,
        **options: object,
    ) -> argparse.ArgumentParser:
        found[name] = parser = add(self, name, **options)
        return parser

    monkeypatch.setattr(argparse._SubParsersAction, "add_parser", note)  # noqa: SLF001
    return found


def test_the_pages_show_commands() -> None:
    """The search below finds what it is made for."""
    assert ["check", "--config", "tidegate.toml"] in command_lines(README)
    assert len(CALLS) > 10


@pytest.mark.parametrize("words", CALLS)
def test_commands_and_options_exist(words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Each subcommand shown is there and knows the options shown."""
    found = parsers(monkeypatch)
    assert words[0] in COMMANDS

    with pytest.raises(SystemExit) as stopped:
        main([words[0], "--help"])

    assert stopped.value.code == 0
    known = {option for parser in found.values() for option in parser._option_string_actions}  # noqa: SLF001
    assert {word for word in words if word.startswith("--")} <= known


OFFLINE = [
    "convert 1.025 sg --reference 60F/60F",
    "plan --from 36.2 --to 35 --volume 400",
    "reference check --instrument optical-refractometer-sea-water --reading 35.5 --unit psu",
]


@pytest.mark.parametrize("line", OFFLINE)
def test_commands_that_need_nothing_run(line: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The examples of the README that need no broker succeed as they stand there."""
    assert f"tidegate {line}" in README

    assert main(shlex.split(line)) == 0
    assert capsys.readouterr().out


def test_the_first_configuration_is_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The configuration in the README passes the check that the README asks for."""
    [toml] = [block for kind, block in BLOCK.findall(README) if kind == "toml"]
    path = tmp_path / "tidegate.toml"
    path.write_text(re.sub(r"(?m)^   ", "", toml), encoding="utf-8")

    assert main(["check", "--config", str(path)]) == 0
    assert "sound; 1 tank" in capsys.readouterr().out
    assert load(path) == load(ROOT / "config" / "minimal.toml")


def test_the_test_command_is_what_ci_runs() -> None:
    """README, developers' guide and CI call one and the same script."""
    assert "\nbash tests/check.sh\n" in README
    assert "exec bash tests/check.sh" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    """Every link to a file of the project, and to a heading in it, exists."""
    broken = []
    for target in LINK.findall(page.read_text(encoding="utf-8")):
        if "://" in target:
            continue
        path, _, heading = target.partition("#")
        file = (page.parent / path).resolve() if path else page
        if not file.exists() or (heading and heading not in headings(file)):
            broken.append(target)

    assert broken == []


def headings(page: Path) -> set[str]:
    """Anchors of a page's headings, as hosts of Markdown make them."""
    lines = re.findall(r"(?m)^#+ (.+)$", page.read_text(encoding="utf-8"))
    return {re.sub(r"[^\w\- ]", "", line).strip().lower().replace(" ", "-") for line in lines}


def test_the_changelog_knows_what_is_released() -> None:
    """There is room for what comes next, and safety has its own heading."""
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")

    assert "## [Unreleased]" in text
    assert "### Safety" in text
    assert __version__ == "0.1.0" or f"## [{__version__}]" in text


@pytest.mark.parametrize("script", sorted(ROOT.glob("**/*.sh")), ids=lambda path: path.name)
def test_scripts_can_be_read_by_the_shell(script: Path) -> None:
    """No script has an error of syntax, and each stops at the first failure."""
    if ".venv" in script.parts:
        return
    subprocess.run(["bash", "-n", str(script)], check=True)  # noqa: S603, S607 # reads only
    assert "\nset -euo pipefail\n" in script.read_text(encoding="utf-8")
