"""From a probe's number to what the tests and the diagnosis are told."""

from math import hypot, inf, sqrt
from typing import Final

from bridge.core import seawater
from bridge.core.compensation import Corrector
from bridge.core.diagnosis import Diagnosis
from bridge.core.errors import OutOfRangeError
from bridge.core.following import LEAST_NOISE_PSU
from bridge.core.qartod import PlausibilityTests
from bridge.core.repeats import Repeats
from bridge.core.settings import Probe, ProbeUnit
from bridge.core.silence import Silence
from bridge.core.tank_state import TankState
from bridge.core.thermometer import WaterThermometer

PSU_PER_C: Final = 0.77
"""Salinity per degree of the thermometer; computed from PSS-78 at S = 35, 25 °C."""
POSSIBLE: Final = {
    ProbeUnit.MS_CM: (-1.0, 200.0),
    ProbeUnit.US_CM: (-100.0, 2e5),
    ProbeUnit.S_M: (-0.1, 20.0),
    ProbeUnit.PSU: (-1.0, 100.0),
    ProbeUnit.PPT: (-1.0, 100.0),
    ProbeUnit.SG: (0.9, 1.2),
}
"""What a probe can read at all, in or out of the water."""
LEAST_SD_PSU: Final = 1e-3
AHEAD_C: Final = 1.0
"""What a drying thermometer runs on between two of its readings (assumed)."""

_ROUGH_PSU_PER_MS_CM: Final = 35.0 / 53.0
_ROUGH_PSU_PER_GRAVITY: Final = 1330.0


