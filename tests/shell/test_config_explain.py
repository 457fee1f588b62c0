"""``tidegate check``: what a configuration means, told tank by tank."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge import cli
from bridge.core.compensation import problems
from bridge.core.settings import Calibration, Limits, Plumbing, Probe, Tank, Thermometer
from bridge.shell import explain_gaps
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.config import Configuration, Loaded, parse
from bridge.shell.explain import explain
from bridge.shell.explain_gaps import doubts, gaps
from bridge.shell.explain_probe import coefficient_error_psu, device_error_psu
from bridge.shell.settings_shape import shapes

CONFIG = Path(__file__).parents[2] / "config"

SOUND = """
broker.host = "broker.example"
tanks.reef.volume_l = 400
tanks.reef.thermometer = {topic = "in/temperature"}
"""
PLAIN = """
tanks.reef.probe = {topic = "in/probe", unit = "psu", reports = "salinity"}
"""
ALL_INPUTS = """
tanks.reef.probe = {topic = "in/p", unit = "mS/cm", reports = "conductivity"}
tanks.reef.second_probe = {topic = "in/2", unit = "mS/cm", reports = "conductivity"}
tanks.reef.level = {topic = "in/level"}
tanks.reef.metered_top_off = {topic = "in/litres"}
tanks.reef.plumbing.top_off_l_h = 60
tanks.reef.equipment.pump = {topic = "in/pump", kind = "return-pump"}
tanks.reef.equipment.skimmer = {topic = "in/skimmer", kind = "skimmer"}
tanks.reef.equipment.ph = {topic = "in/ph", kind = "other-probe"}
tanks.reef.equipment.fresh = {topic = "in/fresh", kind = "top-off-pump"}
tanks.reef.permits.top-off = {delivers = "fresh-water", driven_by = "level", equipment = "fresh"}
"""


def loaded(text: str) -> Loaded:
    """A sound configuration."""
    return parse((SOUND + text).encode(), file="reef.toml", environment={})


def told(text: str) -> str:
    """What is told of a configuration, as one line."""
    return " ".join(explain(loaded(text)).split())


def reef(text: str) -> Tank:
    """The tank of a configuration."""
    return loaded(text).configuration.tanks["reef"]


@pytest.mark.parametrize("name", ["minimal.toml", "example.toml"])
def test_check_tells_every_tank_and_ends_with_0(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sound file is told on standard output, with nothing on standard error."""
    path = CONFIG / name

    assert cli.main(["check", "--config", str(path)]) == 0

    output = capsys.readouterr()
    assert output.err == ""
    assert output.out.startswith(f"{path}: sound")
    assert "Tank reef" in output.out
    assert all(len(line) <= 100 for line in output.out.splitlines()[1:])


