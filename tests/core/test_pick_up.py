"""Known disturbers: what is taken out of a reading, and what a second coincidence is worth."""

from dataclasses import replace
from random import Random

import pytest

from bridge.core.balance import Balance
from bridge.core.circumstances import Circumstances
from bridge.core.devices import Devices
from bridge.core.diagnosis_state import DiagnosisState
from bridge.core.estimator import WaterState
from bridge.core.inflow import Inflow
from bridge.core.pick_up import PickUp
from bridge.core.settings import Equipment, EquipmentKind
from tests.core.engine_rig import PLAIN, START_S

INTERVAL_S = 10.0
NOISE_PSU = 0.01
STEP_PSU = 0.4
TANK = replace(
    PLAIN,
    equipment={
        "heater": Equipment(topic="heater", kind=EquipmentKind.HEATER),
        "light": Equipment(topic="light", kind=EquipmentKind.LIGHT),
    },
)


class Bench:
    """Readings at 35 beside a heater that lifts them while it runs, and a light that does not."""

    def __init__(self, step_psu: float = STEP_PSU, *, seed: int = 1) -> None:
        self.state = DiagnosisState()
        self.devices = Devices(("heater", "light"), self.state.devices)
        self.step_psu, self.rng = step_psu, Random(seed)
        self.at_s = START_S
        self.on = {"heater": False, "light": False}
        for name in self.on:
            self.devices.switched(name, self.at_s, on=False)
        self.read(400)

    def read(self, count: int) -> None:
        """Readings, with the step while the heater runs."""
        for _ in range(count):
            self.at_s += INTERVAL_S
            value = 35.0 + self.rng.gauss(0.0, NOISE_PSU) + self.step_psu * self.on["heater"]
            self.devices.sample(self.at_s, value, NOISE_PSU, INTERVAL_S)

    def toggle(self, name: str, count: int = 1) -> None:
        """Switch it so often, forty readings apart."""
        for _ in range(count):
            self.on[name] = not self.on[name]
            self.devices.switched(name, self.at_s + 4.0, on=self.on[name])
            self.read(40)


def without_heater(reading_psu: float, *, sd_psu: float = 0.01) -> float:
    """What is left of a reading while a heater runs that is known to lift it by 0.4."""
    bench = Bench()
    bench.toggle("heater", 9)
    assert [name for name, _ in bench.devices.named()] == ["heater"]
    assert bench.on["heater"]
    water = WaterState(bench.at_s, 35.0, 0.0, sd_psu * sd_psu, 0.0, 1e-10)
    found, _ = PickUp(TANK, bench.state, bench.devices).without_devices(
        bench.at_s, reading_psu, NOISE_PSU, water
    )
    return found


def test_a_known_step_that_is_there_is_taken_out() -> None:
    """The heater runs and the reading is where it lifts it to."""
    assert without_heater(35.4) == pytest.approx(35.0, abs=0.02)


def test_a_known_step_that_can_be_seen_not_to_be_there_is_not() -> None:
    """Its cable was moved: taking 0.4 off a reading that is right would make it wrong."""
    assert without_heater(35.0) == 35.0


def test_where_the_water_is_in_doubt_the_known_step_is_taken_out() -> None:
    """After hours unseen the water may be anywhere between: then the habit counts."""
    assert without_heater(35.0, sd_psu=0.2) == pytest.approx(34.6, abs=0.02)


# ---------------------------------------------------------------------- the next coincidence


def odds_at_next(bench: Bench) -> float:
    """Odds for pick-up at a change that comes with the next switching of the heater."""
    bench.on["heater"] = not bench.on["heater"]
    bench.devices.switched("heater", bench.at_s + 4.0, on=bench.on["heater"])
    state = bench.state
    state.last_probe_s = bench.at_s
    circumstances = Circumstances(
        TANK, state, Inflow(TANK, state.inflow), bench.devices, Balance(state.balance)
    )
    odds, _ = circumstances.switching_odds(bench.at_s + INTERVAL_S, INTERVAL_S)
    return odds


@pytest.mark.parametrize("step_psu", [-0.5, 0.5])
@pytest.mark.parametrize("seed", range(5))
def test_the_third_step_of_a_device_is_rather_its_doing_than_a_bubble(
    step_psu: float, seed: int
) -> None:
    """Too few to name it, but equal steps there and back at its switching are no chance."""
    disturbing, innocent = Bench(step_psu, seed=seed), Bench(0.0, seed=seed)
    for bench in (disturbing, innocent):
        bench.toggle("heater", 2)
        assert bench.devices.named() == []

    assert odds_at_next(disturbing) > 5.0 * odds_at_next(innocent)


@pytest.mark.parametrize("seed", range(5))
def test_one_step_or_none_is_no_habit(seed: int) -> None:
    """The first coincidence speaks by itself; a device that never showed gains nothing."""
    once, never = Bench(seed=seed), Bench(0.0, seed=seed)
    once.toggle("heater", 1)
    never.toggle("heater", 4)

    assert once.devices.shown_before("heater") == 1.0
    assert never.devices.shown_before("heater") == 1.0


def test_steps_of_either_sign_at_random_show_nothing() -> None:
    """Up by as much as down, whether it goes on or off: that is no effect of the device."""
    bench = Bench(0.0)
    for index in range(6):
        bench.toggle("heater")
        edge = bench.devices.state.devices["heater"].steps[-1]
        edge.change = 0.4 if index % 4 < 2 else -0.4

    assert bench.devices.shown_before("heater") < 3.0
