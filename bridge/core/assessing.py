"""What is concluded about one tank at a moment: the assessment that everything else goes by."""

from math import inf, sqrt
from typing import Final

from bridge.core.cause_shares import INDEX, NO_FAULTS, Faults
from bridge.core.diagnosis import Diagnosis
from bridge.core.evidence import ACTIONS, brief, findings
from bridge.core.findings import Assessment, Cause, Finding
from bridge.core.learned import evaporation_l_day
from bridge.core.qartod import PlausibilityTests
from bridge.core.qartod_state import FAIL
from bridge.core.repeats import Repeats
from bridge.core.service import ServicePhase
from bridge.core.settings import Probe, Tank
from bridge.core.status import status
from bridge.core.tank_state import TankState
from bridge.core.thermometer import WaterThermometer
from bridge.core.uncertainty import COVERAGE, ReadingUncertainty

INVALID_MESSAGES: Final = 3
CALM_PROBABILITY: Final = 0.97
CALM_FINDINGS: Final[tuple[Finding, ...]] = (
    Finding(Cause.NONE, CALM_PROBABILITY, (), ACTIONS[Cause.NONE]),
)
"""Stands for every moment at which nothing but health is likely."""

# Local names: looking a member up on an enumeration costs more than a whole comparison.
NONE: Final = Cause.NONE
ACTIVE: Final = ServicePhase.ACTIVE
IDLE: Final = ServicePhase.IDLE
_NONE_INDEX: Final = INDEX[Cause.NONE]


class Assessor:
    """Draws together what tests, thermometer and diagnosis of one tank say."""

    __slots__ = (
        "_diagnosis",
        "_repeats",
        "_state",
        "_tank",
        "_tests",
        "_thermometer",
        "_uncertainty",
    )

    def __init__(
        self,
        tank: Tank,
        state: TankState,
        *,
        tests: PlausibilityTests,
        thermometer: WaterThermometer,
        diagnosis: Diagnosis,
        repeats: Repeats,
    ) -> None:
        self._tank, self._state = tank, state
        self._tests, self._thermometer = tests, thermometer
        self._diagnosis, self._repeats = diagnosis, repeats
        self._uncertainty = ReadingUncertainty(tank.probe, tank.thermometer)

    def correct_by(self, probe: Probe, *, calibration_temperature_c: float | None) -> None:
        """Use another calibration or coefficient from now on."""
        self._uncertainty = ReadingUncertainty(
            probe, self._tank.thermometer, calibration_temperature_c=calibration_temperature_c
        )

    def faults(self, *, silent: bool) -> Faults:
        """What the wire and the sensors themselves say."""
        state, flags = self._state, self._tests.flags()
        thermometer = self._thermometer.state
        unreadable = (
            state.probe_psu is None
            and state.reported is not None
            and thermometer.temperature_c is not None
            and state.invalid < INVALID_MESSAGES
        )
        invalid = not silent and (
            state.invalid >= INVALID_MESSAGES or thermometer.invalid >= INVALID_MESSAGES
        )
        # A dry cell rests at nothing, quite rightly.
        stuck = (flags["flat_line"] is FAIL or self._repeats.flat()) and not unreadable
        dry = self._thermometer.dry
        sudden = self._thermometer.sudden
        if not (silent or invalid or stuck or sudden or unreadable):
            return NO_FAULTS
        return Faults(silent, invalid, stuck, dry, sudden, unreadable)

    def assess(self, at_s: float, cause: Cause, phase: ServicePhase) -> Assessment:
        """Everything that is concluded now, the findings in brief.

        Args:
            at_s: Now. [s]
            cause: What the diagnosis says.
            phase: Of the service mode.
        """
        state, diagnosis, tests = self._state, self._diagnosis, self._tests
        settled = diagnosis.settled(at_s) and phase is IDLE
        salinity_psu, expanded_psu = self._estimate()
        flags = tests.flags()
        quality, flag, ne107 = status(
            cause,
            gross_range=flags["gross_range"],
            settled=settled,
            known=salinity_psu is not None,
            in_service=phase is ACTIVE,
            doubtful=diagnosis.doubtful,
        )
        thermometer = self._thermometer.state
        # In the order of the fields: names would cost as much again as the object itself.
        return Assessment(
            at_s,
            salinity_psu,
            expanded_psu,
            state.probe_psu,
            state.probe_at_s,
            thermometer.raw_c,
            thermometer.raw_at_s,
            state.conductivity_25c_ms_cm,
            state.reported,
            quality,
            flag,
            ne107,
            cause,
            diagnosis.state.since_s,
            self._brief_findings(cause),
            flags,
            settled,
            tests.sensor.interval_s,
            evaporation_l_day(diagnosis.state, self._tank.volume_l),
        )

    def in_full(self, assessment: Assessment) -> Assessment:
        """The same with every cause and its sentences."""
        assessment.findings = findings(self._diagnosis, assessment.at_s)
        return assessment

    def _brief_findings(self, cause: Cause) -> tuple[Finding, ...]:
        """The causes that matter now, without sentences: cheap enough for every sample."""
        if cause is NONE and self._diagnosis.probabilities[_NONE_INDEX] > CALM_PROBABILITY:
            return CALM_FINDINGS
        return brief(self._diagnosis)

    def _estimate(self) -> tuple[float | None, float]:
        estimate = self._diagnosis.estimate()
        temperature_c = self._thermometer.state.temperature_c
        if estimate is None or temperature_c is None:
            return None, inf
        salinity_psu, variance = estimate
        expanded_psu = COVERAGE * self._uncertainty.standard_psu(
            self._state.reported or 0.0,
            salinity_psu,
            temperature_c,
            self._tests.sensor.resolution or 0.0,
            sqrt(variance),
        )
        if expanded_psu > self._tank.limits.largest_uncertainty_psu:
            return None, expanded_psu
        return salinity_psu, expanded_psu
