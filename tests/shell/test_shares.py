"""The tanks of one site, shared among several daemons."""

from pathlib import Path

import pytest

from bridge.cli import main
from bridge.shell.config import load, load_with_sources, parse
from bridge.shell.config_problems import ConfigurationError

TANK = """
[tanks.{name}]
volume_l = 100
[tanks.{name}.probe]
topic = "in/{name}/probe"
unit = "psu"
reports = "salinity"
[tanks.{name}.thermometer]
topic = "in/{name}/water"
"""
HEAD = '[broker]\nhost = "broker.example"\n'
TANKS = "".join(TANK.format(name=name) for name in ("a", "b", "c"))
SHARES = '[shares.left]\ntanks = ["a", "c"]\n[shares.right]\ntanks = ["b"]\n'


@pytest.fixture
def shared(tmp_path: Path) -> Path:
    """Three tanks in two shares."""
    path = tmp_path / "site.toml"
    path.write_text(HEAD + SHARES + TANKS, encoding="utf-8")
    return path


def refusal(text: str) -> str:
    """What is said to a configuration that cannot be used."""
    with pytest.raises(ConfigurationError) as refused:
        parse((HEAD + text + TANKS).encode(), file="site.toml", environment={})
    return str(refused.value)


def test_each_share_has_everything_of_its_own(shared: Path) -> None:
    """Tanks, base topic, client id and history differ, so that two daemons never meet."""
    left = load_with_sources(shared, {}, share="left").configuration
    right = load(shared, {"TIDEGATE_SHARE": "right"})

    assert (list(left.tanks), list(right.tanks)) == (["a", "c"], ["b"])
    assert (left.base_topic, right.base_topic) == ("tidegate/left", "tidegate/right")
    assert (left.broker.client_id, right.broker.client_id) == ("tidegate-left", "tidegate-right")
    assert left.storage.path == "tidegate-data/history-left.sqlite3"
    assert left.notify.path == "tidegate-data/alerts-left.sqlite3"
    assert right.storage.path == "tidegate-data/history-right.sqlite3"


def test_a_whole_site_is_no_configuration_for_a_daemon(shared: Path) -> None:
    """Without a share named, a daemon would control what others control."""
    with pytest.raises(ConfigurationError, match="--share or TIDEGATE_SHARE"):
        load(shared, {})


def test_run_says_which_shares_there_are(
    shared: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both mistakes of the command line end with 2 and a sentence."""
    monkeypatch.chdir(shared.parent)

    assert main(["run", "--config", str(shared)]) == 2
    assert "left, right" in capsys.readouterr().err
    assert main(["run", "--config", str(shared), "--share", "middle"]) == 2
    assert "no share 'middle'; accepted are left, right" in capsys.readouterr().err
    for words in (
        ["record", "--output", "x.jsonl"],
        ["report", "--last", "7d", "--output", "x.html"],
        ["export", "--output", "x.csv"],
    ):
        assert main([*words, "--config", str(shared)]) == 2
        assert "--share or TIDEGATE_SHARE" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[shares.l]\ntanks = ["a", "b"]\n[shares.r]\ntanks = ["b", "c"]\n', "share l already"),
        ('[shares.l]\ntanks = ["a", "a", "b", "c"]\n', "a is twice"),
        ('[shares.l]\ntanks = ["a", "b"]\n', "no share has c"),
        ('[shares.l]\ntanks = ["a", "b", "c", "d"]\n', '"d" is not a tank'),
        ("[shares.l]\ntanks = []\n", "shares.l.tanks"),
        ('[shares.L]\ntanks = ["a", "b", "c"]\n', "small letters"),
        ("[shares.l]\ntanks = [1]\n", "shares.l.tanks"),
    ],
)
def test_what_would_control_twice_or_not_at_all_is_refused(text: str, said: str) -> None:
    """Every tank is in exactly one share."""
    assert said in refusal(text)


def test_a_share_that_does_not_exist_is_refused() -> None:
    """Also when it comes from the file or the environment."""
    with pytest.raises(ConfigurationError, match="is not a share"):
        parse((HEAD + SHARES + TANKS).encode(), file="f", environment={"TIDEGATE_SHARE": "up"})
    with pytest.raises(ConfigurationError, match=r"there is no \[shares"):
        parse(('share = "l"\n' + HEAD + TANKS).encode(), file="f", environment={})


def test_check_tells_who_has_what(shared: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The whole partition, and whose daemon this would be."""
    assert main(["check", "--config", str(shared)]) == 0
    told = capsys.readouterr().out

    assert "left has a, c; right has b" in told
    assert "Start one daemon for each" in told
