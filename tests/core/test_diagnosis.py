"""From readings and switchings to a cause, where several parts of the diagnosis work together."""

from dataclasses import replace
from math import exp
from typing import Any

import pytest

from bridge.core.blocks import Block
from bridge.core.cause_shares import ENDS_AFTER_S
from bridge.core.circumstances import LEAST_DEPARTURE_PSU
from bridge.core.devices import Devices
from bridge.core.diagnosis import Diagnosis
from bridge.core.settings import Equipment, EquipmentKind, Level, Tank
from tests.core.engine_rig import FULL, INTERVAL_S, PLAIN, START_S, Rig


def beside(kind: EquipmentKind) -> Tank:
    """The plain tank with one device, which is named after its kind."""
    return replace(PLAIN, equipment={kind.value: Equipment(topic=kind.value, kind=kind)})


def resting(kind: EquipmentKind, samples: int = 200) -> Rig:
    """A quiet tank whose one device has been off for half an hour."""
    rig = Rig(beside(kind))
    rig.send(kind.value, b"off")
    rig.run(samples)
    return rig


def causes(documents: list[dict[str, Any]]) -> set[str]:
    """What was reported as the cause."""
    return {document["cause"] for document in documents}


# ---------------------------------------------------------------------- pick-up


def cycle(rig: Rig, step_psu: float, *, on: int = 40, off: int = 60) -> list[dict[str, Any]]:
    """The heater runs and rests, the reading steps while it runs."""
    rig.send("heater", b"on")
    documents = rig.run(on, 35.0 + step_psu)
    rig.send("heater", b"off")
    return documents + rig.run(off, 35.0)


@pytest.mark.parametrize("step_psu", [0.4, -0.6])
def test_pick_up_goes_on_while_its_device_rests(step_psu: float) -> None:
    """A heater that runs every quarter of an hour is one finding, not one at each run."""
    rig = resting(EquipmentKind.HEATER)
    cycle(rig, step_psu)

    later = [document for _ in range(8) for document in cycle(rig, step_psu)]

    assert causes(later) == {"interference"}
    assert all(abs(d["salinity"] - 35.0) < 0.05 for d in later)


def test_pick_up_is_over_after_a_cycle_and_a_half_without_it() -> None:
    """Cycles of 1000 s: it lasts for 600 s of rest and is gone after 1500 more."""
    rig = resting(EquipmentKind.HEATER)
    for _ in range(8):
        cycle(rig, 0.4)

    assert causes(rig.run(20)) == {"interference"}
    assert causes(rig.run(200)[-50:]) == {"none"}


def test_a_step_whose_device_goes_off_without_effect_is_not_pick_up() -> None:
    """The heater went on as the reading fell, and off while it stayed: it was not the heater."""
    kept, refuted = (resting(EquipmentKind.HEATER) for _ in range(2))
    for rig in (kept, refuted):
        rig.send("heater", b"on")
        rig.run(30, 34.4)
        assert rig.cause == "interference"
    refuted.send("heater", b"off")
    for rig in (kept, refuted):
        rig.run(12, 34.4)

    assert kept.cause == "interference"
    assert refuted.cause not in {"interference", "none", "dilution"}
    assert refuted.permit("dosing")["state"] == "hold"


# ---------------------------------------------------------------------- plumes


def dose(rig: Rig, *, told: bool) -> list[dict[str, Any]]:
    """Salt that a doser pours beside the probe: up in a minute, mixed after some."""
    if told:
        rig.send("doser", b"on")
    documents = rig.run(12, lambda n: 35.0 + 0.5 * (1.0 - exp(-(n + 1) / 5.0)))
    if told:
        rig.send("doser", b"off")
    return documents + rig.run(150, lambda n: 35.0 + 0.45 * exp(-n / 20.0))


def test_the_salty_plume_of_a_doser_is_a_plume_to_its_end() -> None:
    """It rises and mixes away for a quarter of an hour: no concentration, and not followed."""
    rig = resting(EquipmentKind.DOSER)

    documents = dose(rig, told=True)

    assert causes(documents[3:60]) == {"plume"}
    assert causes(documents) <= {"none", "plume"}
    assert documents[-1]["cause"] == "none"
    assert all(abs(d["salinity"] - 35.0) < 0.05 for d in documents)


def test_without_a_dose_the_same_rise_is_no_plume() -> None:
    """A doser that rests makes nothing; what it may be is left open, and dosing holds."""
    rig = resting(EquipmentKind.DOSER)

    documents = dose(rig, told=False)

    # Until it is down to a tenth, where anything may be anything.
    assert "plume" not in causes(documents[:42])
    assert causes(documents[3:20]).isdisjoint({"none"})


PUMPED = replace(FULL, metered_top_off=None, level=None)


