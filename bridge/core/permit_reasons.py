"""Which reasons to hold are present, judged twice: for a start (strict) and for going on."""

from collections.abc import Iterable
from math import isfinite
from typing import Final

from bridge.core.findings import Assessment, Quality
from bridge.core.permit_limits import DAY_S, HOUR_S, GateLimits
from bridge.core.permit_rules import PRECAUTIONS, Reason
from bridge.core.permit_run import RunState
from bridge.core.service import ServicePhase
from bridge.core.situation import LevelCondition, Situation

HOLD_PROBABILITY: Final = 0.3
"""A cause holds before it is the first one: a wrong permit is worse than a wrong hold."""
START_PROBABILITY: Final = 0.15
START_UNCERTAINTY: Final = 0.8
START_LITRES: Final = 0.9
START_MARGIN_PSU: Final = 0.1
START_MARGIN_C: Final = 0.2
LARGEST_MARGIN: Final = 0.1
"""Share of a narrow band, so that the margins never close it."""


def margin(low: float, high: float, wanted: float) -> float:
    """How far inside a band a start must be."""
    width = high - low
    return min(wanted, LARGEST_MARGIN * width) if isfinite(width) else wanted


def circumstances(situation: Situation, limits: GateLimits) -> list[str]:
    """Reasons that lie outside the water: link, clock, service, level."""
    found: list[str] = []
    if not situation.link_up:
        found.append(Reason.LINK)
    if not situation.clock_settled:
        found.append(Reason.CLOCK)
    if not situation.alone:
        found.append(Reason.ANOTHER_DAEMON)
    if limits.uncounted:
        found.append(Reason.UNCOUNTED)
    if situation.service is ServicePhase.ACTIVE:
        found.append(Reason.SERVICE)
    elif situation.service is ServicePhase.SETTLING:
        found.append(Reason.SETTLING)
    if limits.moves_water and situation.level is LevelCondition.HIGH:
        found.append(Reason.LEVEL_HIGH)
    if limits.needs_level and situation.level is LevelCondition.UNKNOWN:
        found.append(Reason.LEVEL_SILENT)
    return found


def evidence(
    assessment: Assessment | None, *, at_s: float, evidence_at_s: float | None, limits: GateLimits
) -> list[str]:
    """Whether there is a judgement, and a fresh one.

    Args:
        assessment: The newest.
        at_s: Now. [Unix s]
        evidence_at_s: When the newest probe reading since the start was taken. [Unix s]
        limits: The permit's.
    """
    if assessment is None or evidence_at_s is None or not assessment.settled:
        return [Reason.STARTING]
    # Written as a sum, like the moment at which the gate asks to be woken for it.
    fresh = at_s < evidence_at_s + limits.stale_s(assessment.interval_s)
    if fresh and limits.needs_temperature:
        temperature_at_s = assessment.temperature_at_s
        fresh = (
            assessment.temperature_c is not None
            and temperature_at_s is not None
            and at_s < temperature_at_s + limits.thermometer_stale_s
        )
    return [] if fresh else [Reason.STALE]


def water(assessment: Assessment | None, *, strict: bool, limits: GateLimits) -> list[str]:
    """Reasons that lie in the water or its reading: causes first, then numbers."""
    if assessment is None:
        return []
    found: list[str] = []
    if assessment.cause in limits.held_by:
        found.append(assessment.cause)
    least = START_PROBABILITY if strict else HOLD_PROBABILITY
    for finding in assessment.findings:
        if not finding.probability >= least:
            break
        if finding.cause in limits.held_by and finding.cause is not assessment.cause:
            found.append(finding.cause)
    if limits.held_by_uncertain and _uncertain(
        assessment, strict=strict, explained=bool(found), limits=limits
    ):
        found.append(Reason.UNCERTAIN)
    salinity_psu = assessment.salinity_psu
    inside_psu = margin(limits.low_psu, limits.high_psu, START_MARGIN_PSU) if strict else 0.0
    if salinity_psu is not None and not (
        limits.low_psu + inside_psu <= salinity_psu <= limits.high_psu - inside_psu
    ):
        found.append(Reason.OUT_OF_BAND)
    temperature_c = assessment.temperature_c
    inside_c = margin(limits.low_c, limits.high_c, START_MARGIN_C) if strict else 0.0
    if (
        limits.needs_temperature
        and temperature_c is not None
        and not limits.low_c + inside_c <= temperature_c <= limits.high_c - inside_c
    ):
        found.append(Reason.TEMPERATURE_BAND)
    return found


def _uncertain(
    assessment: Assessment, *, strict: bool, explained: bool, limits: GateLimits
) -> bool:
    largest_psu = limits.largest_uncertainty_psu * (START_UNCERTAINTY if strict else 1.0)
    if assessment.salinity_psu is None or not assessment.uncertainty_psu <= largest_psu:
        return True
    # A cause that holds says already why the quality is not good.
    return limits.held_by_quality and not explained and assessment.quality is not Quality.GOOD


def actuator(
    run: RunState,
    *,
    at_s: float,
    strict: bool,
    evaporation_l_day: float | None,
    limits: GateLimits,
) -> list[str]:
    """Reasons that lie in what the actuator did."""
    found: list[str] = []
    if run.tripped:
        found.append(Reason.RUN_TIME)
    if limits.counted:
        share = START_LITRES if strict else 1.0
        if run.litres_within(at_s, HOUR_S) >= share * limits.hour_l(evaporation_l_day):
            found.append(Reason.LITRES_HOUR)
        if run.litres_within(at_s, DAY_S) >= share * limits.day_l(evaporation_l_day):
            found.append(Reason.LITRES_DAY)
    if (
        run.since_s is None
        and run.stopped_at_s is not None
        and at_s < run.stopped_at_s + limits.smallest_pause_s
    ):
        found.append(Reason.PAUSE)
    return found


def harmful(reasons: Iterable[str], limits: GateLimits) -> bool:
    """Whether an actuator that runs on although it is held does harm.

    It does when a reason of the hold says so, and wherever nothing would count when it becomes too
    much: an additive, or water without meter and rate. What is counted becomes harmful with its
    run time or its litres, which are reasons themselves.

    Args:
        reasons: Of the hold; that it runs on is none.
        limits: The permit's.
    """
    if not (limits.moves_water and limits.counted):
        return True
    return any(reason not in PRECAUTIONS for reason in reasons if reason != Reason.OVERRUN)