def test_check_ends_with_2_on_a_mistake(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A mistake is told on standard error in plain words, and nothing on standard output."""
    path = tmp_path / "reef.toml"
    path.write_text(SOUND + PLAIN + "tanks.reef.volume = 3", encoding="utf-8")

    assert cli.main(["check", "--config", str(path)]) == 2

    output = capsys.readouterr()
    assert output.out == ""
    assert f"{path}: tanks.reef.volume = 3: there is no such key; did you mean volume_l?" in (
        output.err
    )
    assert "Traceback" not in output.err


@pytest.mark.parametrize(
    ("reports", "unit", "more", "expected"),
    [
        ("conductivity", "mS/cm", "", "It reports conductivity as the water has it"),
        (
            "conductivity-linear",
            "uS/cm",
            ", coefficient_pct_per_c = 1.9",
            "compensated with 1.9 % per °C around 25 °C. That is undone",
        ),
        ("conductivity-natural", "S/m", "", "for natural waters (ISO 7888). That is undone"),
        ("salinity-linear", "ppt", ", coefficient_pct_per_c = 2", "It reports a salinity that the"),
        (
            "specific-gravity-linear",
            "sg",
            ', coefficient_pct_per_c = 2, gravity_reference = "20/20"',
            "in specific gravity 20/20",
        ),
        ("salinity", "psu", "", "does not say how it compensates. It is used as it is"),
    ],
)
def test_what_the_probe_reports_is_told(reports: str, unit: str, more: str, expected: str) -> None:
    """Each kind of report is told in its own words."""
    probe = f'tanks.reef.probe = {{topic = "p", unit = "{unit}", reports = "{reports}"{more}}}'

    assert expected in told(probe)


def test_a_mistaken_coefficient_is_worth_what_the_sensitivity_says() -> None:
    """0.1 %/°C at 3 °C below the reference is 0.3 % of what is left after 6.6 %: 0.321 %.

    At S = 35 and 25 °C one percent of conductivity is 0.394 in salinity (from the derivative of
    PSS-78, UNESCO 44), hardly another at 22 °C.
    """
    error = coefficient_error_psu(
        35.0, 22.0, stated_pct_per_c=2.1, used_pct_per_c=2.2, reference_c=25.0
    )

    assert error == pytest.approx(0.394 * 0.3 / 0.934, abs=0.003)


@pytest.mark.parametrize(
    ("coefficient", "temperature_c", "expected"),
    # True coefficients of S = 35 referred to 25 °C (C_from_SP of TEOS-10): 1.9501 at 22 °C and
    # 1.9897 at 30 °C; conductivity relative to 25 °C off by (1 + true dT) / (1 + used dT) - 1.
    [(2.2, 22.0, 0.31), (2.2, 30.0, -0.37), (0.0, 22.0, -2.3), (0.0, 30.0, 4.0)],
)
def test_a_device_of_unknown_coefficient(
    coefficient: float, temperature_c: float, expected: float
) -> None:
    """The error of a device's own salinity follows from sea water's true coefficient."""
    true = {22.0: 0.019501, 30.0: 0.019897}[temperature_c]
    away_c = temperature_c - 25.0
    relative = (1 + true * away_c) / (1 + coefficient / 100 * away_c) - 1

    error = device_error_psu(35.0, temperature_c, coefficient)

    # 0.394 per percent is a tangent; over 10 % the scale bends by a few hundredths of the error.
    assert error == pytest.approx(39.4 * relative, rel=0.05, abs=0.01)
    assert error == pytest.approx(expected, rel=0.05, abs=0.02)


def test_the_fastest_change_is_the_plumbing() -> None:
    """400 l and 60 l/h: S f / V = 5.25 an hour; 5 % a day: 35 x 0.05 / 24 = 0.073 an hour."""
    text = told(ALL_INPUTS)

    assert "fall by at most 5.25 an hour" in text
    assert "rise by at most 0.073 an hour" in text


def test_nothing_is_missing_when_everything_is_configured() -> None:
    """A tank with every input is told of no gap and no doubt."""
    assert gaps(reef(ALL_INPUTS)) == []
    assert [doubt for doubt in doubts(reef(ALL_INPUTS)) if "largest" not in doubt] == []


@pytest.mark.parametrize(
    ("without", "sentences"),
    [
        ("equipment.pump", {explain_gaps.NO_PUMP}),
        ("second_probe", {explain_gaps.NO_SECOND_PROBE}),
        ("level", {explain_gaps.NO_LEVEL}),
        ("metered_top_off", {explain_gaps.NO_LITRES}),
        ("plumbing.top_off_l_h", {explain_gaps.NO_TOP_OFF_RATE}),
        ("equipment.ph", {explain_gaps.NO_OTHER_PROBE}),
        ("permits.top-off", {explain_gaps.NO_PERMITS}),
    ],
)
def test_each_missing_input_is_told(without: str, sentences: set[str]) -> None:
    """Leaving out one input brings exactly its own sentence."""
    kept = [
        line for line in ALL_INPUTS.splitlines() if not line.startswith(f"tanks.reef.{without} ")
    ]

    assert set(gaps(reef("\n".join(kept)))) == sentences


def test_the_least_configuration_is_told_what_it_cannot_know() -> None:
    """Without equipment interference is not named; without litres drift and dilution mix up."""
    missing = " ".join(gaps(reef(PLAIN)))

    assert "interference cannot be named" in missing
    assert "drift and slow dilution or concentration cannot be told apart" in missing
    assert "compensation is named only after days" in missing


def test_a_permit_is_told_with_what_holds_it() -> None:
    """Defaults are filled in, and leaving out a default cause is pointed at."""
    permit = 'equipment = "fresh", held_by = ["dilution"]}'
    chosen = ALL_INPUTS.replace('equipment = "fresh"}', permit)

    assert "Held by these findings: exposed, stuck, silent, invalid, dilution (default)" in (
        told(ALL_INPUTS)
    )
    assert "Held by these findings: dilution (your choice)" in told(chosen)
    assert "held_by leaves out what holds by default: exposed, stuck, silent, invalid." in (
        told(chosen)
    )


def test_secrets_are_masked() -> None:
    """Neither the password nor the command secret is told, but that they are set is."""
    text = told(
        PLAIN + 'broker.username = "keeper"\nbroker.password = "hunter-2-a"\n'
        'command_secret = "hunter-2-b"\n'
    )

    assert "hunter" not in text
    assert "password (hidden)" in text
    assert "command secret (hidden)" in text
    assert "password crosses the network in the clear" in text


def test_every_section_is_told() -> None:
    """A section that somebody adds to the configuration is told without further work."""
    text = explain(loaded(PLAIN))

    for name, shape in shapes(Configuration).items():
        if shape.table is not None and name != "broker":
            for key in shapes(shape.table):
                assert key in text


@st.composite
def tanks(draw: st.DrawFn) -> Tank:
    """Any tank that passes the checks, however odd."""
    low_psu, target_psu, high_psu = sorted(
        draw(st.lists(st.floats(2, 42), min_size=3, max_size=3, unique=True))
    )
    low_c, high_c = sorted(draw(st.lists(st.floats(-2, 45), min_size=2, max_size=2, unique=True)))
    probe = draw(
        st.builds(
            Probe,
            topic=st.just("p"),
            path=st.none(),
            time_path=st.none(),
            coefficient_pct_per_c=st.none() | st.floats(0, 5),
            reference_temperature_c=st.just(25.0) | st.floats(15, 30),
            coefficient_uncertainty_pct_per_c=st.floats(0, 1e6),
            calibration=st.builds(
                Calibration,
                gain=st.floats(0.51, 1.99),
                offset_ms_cm=st.floats(-5, 5),
                expanded_uncertainty_psu=st.floats(1e-9, 1e6),
            ),
        ).filter(lambda probe: not problems(probe))
    )
    return Tank(
        volume_l=draw(st.floats(1e-3, 1e6)),
        probe=probe,
        thermometer=Thermometer(
            topic="t", expanded_uncertainty_c=draw(st.floats(1e-6, 1e6)), offset_c=1.0
        ),
        plumbing=Plumbing(top_off_l_h=draw(st.none() | st.floats(1e-3, 1e9))),
        limits=Limits(
            low_psu=low_psu, target_psu=target_psu, high_psu=high_psu, low_c=low_c, high_c=high_c
        ),
    )


@given(tanks())
def test_any_sound_tank_can_be_told(tank: Tank) -> None:
    """However odd the numbers, as long as they are accepted they can be explained."""
    configuration = Configuration(broker=BrokerSettings(host="h"), tanks={"reef": tank})

    text = explain(Loaded(configuration, "reef.toml", {}))

    assert "At best a reading is good to" in text
    assert " nan" not in text
    assert " inf" not in text
