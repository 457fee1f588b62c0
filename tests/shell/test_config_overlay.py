"""Settings from the environment: what they may do, and that none is ever ignored."""

from pathlib import Path

import pytest

from bridge.shell.config import Configuration, load_with_sources, parse
from bridge.shell.config_problems import ConfigurationError
from bridge.shell.overlay import FILE_SUFFIX, keys, variable
from bridge.shell.settings_shape import leaves, shapes

SOUND = b"""
broker = {host = "broker.example", username = "keeper"}
[tanks.north-reef]
volume_l = 300
probe = {topic = "in/probe", unit = "psu", reports = "salinity"}
thermometer = {topic = "in/temperature"}
equipment.pump = {topic = "in/pump", kind = "return-pump"}
"""


def configured(environment: dict[str, str]) -> Configuration:
    """The sound file with an environment laid over it."""
    return parse(SOUND, file="reef.toml", environment=environment).configuration


def refused(environment: dict[str, str]) -> list[str]:
    """The lines with which an environment is refused."""
    with pytest.raises(ConfigurationError) as caught:
        parse(SOUND, file="reef.toml", environment=environment)
    return list(caught.value.lines)


def test_values_take_the_type_of_their_key() -> None:
    """Text stays text even when it looks like a number; numbers, truth and lists are TOML."""
    configuration = configured(
        {
            "TIDEGATE_BROKER__PASSWORD": "12345678",
            "TIDEGATE_BROKER__PROTOCOL": "5",
            "TIDEGATE_BROKER__PORT": "2883",
            "TIDEGATE_BROKER__TLS": "true",
            "TIDEGATE_BASE_TOPIC": "house/tidegate",
            "TIDEGATE_TANKS__NORTH_REEF__VOLUME_L": "420.5",
            "TIDEGATE_TANKS__NORTH_REEF__LIMITS__TARGET_PSU": "34",
            "TIDEGATE_TANKS__NORTH_REEF__EQUIPMENT__PUMP__ON": '["run"]',
            "TIDEGATE_TANKS__NORTH_REEF__LEVEL__TOPIC": "in/level",
            "PATH": "/bin",
            "tidegate_lower": "not ours",
        }
    )
    tank = configuration.tanks["north-reef"]

    assert configuration.broker.password == "12345678"  # noqa: S105
    assert configuration.broker.protocol == "5"
    assert (configuration.broker.port, configuration.broker.tls) == (2883, True)
    assert configuration.base_topic == "house/tidegate"
    assert (tank.volume_l, tank.limits.target_psu) == (420.5, 34)
    assert tank.equipment["pump"].on == ("run",)
    assert tank.level is not None
    assert tank.level.topic == "in/level"


def test_the_environment_goes_before_the_file() -> None:
    """A value in both places is taken from the environment, and the source is known."""
    loaded = parse(SOUND, file="f", environment={"TIDEGATE_BROKER__HOST": "other.example"})

    assert loaded.configuration.broker.host == "other.example"
    assert loaded.variables == {("broker", "host"): "TIDEGATE_BROKER__HOST"}


def test_a_secret_comes_from_a_file(tmp_path: Path) -> None:
    """A variable that ends in _FILE names a file, whose last line break does not count."""
    secret = tmp_path / "password"
    secret.write_text("pass word\n", encoding="utf-8")
    volume = tmp_path / "volume"
    volume.write_text("400\r\n", encoding="utf-8")
    sound = tmp_path / "reef.toml"
    sound.write_bytes(SOUND)

    configuration = load_with_sources(
        sound,
        {
            "TIDEGATE_BROKER__PASSWORD_FILE": str(secret),
            "TIDEGATE_TANKS__NORTH_REEF__VOLUME_L_FILE": str(volume),
        },
    ).configuration

    assert configuration.broker.password == "pass word"  # noqa: S105
    assert configuration.tanks["north-reef"].volume_l == 400


