"""A thermometer out of the water, and water that really is colder: told apart by conductivity.

The devices are made with the Gibbs SeaWater library (gsw), not with the corrections under test.
"""

from collections.abc import Callable
from dataclasses import replace
from math import exp

import gsw
import pytest

from bridge.core.settings import Probe, ProbeUnit, Reports
from tests.core.engine_rig import INTERVAL_S, PLAIN, Rig

LINEAR_PCT = 1.9
ROOM_C = 20.5
DRIES_S = 180.0
"""A thermometer hung up in air takes minutes to reach the room's temperature."""

Device = Callable[[float, float, float], float]
"""From salinity, the water's temperature and that of the thermometer to the number shown."""


def conductivity(psu: float, water_c: float, _shown_c: float) -> float:
    """In mS/cm, of the water as it is."""
    return float(gsw.C_from_SP(psu, water_c, 0.0))


def misled(psu: float, water_c: float, shown_c: float) -> float:
    """Salinity by the thermometer that hangs beside the probe."""
    return float(gsw.SP_from_C(gsw.C_from_SP(psu, water_c, 0.0), shown_c, 0.0))


def misled_linear(psu: float, water_c: float, shown_c: float) -> float:
    """The same by a linear coefficient."""
    there = gsw.C_from_SP(psu, water_c, 0.0)
    at_25c = there / (1.0 + LINEAR_PCT / 100.0 * (shown_c - 25.0))
    return float(gsw.SP_from_C(at_25c, 25.0, 0.0))


def own(psu: float, _water_c: float, _shown_c: float) -> float:
    """Salinity by a thermometer within the probe, which stays wet."""
    return psu


PROBES: dict[Device, Probe] = {
    conductivity: Probe(topic="probe", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY),
    misled: Probe(topic="probe", unit=ProbeUnit.PSU, reports=Reports.SALINITY),
    misled_linear: Probe(
        topic="probe",
        unit=ProbeUnit.PSU,
        reports=Reports.SALINITY_LINEAR,
        coefficient_pct_per_c=LINEAR_PCT,
    ),
    own: Probe(topic="probe", unit=ProbeUnit.PSU, reports=Reports.SALINITY),
}


class Bench:
    """A tank of 35 at 26 °C with one device."""

    def __init__(self, device: Device, *, every: int = 3, step_c: float = 0.05) -> None:
        self.device, self.every, self.step_c = device, every, step_c
        self.rig = Rig(replace(PLAIN, probe=PROBES[device]))
        self.psu, self.water_c, self.count = 35.0, 26.0, 0
        self.out_s: float | None = None

    def sample(self) -> None:
        """One reading of the probe, and every few one of the thermometer."""
        rig = self.rig
        rig.until(rig.now_s + INTERVAL_S)
        shown_c = self.water_c
        if self.out_s is not None:
            self.out_s += INTERVAL_S
            shown_c += (ROOM_C - self.water_c) * (1.0 - exp(-self.out_s / DRIES_S))
        if self.count % self.every == 0:
            noisy_c = shown_c + rig.rng.gauss(0.0, 0.01)
            rig.send("water", round(round(noisy_c / self.step_c) * self.step_c, 4))
        self.count += 1
        psu = self.psu + rig.rng.gauss(0.0, 0.01)
        rig.send("probe", round(self.device(psu, self.water_c, shown_c), 3))

    def run(self, minutes: float, *, warmer_c_h: float = 0.0) -> list[tuple[str, float]]:
        """Causes and salinities published over a time in which the water warms or cools."""
        seen = []
        for _ in range(round(minutes * 60.0 / INTERVAL_S)):
            self.water_c += warmer_c_h * INTERVAL_S / 3600.0
            self.sample()
            seen.append((self.rig.cause, self.rig.salinity["salinity"]))
        return seen


@pytest.mark.parametrize("warmer_c_h", [-0.6, 0.6])
@pytest.mark.parametrize("device", PROBES)
def test_it_stays_exposed_while_the_water_warms_or_cools_unseen(
    device: Device, warmer_c_h: float
) -> None:
    """Hours out, while a daily swing of 2.5 °C goes on: named all the time, salinity kept."""
    bench = Bench(device)
    bench.run(30.0)
    bench.out_s = 0.0
    bench.run(4.0)

    out = bench.run(150.0, warmer_c_h=warmer_c_h)

    assert {cause for cause, _ in out} == {"exposed"}
    # Evaporation is expected to raise it, by 0.0146 an hour.
    assert all(salinity == pytest.approx(35.0, abs=0.12) for _, salinity in out)
    assert bench.rig.permit("dosing")["state"] == "hold"


@pytest.mark.parametrize("warmer_c_h", [-0.6, 0.6])
@pytest.mark.parametrize("device", PROBES)
def test_back_in_the_water_it_is_believed_within_minutes(device: Device, warmer_c_h: float) -> None:
    """Although the water is 1.2 °C from where it was, the first readings at rest are believed."""
    bench = Bench(device)
    bench.run(30.0)
    bench.out_s = 0.0
    bench.run(120.0, warmer_c_h=warmer_c_h)
    bench.out_s = None

    bench.run(4.0)

    assert bench.rig.cause == "none"
    assert bench.rig.salinity["salinity"] == pytest.approx(35.0, abs=0.06)
    assert bench.rig.salinity["temperature"] == pytest.approx(bench.water_c, abs=0.1)


@pytest.mark.parametrize("device", [conductivity, misled_linear])
def test_a_coarse_and_slow_thermometer_is_told_as_well(device: Device) -> None:
    """Half degrees every five minutes: out for two hours, and back."""
    bench = Bench(device, every=30, step_c=0.5)
    bench.run(200.0)
    bench.out_s = 0.0
    bench.run(20.0)
    out = bench.run(100.0, warmer_c_h=0.3)
    bench.out_s = None
    bench.run(20.0)

    assert {cause for cause, _ in out} == {"exposed"}
    # Half a step of the thermometer is 0.19 in salinity, and is nothing that can be known.
    assert all(salinity == pytest.approx(35.0, abs=0.3) for _, salinity in out)
    assert bench.rig.cause != "exposed"
    assert bench.rig.salinity["salinity"] == pytest.approx(35.0, abs=0.3)


@pytest.mark.parametrize("colder_c", [0.5, 1.0, 2.0])
def test_a_cold_water_change_is_not_a_dry_thermometer(colder_c: float) -> None:
    """Conductivity follows the colder water at once, so that the salinity hardly moves."""
    bench = Bench(conductivity)
    bench.run(60.0)
    bench.water_c -= colder_c
    bench.run(5.0)

    after = bench.run(60.0)

    assert {cause for cause, _ in after} == {"none"}
    assert all(salinity == pytest.approx(35.0, abs=0.1) for _, salinity in after)


def test_a_device_with_its_own_thermometer_does_not_speak_against_colder_water() -> None:
    """It shows 35 either way: two degrees are the water's after three quarters of an hour."""
    bench = Bench(own)
    bench.run(60.0)
    bench.water_c -= 2.0
    bench.run(60.0)

    assert bench.rig.cause == "none"
    assert bench.rig.salinity["temperature"] == pytest.approx(bench.water_c, abs=0.1)


def test_a_start_into_a_dried_thermometer_ends_when_it_is_put_back() -> None:
    """Switched on while it hangs in the air, and put into the water an hour later."""
    bench = Bench(conductivity)
    bench.out_s = 1e6
    bench.run(60.0)
    bench.out_s = None

    bench.run(60.0)

    assert bench.rig.salinity["temperature"] == pytest.approx(bench.water_c, abs=0.1)
