"""The benchmark command: what it accepts, what it writes, and that seed sets never meet."""

import argparse
from pathlib import Path

import orjson
import pytest

from bridge.commands import benchmark
from bridge.core.errors import UserError
from bridge.simulation.catalogue import SCENARIOS


def arguments(*words: str) -> argparse.Namespace:
    """Parsed words of the command."""
    parser = argparse.ArgumentParser()
    benchmark.add_parser(parser.add_subparsers())
    return parser.parse_args(["benchmark", *words])


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("--causes", "gremlins"), "gremlins"),
        (("--count", "0"), "--count 0"),
        (("--workers", "0"), "--workers 0"),
    ],
)
def test_wrong_arguments_are_named(words: tuple[str, ...], named: str) -> None:
    """A wrong argument is refused with its name and what is accepted."""
    with pytest.raises(UserError, match=named) as caught:
        benchmark.run(arguments(*words))

    assert "accepted" in str(caught.value)


def test_seed_sets_are_disjoint() -> None:
    """No seed of development is one of reporting, however many are asked for."""
    seeds = {
        each: {
            case.seed
            for case in benchmark._cases(  # noqa: SLF001 # the promise is about what is run
                arguments("--seeds", each, "--count", "100000", "--causes", "silent")
            )
        }
        for each in ("development", "reporting")
    }

    assert min(len(each) for each in seeds.values()) == 100_000
    assert not seeds["development"] & seeds["reporting"]


def test_every_kind_is_run_by_default() -> None:
    """Without --causes every scenario of the catalogue and the healthy stretch is run."""
    names = {case.name for case in benchmark._cases(arguments("--quick"))}  # noqa: SLF001

    assert names == {*SCENARIOS, "healthy"}


def test_figures_are_written_beside_the_baselines(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A small run prints the tables and writes the same figures as JSON, for every method."""
    target = tmp_path / "figures.json"
    words = ("--quick", "--causes", "silent,exposed", "--seeds", "development", "--workers", "1")

    assert benchmark.run(arguments(*words, "--output", str(target))) == 0
    written = orjson.loads(target.read_bytes())
    printed = capsys.readouterr().out

    assert written["seeds"] == "development"
    assert set(written["methods"]) == {
        "tidegate",
        "running median, limits",
        "QARTOD by ioos_qc",
    }
    ours = written["methods"]["tidegate"]
    assert ours["scenarios"] == 2
    assert {line["cause"] for line in ours["causes"]} >= {"silent", "exposed"}
    assert "All methods on the same data" in printed
    assert "wrong permits" in printed
