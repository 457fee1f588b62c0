"""What is said for each cause: for any state a sentence that reads well, and a first action."""

import re
from collections.abc import Callable
from dataclasses import replace

import pytest

from bridge.core.cause_shares import CAUSES, INDEX
from bridge.core.diagnosis import Diagnosis
from bridge.core.diagnosis_state import CheckEvidence
from bridge.core.evidence import ACTIONS, ELECTRIC_CAUTION, SHOWN_FROM, brief, findings
from bridge.core.findings import Cause
from bridge.core.settings import Equipment, EquipmentKind, Probe, ProbeUnit, Reports, Tank
from bridge.core.trends import Drift, TemperatureDependence
from tests.core.engine_rig import FULL, INTERVAL_S, PLAIN, START_S, Rig

JARGON = re.compile(
    r"nan|inf\b|None|psu_|Cause\.|Model|e[+-]\d\d|posterior|prior\b|sigma|follower|hypothes",
    re.IGNORECASE,
)
SENTENCE = re.compile(r"^[A-Za-z0-9].*\.$")


def live(tank: Tank, *stretches: tuple[int, Callable[[int], float]]) -> Diagnosis:
    """A diagnosis that went through some stretches of readings."""
    diagnosis = Diagnosis(tank)
    rig = Rig(tank, linked=False, seed=4)
    at_s = START_S
    for count, water in stretches:
        for index in range(count):
            at_s += INTERVAL_S
            reading = water(index) + rig.rng.gauss(0.0, 0.01)
            diagnosis.probe(at_s, reading, 25.0, 0.012, INTERVAL_S)
    return diagnosis


def quiet(_index: int) -> float:
    """Still water."""
    return 35.0


STATES: dict[str, Callable[[], Diagnosis]] = {
    "fresh": lambda: Diagnosis(PLAIN),
    "one reading": lambda: live(PLAIN, (1, quiet)),
    "healthy": lambda: live(PLAIN, (100, quiet)),
    "bubbles": lambda: live(PLAIN, (100, quiet), (20, lambda n: 35.0 - 0.8 * (n % 2))),
    "lodged": lambda: live(PLAIN, (100, quiet), (30, lambda _n: 34.0)),
    "step up": lambda: live(FULL, (100, quiet), (30, lambda _n: 36.0)),
    "exposed": lambda: live(PLAIN, (100, quiet), (5, lambda _n: 0.1)),
    "falling": lambda: live(PLAIN, (100, quiet), (60, lambda n: 35.0 - 0.0146 * n)),
    "rising": lambda: live(PLAIN, (100, quiet), (900, lambda n: 35.0 + 0.001 * n)),
    "off the scale": lambda: live(PLAIN, (60, lambda _n: 46.0), (20, lambda n: 46.0 - n % 2)),
    "next to nothing": lambda: live(PLAIN, (60, lambda _n: 0.0), (20, lambda n: 0.5 * (n % 2))),
}


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("forced", list(Cause))
def test_sentences_render_for_any_state_and_cause(state: str, forced: Cause) -> None:
    """Whatever was seen, every cause can be explained: full sentences and finite numbers."""
    diagnosis = STATES[state]()
    diagnosis.probabilities = [0.0] * len(CAUSES)
    diagnosis.probabilities[INDEX[forced]] = 1.0
    diagnosis.state.cause = forced

    made = findings(diagnosis, START_S + 5000.0)

    assert [f.cause for f in made].count(forced) == len(made) - 13 == 1
    assert made[0].cause is forced
    for finding in made:
        for sentence in (*finding.evidence, finding.action):
            assert SENTENCE.match(sentence), sentence
            assert not JARGON.search(sentence), sentence


def test_every_cause_has_a_first_action() -> None:
    """An action for all 14, and none of the disturbances sends to the calibration."""
    assert set(ACTIONS) == set(Cause)
    for cause in (
        *(Cause.BUBBLES, Cause.INTERFERENCE, Cause.ADJACENT_PROBE, Cause.COMPENSATION),
        *(Cause.PLUME, Cause.UNEXPLAINED),
    ):
        assert ACTIONS[cause].startswith("Do not calibrate")


@pytest.mark.parametrize("cause", [Cause.INTERFERENCE, Cause.ADJACENT_PROBE])
def test_near_mains_and_water_the_caution_comes_along(cause: Cause) -> None:
    """Unplug first, hands out of the water, a residual-current device, a licensed electrician."""
    assert ELECTRIC_CAUTION in ACTIONS[cause]
    for word in ("unplug", "hands out of the water", "RCD/GFCI", "licensed"):
        assert word in ELECTRIC_CAUTION


@pytest.mark.parametrize("state", STATES)
def test_the_most_probable_comes_first(state: str) -> None:
    """Descending, all causes once, and the short form is the same without sentences."""
    diagnosis = STATES[state]()
    made = findings(diagnosis, START_S + 5000.0)
    short = brief(diagnosis)

    assert sum(f.probability for f in made) == pytest.approx(1.0)
    assert [f.probability for f in made] == sorted((f.probability for f in made), reverse=True)
    assert {f.cause for f in made} == set(Cause)
    assert [f.cause for f in short] == [f.cause for f in made if f.probability >= SHOWN_FROM]
    assert all(not f.evidence for f in short)


