"""Streaming plausibility tests by the names and flags of the QARTOD manual.

Each sample costs O(1). Time differences are real and may be any fraction of a second; every
limit on a change is a rate times the time that passed, plus what the sensor's own learned noise
and resolution can feign. A test that could not be made says so and is never taken for a pass.

How the manual was read for a stream:

* ``gap``: FAIL while a message is overdue and for a stamp that does not advance; SUSPECT for
  the first sample after a gap, whose time-dependent tests are not evaluated.
* ``syntax``: FAIL for a message without a usable number.
* ``gross_range``: FAIL outside the practical salinity scale; SUSPECT further outside the
  keeper's normal band than the band is wide.
* ``climatology``: SUSPECT outside the keeper's normal band; no fail level, as in the manual.
* ``spike``: the manual judges the sample *before* the newest. Here the newest is provisional:
  SUSPECT from the first sample that left the level until it comes back (a spike) or three in a
  row agree on a new level (a step, which is no spike; more after a ragged burst). What became
  of the earlier ones is in ``PlausibilityTests.settled``. It never fails the newest sample:
  whether that is a spike is not known yet.
* ``rate_of_change``: judged against the last level that was not in doubt, so that the samples
  of a spike are flagged and the return from it is not. Means of ten minutes are compared too.
* ``flat_line``: equal raw numbers, against how often this sensor repeats itself.
* ``multi_variate``: a change that a jump of the thermometer explains, or that began when a
  device switched; no fail level.
* ``attenuated_signal``: noise far below the sensor's own.
* ``neighbour``: with a second probe only: disagreement beyond both expanded uncertainties; no
  fail level, since it is not known which of the two is wrong.

Source: QARTOD Manual for Real-Time Quality Control of In-situ Temperature and Salinity Data.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Final

from bridge.core.findings import Flag
from bridge.core.learning import SensorLearning
from bridge.core.qartod_bounds import (
    HIGHEST_C,
    HIGHEST_PSU,
    LOWEST_C,
    LOWEST_PSU,
    Bounds,
    bounds,
    naturally_flat_s,
)
from bridge.core.qartod_change import ChangeTests
from bridge.core.qartod_evidence import judge_attenuation, judge_evidence, judge_neighbour
from bridge.core.qartod_explain import Context, explanation
from bridge.core.qartod_state import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT, QartodState
from bridge.core.settings import Tank

SUSPECT_REPEATS: Final = 1e-6
FLAT_S: Final = 300.0
"""Shortest flat line: devices average and repeat over up to a few minutes."""
UNTIMELY_TO_ACCEPT: Final = 5
"""Stamps in a row that advance among themselves before a clock set back is believed."""
SMALLEST_FLAT_SAMPLES: Final = 5


@dataclass(frozen=True, slots=True)
class Settled:
    """What the newest sample showed about the ones before it."""

    outcome: str
    """``spike`` (it came back) or ``step`` (it stayed)."""
    samples: int
    """How many samples had left the level, the newest of a step included."""
    flag: Flag
    """The manual's spike flag of those samples: SUSPECT or FAIL for a spike, PASS for a step."""