def test_a_key_that_ends_in_file_is_that_key() -> None:
    """broker.ca_file is set by its own name, and not taken for the content of a key ``ca``."""
    configuration = configured(
        {"TIDEGATE_BROKER__TLS": "true", "TIDEGATE_BROKER__CA_FILE": "/etc/ca.pem"}
    )

    assert configuration.broker.ca_file == "/etc/ca.pem"


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("TIDEGATE_BROKER__PASWORD", "did you mean TIDEGATE_BROKER__PASSWORD?"),
        ("TIDEGATE_BROKER_PASSWORD", "did you mean TIDEGATE_BROKER__PASSWORD?"),
        ("TIDEGATE_BROKER__PASWORD_FILE", "did you mean TIDEGATE_BROKER__PASSWORD_FILE?"),
        ("TIDEGATE_TANKS__NORTHREEF__VOLUME_L", "TIDEGATE_TANKS__NORTH_REEF__VOLUME_L?"),
        ("TIDEGATE_BROKER__CA_FIL", "did you mean TIDEGATE_BROKER__CA_FILE?"),
        ("TIDEGATE_", "for instance TIDEGATE_BROKER__PASSWORD"),
        ("TIDEGATE_9Z_\x1b", "for instance TIDEGATE_BROKER__PASSWORD"),
    ],
)
def test_an_unknown_variable_is_an_error(name: str, expected: str) -> None:
    """A variable that fits no key is refused with the nearest that does, without its value."""
    (told,) = refused({name: "hunter-2-is-secret"})

    assert told.isprintable()
    assert told.lstrip('"').startswith(name.rstrip("\x1b"))
    assert expected in told
    assert "hunter" not in told


def test_every_problem_with_the_environment_is_told_at_once(tmp_path: Path) -> None:
    """Unknown names, unreadable files, two sources and wrong values, all in one go."""
    big = tmp_path / "big"
    big.write_bytes(b"x" * 70000)
    binary = tmp_path / "binary"
    binary.write_bytes(b"\xff\xfe")
    told = refused(
        {
            "TIDEGATE_NO_SUCH": "1",
            "TIDEGATE_BROKER__PASSWORD_FILE": str(tmp_path / "none"),
            "TIDEGATE_BROKER__CLIENT_ID_FILE": str(big),
            "TIDEGATE_BASE_TOPIC_FILE": str(binary),
            "TIDEGATE_COMMAND_SECRET_FILE": "hunter-2\0",
            "TIDEGATE_BROKER__HOST": "a",
            "TIDEGATE_BROKER__HOST_FILE": str(binary),
            "TIDEGATE_BROKER__PORT": "many\nlines = 1",
        }
    )

    beginnings = [line.split(":")[0].split(" ")[0] for line in told]
    assert sorted(beginnings) == [
        "TIDEGATE_BASE_TOPIC_FILE",
        "TIDEGATE_BROKER__CLIENT_ID_FILE",
        "TIDEGATE_BROKER__HOST_FILE",
        "TIDEGATE_BROKER__PASSWORD_FILE",
        "TIDEGATE_BROKER__PORT",
        "TIDEGATE_COMMAND_SECRET_FILE",
        "TIDEGATE_NO_SUCH",
    ]
    assert "must be a whole number from 1 up to 65535" in "".join(told)
    assert "hunter" not in "".join(told)


def test_a_variable_does_not_hide_a_mistake_in_the_file() -> None:
    """Where the file holds something else than a table, that is told, with or without variables."""
    with pytest.raises(ConfigurationError) as caught:
        parse(
            SOUND.replace(b'{host = "broker.example", username = "keeper"}', b"3"),
            file="reef.toml",
            environment={"TIDEGATE_BROKER__PORT": "1"},
        )

    assert "reef.toml: broker" in str(caught.value)


def test_no_two_keys_share_a_variable() -> None:
    """The variable of a key is never that of another key, or of another key's file."""
    ways = [way for way, _ in leaves(Configuration)]
    plain = {variable(way) for way in ways}
    files = {variable(way) + FILE_SUFFIX for way in ways}

    assert len(plain) == len(ways)
    assert not plain & files


def test_a_variable_cannot_start_a_tank() -> None:
    """Only names that the file holds can be set, so that a misspelt one is noticed."""
    names = {variable(way) for way, _ in keys(Configuration, {"tanks": {"a": {}}})}

    assert "TIDEGATE_TANKS__A__VOLUME_L" in names
    assert not any("TANKS" in name and "__A__" not in name for name in names)


def test_names_leave_room_for_the_separator() -> None:
    """No key holds a double underscore or a capital, which the variables could not tell apart."""
    for way, _ in leaves(Configuration):
        assert not any("__" in step or step != step.lower() for step in way)
    assert "tanks" in shapes(Configuration)