def ready(tank: Tank) -> Rig:
    """A quiet tank with everything off, and its meter at rest."""
    rig = Rig(tank)
    for topic in ("pump", "skimmer", "heater"):
        rig.send(topic, b"off")
    if tank.metered_top_off is not None:
        rig.send("litres", 0.0)
    rig.run(400)
    return rig


@pytest.mark.parametrize("deepest_psu", [0.3, 1.0])
@pytest.mark.parametrize("tank", [PUMPED, replace(FULL, level=None)], ids=["timed", "metered"])
def test_a_dip_deeper_than_the_litres_can_make_is_not_followed(
    tank: Tank, deepest_psu: float
) -> None:
    """One litre into 400 makes 0.09: what dips by more is not mixed yet."""
    rig = ready(tank)
    rig.send("pump", b"on")
    dipping = rig.run(6, lambda n: 35.0 - deepest_psu * (1.0 - exp(-(n + 1) / 3.0)))
    rig.send("pump", b"off")
    if tank.metered_top_off is not None:
        rig.send("litres", 1.0)
    mixing = rig.run(40, lambda n: 34.91 - (0.86 * deepest_psu - 0.09) * exp(-n / 20.0))

    assert mixing[0]["cause"] == "plume"
    assert "dilution" not in causes(dipping + mixing)
    # The litres, and some for the delay and the noise.
    assert min(d["salinity"] for d in dipping + mixing) > 35.0 - 0.15


# ---------------------------------------------------------------------- level and return pump


def test_what_a_resting_return_pump_drains_into_the_sump_is_no_high_level() -> None:
    """While it rests, and until the display is full again, the level says nothing."""
    diagnosis = Diagnosis(replace(beside(EquipmentKind.RETURN_PUMP), level=Level(topic="level")))
    diagnosis.equipment(START_S, "return-pump", on=True)
    deviations = []
    for minute in range(600):
        at_s = START_S + 60.0 * minute
        level = 100.0 + minute % 3 - 1.0
        if minute in {500, 530}:
            diagnosis.equipment(at_s, "return-pump", on=minute == 530)
        if 500 <= minute < 530:
            level = 140.0
        elif 530 <= minute < 535:
            level = 140.0 - 10.0 * (minute - 530)
        for second in range(0, 60, 10):
            diagnosis.probe(at_s + second, 35.0, 25.0, 0.01, INTERVAL_S)
        diagnosis.level(at_s, level)
        deviations.append(diagnosis.balance.level_deviation())

    pausing = [deviation for deviation in deviations[500:] if deviation is not None]
    assert len(pausing) == 100
    # What drained would stand eight of the assumed swings high.
    assert max(map(abs, pausing)) < 0.2


def test_waves_are_no_leaps_before_the_swing_of_a_level_is_known() -> None:
    """A level that is read over a sump in motion is known soon after the first full hour."""
    diagnosis = Diagnosis(replace(PLAIN, level=Level(topic="level")))
    for index in range(8 * 60):
        at_s = START_S + INTERVAL_S * index
        diagnosis.probe(at_s, 35.0, 25.0, 0.01, INTERVAL_S)
        diagnosis.level(at_s, 100.0 + index % 3 - 1.0)

    deviation = diagnosis.balance.level_deviation()
    assert deviation is not None
    assert abs(deviation) < 1.0


def test_a_pump_that_has_stopped_for_good_hides_no_level() -> None:
    """After an hour it is no feeding break: what stands in the sump counts as it is."""
    diagnosis = Diagnosis(
        replace(beside(EquipmentKind.RETURN_PUMP), level=Level(topic="level", normal=100.0))
    )
    for minute in range(300):
        at_s = START_S + 60.0 * minute
        if minute in {0, 60}:
            diagnosis.equipment(at_s, "return-pump", on=minute == 0)
        diagnosis.level(at_s, 100.0 if minute < 60 else 140.0)
        if minute == 110:
            assert diagnosis.balance.level_deviation() == pytest.approx(0.0, abs=1e-9)

    deviation = diagnosis.balance.level_deviation()
    assert deviation is not None
    assert deviation > 2.0


# ---------------------------------------------------------------------- thermometer


def test_a_sudden_thermometer_makes_exposure_likely_only_along_with_the_probe() -> None:
    """One odd temperature is nothing; with a reading that falls just then the cell is dry."""
    alone, together = Rig(PLAIN), Rig(PLAIN)
    for rig in (alone, together):
        rig.run(60)
    alone.read(35.0, 21.0)
    together.read(22.0, 21.0)
    together.read(21.0, 21.2)

    assert alone.cause == "none"
    assert together.cause == "exposed"


# ---------------------------------------------------------------------- findings about hours