class ProbeInput:
    """The readings of one tank's probe.

    Args:
        state: Of the tank.
        unit: The probe's.
        tests: Plausibility tests of the probe.
        thermometer: Of the water.
        diagnosis: Takes in what the reading says about the water.
    """

    __slots__ = (
        "_corrector",
        "_diagnosis",
        "_repeats",
        "_silence",
        "_state",
        "_tests",
        "_thermometer",
        "_unit",
    )

    def __init__(
        self,
        state: TankState,
        probe: Probe,
        *,
        tests: PlausibilityTests,
        thermometer: WaterThermometer,
        diagnosis: Diagnosis,
        silence: Silence,
        repeats: Repeats,
    ) -> None:
        self._state, self._unit = state, probe.unit
        self._tests, self._thermometer, self._diagnosis = tests, thermometer, diagnosis
        self._silence, self._repeats = silence, repeats
        self._corrector = Corrector(probe)

    def correct_by(self, probe: Probe) -> None:
        """Use another calibration or coefficient from now on."""
        self._corrector = Corrector(probe)

    def stale(self, at_s: float, taken_s: float, reported: float) -> bool:
        """Whether a reading is older than the one before; the tests are told of it then."""
        before_s = self._state.probe_at_s
        if before_s is None or taken_s >= before_s:
            return False
        self._tests.sample(taken_s, None, reported, None, arrived_at_s=at_s)
        return True

    def take(self, at_s: float, taken_s: float, reported: float, *, in_service: bool) -> None:
        """Take in a reading that is newer than any before.

        Args:
            at_s: When it arrived. [s]
            taken_s: When it was measured, not later than that. [s]
            reported: The number, in the probe's unit.
            in_service: Whether hands are in the water.
        """
        state, thermometer = self._state, self._thermometer
        if state.invalid:
            state.invalid -= 1
        if state.probe_at_s is not None:
            self._silence.follow(taken_s - state.probe_at_s)
        water_c = thermometer.usable(at_s)
        psu: float | None = None
        if water_c is None:
            state.probe_psu = state.conductivity_25c_ms_cm = None
        else:
            self._correct(reported, thermometer.state.raw_c)
            psu = self._salinity(reported, water_c)
        self._tests.sample(taken_s, psu, reported, water_c, arrived_at_s=at_s)
        self._repeats.follow(reported)
        state.probe_at_s, state.reported = taken_s, reported
        if water_c is None:
            return
        known = True
        if thermometer.state.odd_since_s is not None:
            psu, water_c, known = self._whose_fault(at_s, reported, psu, water_c)
        elif thermometer.state.slipping_since_s is not None:
            known = not self._follows_slip(at_s)
        if in_service:
            # Hands in the water: whatever the probe says now is no evidence.
            self._diagnosis.idle(taken_s)
            self._diagnosis.state.good_samples = 0
            return
        if self._repeats.flat():
            # A number that hangs is corrected by a temperature that moves: no evidence either.
            self._diagnosis.idle(taken_s)
            return
        if known:
            self._judge(taken_s, reported, psu, water_c)
        else:
            self._diagnosis.idle(taken_s)

    def _judge(
        self, taken_s: float, reported: float, psu: float | None, temperature_c: float
    ) -> None:
        sensor = self._tests.sensor
        by_temperature = PSU_PER_C * self._thermometer.sd_c
        noise_psu = hypot(sensor.effective_noise_psu, by_temperature)
        floor_psu = hypot(0.3 * sensor.rounding_psu, by_temperature)
        self._diagnosis.probe(
            taken_s,
            self._rough_psu(reported) if psu is None else psu,
            temperature_c,
            noise_psu if noise_psu > LEAST_SD_PSU else LEAST_SD_PSU,
            sensor.interval_s,
            floor_psu if floor_psu > LEAST_NOISE_PSU else LEAST_NOISE_PSU,
        )
        block = self._diagnosis.blocks.state.running
        if block is not None:
            if block.number is None:
                block.step_psu, block.noise_psu = sensor.rounding_psu, sensor.noise_psu
                block.undone_psu_per_c = self._undone_psu_per_c(reported, temperature_c)
            block.sent(reported)

    def _correct(self, reported: float, temperature_c: float | None) -> None:
        """Keep what this sample says by the newest temperature as it came."""
        state = self._state
        state.probe_psu = state.conductivity_25c_ms_cm = None
        if temperature_c is None:
            return
        try:
            probe_psu = self._corrector.salinity_psu(reported, temperature_c)
            state.probe_psu = probe_psu
            state.conductivity_25c_ms_cm = seawater.conductivity_ms_cm(
                probe_psu, seawater.REFERENCE_TEMPERATURE_C
            )
        except OutOfRangeError:
            return

    def _salinity(self, reported: float, temperature_c: float) -> float | None:
        try:
            return self._corrector.salinity_psu(reported, temperature_c)
        except OutOfRangeError:
            return None

    def _whose_fault(
        self, at_s: float, reported: float, psu: float | None, water_c: float
    ) -> tuple[float | None, float, bool]:
        """A thermometer jumped: is it the water that changed, or the thermometer that is dry?

        The device may have compensated by that same thermometer; then its odd reading undoes what
        the device did, and the temperature held makes salinity of it. The water goes on to warm or
        cool unseen: what that can do to the number tells nothing about its salinity, and only what
        is beyond it does.

        Returns:
            Salinity to judge, the water's temperature, and whether the two say anything about the
            water's salinity.
        """
        estimate, raw_psu = self._diagnosis.estimate(), self._state.probe_psu
        thermometer = self._thermometer
        raw_c = thermometer.state.raw_c
        if estimate is None or raw_c is None:
            return psu, water_c, True
        salinity, near = estimate[0], 0.1 + 3.0 * sqrt(estimate[1])
        shared = self._salinity_undone_at(reported, raw_c, water_c)
        held: float | None = psu
        misled = False
        if held is None or (shared is not None and abs(shared - salinity) < abs(held - salinity)):
            held, misled = shared, True
        away = inf if held is None else abs(held - salinity)
        raw_away = inf if raw_psu is None else abs(raw_psu - salinity)
        if raw_away < near and (raw_away < 0.3 * away or thermometer.possible(at_s)):
            thermometer.accept(at_s)
            return raw_psu, raw_c, True
        if held is None:
            # A thermometer that is too cold can drive the device beyond what has a salinity.
            beyond = self._rough_psu(reported) > salinity and raw_c < water_c
            if beyond:
                thermometer.refute(at_s, confirmed=True)
            return None, water_c, not beyond
        if raw_away < near and away < near:
            # The device has a thermometer of its own, so that ours hardly matters.
            return held, water_c, True
        unseen_psu = PSU_PER_C * thermometer.unseen_c(at_s)
        if away < near + unseen_psu:
            if raw_away > max(near, 2.0 * away):
                thermometer.refute(at_s, confirmed=misled)
            return held, water_c, False
        return held + (unseen_psu if held < salinity else -unseen_psu), water_c, True

    def _follows_slip(self, at_s: float) -> bool:
        """Whether the reading departs the way a thermometer makes it that begins to dry.

        Colder than the water, it makes the salinity too high, the device's own as well. The next
        readings of the thermometer tell; until then this one is no evidence.
        """
        slip_c = self._thermometer.slips(at_s)
        estimate, raw_psu = self._diagnosis.estimate(), self._state.probe_psu
        if slip_c == 0.0 or estimate is None or raw_psu is None:
            return False
        away = raw_psu - estimate[0]
        # The device may be up to one reading of the thermometer ahead of what we know of it.
        most = PSU_PER_C * (abs(slip_c) + AHEAD_C)
        return 3.0 * sqrt(estimate[1]) < abs(away) < most and (away > 0.0) is (slip_c < 0.0)

    def _salinity_undone_at(self, reported: float, undone_c: float, water_c: float) -> float | None:
        """Salinity when the device compensated by another temperature than the water's."""
        try:
            conductivity = self._corrector.conductivity_ms_cm(reported, undone_c)
            return seawater.salinity_psu(conductivity, water_c)
        except OutOfRangeError:
            return None

    def _undone_psu_per_c(self, reported: float, temperature_c: float) -> float:
        """How the salinity follows the temperature while the device's number stands still."""
        above = self._salinity(reported, temperature_c + 0.5)
        below = self._salinity(reported, temperature_c - 0.5)
        return 0.0 if above is None or below is None else above - below

    def _rough_psu(self, reported: float) -> float:
        """About what a reading outside the salinity scale would be; only its size matters."""
        unit = self._unit
        if unit in {ProbeUnit.PSU, ProbeUnit.PPT}:
            rough = reported
        elif unit is ProbeUnit.SG:
            rough = (reported - 1.0) * _ROUGH_PSU_PER_GRAVITY
        else:
            factor = {ProbeUnit.MS_CM: 1.0, ProbeUnit.US_CM: 1e-3, ProbeUnit.S_M: 10.0}[unit]
            rough = reported * factor * _ROUGH_PSU_PER_MS_CM
        return min(max(rough, 0.0), 50.0)