class PlausibilityTests:
    """The tests of one probe.

    Args:
        tank: Its settings; limits follow from volume, plumbing, probe and thermometer.
        state: What an earlier life remembered; None to start afresh.
    """

    __slots__ = ("_bounds", "_change", "_tank", "sensor", "state")

    def __init__(self, tank: Tank, state: QartodState | None = None) -> None:
        self._tank = tank
        self._bounds: Bounds = bounds(tank)
        self.state = QartodState() if state is None else state
        self.sensor = SensorLearning(tank.probe, self.state.learning)
        """What is known about the probe's cadence, noise, resolution and repeats."""
        self._change = ChangeTests(self.state, self.sensor, self._bounds)
        if tank.second_probe is None:
            self.state.flags.pop("neighbour", None)
        else:
            self.state.flags.setdefault("neighbour", MISSING)

    def flags(self) -> Mapping[str, Flag]:
        """Flag of each test for the newest sample; a live view, copy it to keep it."""
        return self.state.flags

    @property
    def settled(self) -> Settled | None:
        """What the newest sample showed about an excursion before it; None for nothing."""
        state = self.state
        if state.settled is None:
            return None
        return Settled(state.settled, state.settled_samples, state.settled_flag)

    @property
    def due_s(self) -> float | None:
        """Engine time from which silence is a gap; None before anything was awaited [s]."""
        arrived_at_s = self.state.arrived_at_s
        return None if arrived_at_s is None else arrived_at_s + self.sensor.late_s

    def explain(self, name: str) -> str:
        """Why a test has its present flag, as sentences with numbers.

        Args:
            name: One of the tests' names.

        Raises:
            KeyError: No such test here.
        """
        context = Context(self.state, self.sensor, self._bounds, self._tank.probe.unit.value)
        return explanation(name, context)

    def equipment_switched(self, at_s: float, name: str) -> None:
        """Note that a device switched, in case the reading changes with it.

        Args:
            at_s: On the samples' time scale. [s]
            name: The device as the keeper calls it.
        """
        self.state.switched_at_s = at_s
        self.state.switched = name

    def second_probe(self, at_s: float, salinity_psu: float) -> None:
        """Note a sample of the second probe.

        Args:
            at_s: When it was taken. [s]
            salinity_psu: Corrected salinity; ignored unless finite. [1]
        """
        if isfinite(salinity_psu):
            self.state.neighbour_psu = salinity_psu
            self.state.neighbour_at_s = at_s

    def syntax_error(self, at_s: float) -> Mapping[str, Flag]:
        """Judge a message without a usable number.

        Args:
            at_s: When it arrived. [s]
        """
        self._nothing_to_judge()
        self.state.flags["gap"] = PASS
        self.state.flags["syntax"] = FAIL
        self._arrived(at_s)
        return self.state.flags

    def overdue(self, at_s: float) -> Mapping[str, Flag]:
        """Judge the silence: fail the gap test when a message is overdue, else change nothing.

        Args:
            at_s: Engine time now. [s]
        """
        state = self.state
        if state.arrived_at_s is None:
            state.arrived_at_s = at_s
        elif at_s - state.arrived_at_s > self.sensor.late_s:
            self._nothing_to_judge()
            state.flags["syntax"] = MISSING
            state.flags["gap"] = FAIL
            state.overdue_s = at_s - state.arrived_at_s
        return state.flags

    def sample(
        self,
        at_s: float,
        salinity_psu: float | None,
        reported: float,
        temperature_c: float | None,
        *,
        fastest_fall_psu_h: float | None = None,
        fastest_rise_psu_h: float | None = None,
        arrived_at_s: float | None = None,
    ) -> Mapping[str, Flag]:
        """Judge one sample.

        Args:
            at_s: When it was taken. [s]
            salinity_psu: Corrected salinity, unfiltered; None or not finite when it could not
                be computed. [1]
            reported: The number as it arrived, in the probe's unit; not finite counts as a
                syntax error.
            temperature_c: Newest water temperature that is fit for use; None when unknown. [C]
            fastest_fall_psu_h: How fast the water itself may fall now, for instance during a
                water change; left out, from volume and plumbing. [1/h]
            fastest_rise_psu_h: The same for rising. [1/h]
            arrived_at_s: Engine time of arrival, when ``at_s`` is the device's own. [s]

        Returns:
            Flag by test name; a live view that the next call changes.
        """
        if arrived_at_s is None:
            arrived_at_s = at_s
        # x - x is 0 for a finite number, NaN for NaN and the infinities; cheaper than isfinite.
        if reported - reported != 0.0 or at_s - at_s != 0.0:
            return self.syntax_error(arrived_at_s)
        if salinity_psu is not None and salinity_psu - salinity_psu != 0.0:
            salinity_psu = None
        if temperature_c is not None and temperature_c - temperature_c != 0.0:
            temperature_c = None

        state = self.state
        flags = state.flags
        interval_s = None if state.at_s is None else at_s - state.at_s
        if interval_s == 0.0 and reported == state.reported:
            # Delivered twice; it is neither news nor evidence that the probe is alive.
            state.duplicates += 1
            return flags
        self._arrived(arrived_at_s)
        flags["syntax"] = PASS
        state.settled = None
        state.judged_psu = salinity_psu
        state.judged_reported = reported
        self._ranges(salinity_psu, temperature_c)
        if interval_s is not None and interval_s <= 0.0:
            if not self._clock_was_set_back(at_s):
                self._untimely(salinity_psu)
                return flags
            interval_s = None
        state.untimely_run = 0
        self._timing(interval_s, salinity_psu, reported)
        sensor = self.sensor
        if salinity_psu is None:
            flags["spike"] = flags["rate_of_change"] = flags["multi_variate"] = MISSING
            flags["attenuated_signal"] = MISSING
        else:
            limits = self._bounds
            fall = limits.fall_psu_h if fastest_fall_psu_h is None else fastest_fall_psu_h
            rise = limits.rise_psu_h if fastest_rise_psu_h is None else fastest_rise_psu_h
            self._change.judge(at_s, salinity_psu, temperature_c, fall, rise)
            flags["multi_variate"] = judge_evidence(state, sensor, limits, at_s, temperature_c)
            flags["attenuated_signal"] = judge_attenuation(sensor)
            state.earlier_psu = state.salinity_psu
            state.earlier_at_s = state.salinity_at_s
            state.earlier_c = state.temperature_c
            state.salinity_psu = salinity_psu
            state.salinity_at_s = at_s
            state.temperature_c = temperature_c
        both_psu = self._bounds.neighbour_expanded_psu
        if both_psu is not None:
            flags["neighbour"] = judge_neighbour(state, sensor, both_psu, at_s, salinity_psu)
        state.at_s = at_s
        state.reported = reported
        return flags

    def _arrived(self, at_s: float) -> None:
        self.state.arrived_at_s = at_s
        self.state.overdue_s = None

    def _nothing_to_judge(self) -> None:
        flags = self.state.flags
        for name in flags:
            flags[name] = MISSING
        self.state.settled = None

    def _ranges(self, salinity_psu: float | None, temperature_c: float | None) -> None:
        """Gross range and climatology, which need neither time nor memory."""
        flags, limits = self.state.flags, self._bounds
        if salinity_psu is None:
            flags["climatology"] = MISSING
            # With a temperature at hand, a number that is no salinity is out of every range.
            flags["gross_range"] = MISSING if temperature_c is None else FAIL
            return
        if not LOWEST_PSU <= salinity_psu <= HIGHEST_PSU or (
            temperature_c is not None and not LOWEST_C <= temperature_c <= HIGHEST_C
        ):
            flags["gross_range"] = FAIL
        elif limits.suspect_low_psu <= salinity_psu <= limits.suspect_high_psu:
            flags["gross_range"] = PASS
        else:
            flags["gross_range"] = SUSPECT
        normal = limits.low_psu <= salinity_psu <= limits.high_psu
        flags["climatology"] = PASS if normal else SUSPECT

    def _clock_was_set_back(self, at_s: float) -> bool:
        """Whether several stamps in a row advance, only from an earlier time."""
        state = self.state
        before_s = state.untimely_at_s
        advances = state.untimely_run > 0 and before_s is not None and at_s > before_s
        state.untimely_run = state.untimely_run + 1 if advances else 1
        state.untimely_at_s = at_s
        return state.untimely_run >= UNTIMELY_TO_ACCEPT

    def _untimely(self, salinity_psu: float | None) -> None:
        """Judge a sample that is not newer than the last: nothing is remembered of it."""
        state = self.state
        flags = state.flags
        flags["gap"] = FAIL
        unknown = MISSING if salinity_psu is None else NOT_EVALUATED
        flags["flat_line"] = NOT_EVALUATED
        flags["spike"] = flags["rate_of_change"] = unknown
        flags["multi_variate"] = flags["attenuated_signal"] = unknown
        if "neighbour" in flags:
            flags["neighbour"] = unknown

    def _timing(
        self, interval_s: float | None, salinity_psu: float | None, reported: float
    ) -> None:
        """Gap and flat line, and what the probe teaches about itself."""
        state, sensor = self.state, self.sensor
        flags = state.flags
        before = state.reported
        late_s = sensor.late_s
        state.interval_s = interval_s
        if interval_s is not None:
            known = sensor.cadence_known
            sensor.interval(interval_s)
            if interval_s <= late_s and before is not None:
                flags["gap"] = PASS if known else NOT_EVALUATED
                change_psu = None
                if salinity_psu is not None and state.salinity_at_s == state.at_s:
                    change_psu = salinity_psu - (state.salinity_psu or 0.0)
                sensor.reading(interval_s, change_psu, reported, before)
                if sensor.unscaled and salinity_psu is not None:
                    sensor.scale(salinity_psu, reported)
                flags["flat_line"] = self._flat(salinity_psu) if reported == before else PASS
                return
            flags["gap"] = SUSPECT if known else NOT_EVALUATED
        else:
            flags["gap"] = NOT_EVALUATED if state.at_s is None else SUSPECT
        flags["flat_line"] = NOT_EVALUATED
        sensor.begin()
        sensor.restart_run(reported, before)
        self._change.forget_level()

    def _flat(self, salinity_psu: float | None) -> Flag:
        """Flag of a run of equal readings."""
        sensor = self.sensor
        run = sensor.state
        if run.run_s < FLAT_S or run.run_samples < SMALLEST_FLAT_SAMPLES:
            return PASS
        # Length of the run over the longest natural one, where both rules must agree.
        shares = []
        if sensor.repeats_known:
            shares.append((run.run_samples - 1) / sensor.natural_repeats(SUSPECT_REPEATS))
        if sensor.coarse or not sensor.repeats_known:
            level_psu = self._tank.limits.target_psu if salinity_psu is None else salinity_psu
            shares.append(run.run_s / naturally_flat_s(sensor.rounding_psu, level_psu))
        share = min(shares)
        # Twice the repeats are the square of the probability: 1e-12.
        return PASS if share < 1.0 else SUSPECT if share < 2.0 else FAIL  # noqa: PLR2004