def test_a_finding_that_has_lasted_is_not_over_with_one_reading() -> None:
    """Half an hour of water within its band ends a dilution that was told for an hour."""
    rig = Rig(PLAIN)
    rig.run(200)
    rig.run(80, lambda n: 35.0 - 0.0146 * n)
    rig.run(400, 33.83)
    assert rig.cause == "dilution"
    # Slowly, as salt is to be brought back.
    back = rig.run(1400, lambda n: min(33.83 + 1.17 * n / 1000.0, 35.0))

    # A band of 34.95 and more, less the share of its margin at which a finding ends.
    inside = next(n for n, document in enumerate(back) if document["salinity"] > 34.86)
    ended = next(n for n, document in enumerate(back) if document["cause"] != "dilution")
    assert 0.8 * ENDS_AFTER_S < (ended - inside) * INTERVAL_S < 1.5 * ENDS_AFTER_S
    assert causes(back[ended:]) == {"none"}


def test_a_correction_that_was_announced_ends_what_it_corrects() -> None:
    """Too fresh by 1.2, and brought back by an exchange that was told: the band is where it was."""
    rig = Rig(PLAIN)
    rig.run(200)
    rig.run(80, lambda n: 35.0 - 0.0146 * n)
    rig.run(60, 33.83)
    assert rig.cause == "dilution"

    # 400 l, 80 of them at 39.83: 1.2 more.
    assert rig.command("water-change", litres=80, salinity=39.83)["ok"]
    rig.run(60, lambda n: 33.83 + 1.2 * n / 60.0)
    documents = rig.run(400, 35.03)

    assert documents[-1]["cause"] == "none"
    assert documents[-1]["salinity"] == pytest.approx(35.03, abs=0.03)


def test_the_devices_of_a_diagnosis_leave_out_the_top_off_pump() -> None:
    """Whose switching comes with fresh water, not with pick-up."""
    diagnosis = Diagnosis(FULL)

    assert isinstance(diagnosis.devices, Devices)
    assert set(diagnosis.devices.names) == {"skimmer", "heater"}


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_what_moves_no_decision_is_no_departure(side: float) -> None:
    """However quiet the probe: a step below the least departure opens nothing."""
    diagnosis = Diagnosis(PLAIN)
    at_s = START_S
    for index in range(200):
        at_s += INTERVAL_S
        step = side * 0.9 * LEAST_DEPARTURE_PSU if index >= 150 else 0.0
        diagnosis.probe(at_s, 35.0 + step, 25.0, 0.001, INTERVAL_S)
        assert diagnosis.episode is None


# ---------------------------------------------------------------------- what is normal here


def after_a_week(away_psu: float, *, marked: bool) -> Diagnosis:
    """Three days at 35, one elsewhere, two at 35 again; then all is judged anew."""
    first = int(START_S // 3600.0)
    diagnosis = Diagnosis(PLAIN)
    for index in range(6 * 24):
        away = 72 <= index < 96
        middle_psu = away_psu if away else 35.0
        block = Block(first + index, away=away and marked)
        for psu in (middle_psu - 0.05, middle_psu + 0.05):
            block.add(psu, 25.0, psu)
        diagnosis.state.blocks.finished.append(block)
    at_s = START_S + 6 * 86400.0
    diagnosis.state.blocks.running = Block(first + 6 * 24 - 1)
    for index in range(20):
        diagnosis.probe(at_s + INTERVAL_S * index, 35.0, 25.0, 0.01, INTERVAL_S)
    return diagnosis


@pytest.mark.parametrize("away_psu", [34.0, 36.0])
def test_hours_out_of_the_band_are_no_norm(away_psu: float) -> None:
    """A day with a failed top-off does not make the next one healthy."""
    marked, unmarked = (
        after_a_week(away_psu, marked=marked).state.balance for marked in (True, False)
    )

    assert (marked.low_psu, marked.high_psu) == pytest.approx((34.95, 35.05), abs=0.01)
    # Had they not been marked, the band would hold them.
    assert unmarked.low_psu is not None
    assert unmarked.high_psu is not None
    assert unmarked.low_psu - 0.1 < away_psu < unmarked.high_psu + 0.1


def test_an_hour_in_which_the_water_was_off_is_marked() -> None:
    """It is known when it is told, and kept with the hour."""
    rig = Rig(PLAIN)
    rig.run(400)
    rig.run(80, lambda n: 35.0 - 0.0146 * n)
    rig.run(800, 33.83)
    diagnosis = rig.engine._tanks["reef"].diagnosis  # noqa: SLF001 - what it keeps is published nowhere
    hours = [b for b in diagnosis.blocks.recent(12) if b.samples]

    assert rig.cause == "dilution"
    assert [b.away for b in hours] == sorted(b.away for b in hours)
    assert (hours[0].away, hours[-1].away) == (False, True)
