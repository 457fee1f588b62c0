"""The command line finds commands and turns errors into sentences and exit codes."""

import argparse

import pytest

from bridge import __version__
from bridge.cli import COMMANDS, main
from bridge.commands import convert
from bridge.core.errors import UserError

WORDS = ["convert", "35", "psu"]


def fail_with(error: BaseException, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the command raise an error."""

    def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
        def run(_arguments: argparse.Namespace) -> int:
            raise error

        parser = subparsers.add_parser("convert")
        parser.add_argument("rest", nargs="*")
        parser.set_defaults(run=run)

    monkeypatch.setattr(convert, "add_parser", add_parser)


def test_every_command_has_its_help(capsys: pytest.CaptureFixture[str]) -> None:
    """The help lists each command, and each command can be asked for its own."""
    with pytest.raises(SystemExit) as stopped:
        main(["--help"])

    assert stopped.value.code == 0
    out = capsys.readouterr().out
    for name in COMMANDS:
        assert name in out
        with pytest.raises(SystemExit) as stopped:
            main([name, "--help"])
        assert stopped.value.code == 0


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    """The version is the package's."""
    with pytest.raises(SystemExit) as stopped:
        main(["--version"])

    assert stopped.value.code == 0
    assert capsys.readouterr().out == f"tidegate {__version__}\n"


@pytest.mark.parametrize("words", [[], ["no-such-command"], ["convert", "x", "psu"], ["convert"]])
def test_wrong_usage(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    """Wrong usage ends with code 2 and a usage line."""
    with pytest.raises(SystemExit) as stopped:
        main(words)

    assert stopped.value.code == 2
    assert "usage: tidegate" in capsys.readouterr().err


def test_a_mistake_of_the_user(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends with code 2 and its sentence alone."""
    fail_with(UserError("tank.toml: volume_l is -1; it must be above 0"), monkeypatch)

    assert main(WORDS) == 2
    assert capsys.readouterr().err == "tidegate: tank.toml: volume_l is -1; it must be above 0\n"


def test_a_failure_of_the_work(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends with code 1 and says where the details are."""
    fail_with(RuntimeError("disk full"), monkeypatch)

    assert main(WORDS) == 1
    error = capsys.readouterr().err
    assert "disk full" in error
    assert "--debug" in error
    assert "Traceback" not in error


@pytest.mark.parametrize("error", [UserError("wrong"), RuntimeError("broken")])
@pytest.mark.parametrize("words", [["--debug", *WORDS], [*WORDS, "--debug"]])
def test_debug_shows_where(
    error: Exception, words: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With --debug, before or behind the command, the error comes through as it is."""
    fail_with(error, monkeypatch)

    with pytest.raises(type(error)):
        main(words)


def test_interrupted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C is no success."""
    fail_with(KeyboardInterrupt(), monkeypatch)

    assert main(WORDS) == 1