def text(rig: Rig, cause: str) -> str:
    """Everything that was said for a cause in the newest diagnosis."""
    rig.until(rig.now_s + 6.0)
    (found,) = [c for c in rig.diagnosis["causes"] if c["cause"] == cause]
    return " ".join(found["evidence"])


def test_bubbles_are_explained_by_pace_share_and_gas() -> None:
    """How fast it fell against the plumbing, how many were low, how much gas that means."""
    rig = Rig(PLAIN)
    rig.run(60)
    rig.run(40, lambda n: 35.0 - 0.6 * (n % 2))

    said = text(rig, "bubbles")

    fell = re.search(r"Fell (0\.\d\d) in 10 s; the fastest this plumbing can do is (0\.\d\d)", said)
    assert fell
    assert float(fell[1]) == pytest.approx(0.6, abs=0.06)
    # 60 l/h into 400 l with half as much again: 0.02 in 10 s.
    assert float(fell[2]) == pytest.approx(0.02, abs=0.005)
    gas = re.search(r"means (\d\.\d) % gas", said)
    assert gas
    # 1 % gas reads 34.41 at S = 35 (Maxwell 1873).
    assert float(gas[1]) == pytest.approx(1.0, abs=0.2)
    low = re.search(r"(\d+) of (\d+) implausible samples were low", said)
    assert low
    assert int(low[1]) >= 0.9 * int(low[2])


def test_interference_names_the_device_with_count_and_chance() -> None:
    """Which device, in how many of its switchings, and how likely that is by chance."""
    rig = Rig(FULL)
    rig.send("heater", b"0")
    rig.run(200)
    for n in range(9):
        rig.send("heater", b"0" if n % 2 else b"100", after_s=4.0)
        rig.run(40, 35.0 if n % 2 else 35.3)

    assert rig.cause == "interference"
    said = text(rig, "interference")
    assert re.search(r"In \d+ of \d+ switchings the reading steps by \+0\.3\d? when heater", said)
    assert "by chance: p =" in said


def test_another_probe_is_named_as_such() -> None:
    """The same pattern with a device that is itself a probe is the adjacent probe."""
    tank = replace(
        PLAIN, equipment={"redox": Equipment(topic="redox", kind=EquipmentKind.OTHER_PROBE)}
    )
    rig = Rig(tank)
    rig.send("redox", b"off")
    rig.run(200)
    for n in range(9):
        rig.send("redox", b"off" if n % 2 else b"on", after_s=4.0)
        rig.run(40, 35.0 if n % 2 else 34.7)

    assert rig.cause == "adjacent-probe"
    assert "redox" in text(rig, "adjacent-probe")


def test_a_wrong_coefficient_comes_with_the_one_to_set() -> None:
    """Too high by 0.2: the coefficient in use and the one that would fit, with its doubt."""
    probe = Probe(
        topic="probe",
        unit=ProbeUnit.MS_CM,
        reports=Reports.CONDUCTIVITY_LINEAR,
        coefficient_pct_per_c=2.15,
    )
    diagnosis = live(replace(PLAIN, probe=probe), (100, quiet))
    diagnosis.state.dependence = TemperatureDependence(0.079, 0.004, 0.2, 0.01, 1.5, 6.0)
    diagnosis.probabilities[INDEX[Cause.COMPENSATION]] = 1.0

    said = " ".join(
        s for f in findings(diagnosis, START_S) if f.cause is Cause.COMPENSATION for s in f.evidence
    )

    assert "2.15 %/°C" in said
    assert "1.95 %/°C would fit (± 0.02)" in said


def test_drift_is_told_with_its_pace_and_the_check() -> None:
    """So much a day, what litres say, and what the hand instrument found."""
    diagnosis = live(PLAIN, (100, quiet))
    diagnosis.state.drift = Drift(-0.014, 0.001, 13.0)
    diagnosis.state.check = CheckEvidence(START_S, 0.4, 1.6, "refractometer")
    diagnosis.probabilities[INDEX[Cause.DRIFT]] = 1.0

    said = " ".join(
        s
        for f in findings(diagnosis, START_S + 86_400.0)
        if f.cause is Cause.DRIFT
        for s in f.evidence
    )

    assert "-0.014 a day" in said
    assert "refractometer 1.0 days ago differed by +0.40 (E_n = 1.6)" in said
    # Nobody meters the litres here, and that is said.
    assert "Without metered top-off" in said


def test_dilution_names_the_likely_reason_by_the_level() -> None:
    """High level: top-off that does not stop. Normal: salt water that leaves. Unknown: says so."""
    unknown = Rig(PLAIN)
    unknown.run(60)
    unknown.run(60, lambda n: 35.0 - 0.0146 * n)
    assert unknown.cause == "dilution"
    assert "a level sensor would tell" in text(unknown, "dilution")

    for rise, word in ((0.25, "does not stop"), (0.0, "salt water leaves")):
        rig = Rig(replace(FULL, metered_top_off=None))
        for n in range(420):
            rig.send("level", 100.0 + n % 3 - 1.0)
            rig.run(1)
        rig.send("pump", b"on")
        for n in range(80):
            rig.send("level", 100.0 + rise * n)
            rig.run(1, 35.0 - 0.0146 * n)
        assert rig.cause == "dilution"
        assert word in text(rig, "dilution")
