"""What a saved state says a tank has learned, for those who look at it afterwards."""

from collections.abc import Mapping
from math import inf

from bridge.core.diagnosis_state import SETTLED_S, SETTLED_SAMPLES, DiagnosisState
from bridge.core.findings import Assessment, Cause, Flag, Ne107, Quality
from bridge.core.judgement import Surroundings, swing_estimate

FEWEST_HOURS = 24
"""Undisturbed hours before the learned evaporation means anything."""
HOURS_A_DAY = 24.0


def evaporation_l_day(state: DiagnosisState, volume_l: float) -> float | None:
    """Learned evaporation; None while too little is known.

    Args:
        state: As saved.
        volume_l: Water in the system. [l]

    Returns:
        Pure water that leaves in a day. [l/d]
    """
    water = state.water
    if water is None or state.balance.band_hours < FEWEST_HOURS:
        return None
    return max(water.slope_psu_h * HOURS_A_DAY / water.salinity_psu * volume_l, 0.0)


def surroundings(state: DiagnosisState, last_likely_at_s: Mapping[Cause, float]) -> Surroundings:
    """What advice needs beyond the present moment.

    Args:
        state: As saved.
        last_likely_at_s: When each disturbance was last likely. [Unix s]
    """
    blocks = [block for block in state.blocks.finished if block.samples]
    return Surroundings(
        last_likely_at_s=last_likely_at_s,
        swing=swing_estimate(state.dependence),
        coldest_c=min((block.temperature_c for block in blocks), default=None),
        warmest_c=max((block.temperature_c for block in blocks), default=None),
    )


def as_saved(state: DiagnosisState, at_s: float, temperature_c: float | None) -> Assessment:
    """The moment at which a state was saved, as far as it tells.

    Args:
        state: As saved.
        at_s: When. [Unix s]
        temperature_c: Of the water then; None when not known. [°C]
    """
    disturbed = state.cause is not Cause.NONE
    settled = (
        state.started_s is not None
        and state.good_samples >= SETTLED_SAMPLES
        and at_s - state.started_s >= SETTLED_S
    )
    return Assessment(
        at_s=at_s,
        salinity_psu=None if state.water is None else state.water.salinity_psu,
        uncertainty_psu=inf,
        probe_salinity_psu=None,
        probe_at_s=state.last_probe_s,
        temperature_c=temperature_c,
        temperature_at_s=None,
        conductivity_25c_ms_cm=None,
        reported=None,
        quality=Quality.UNCERTAIN,
        flag=Flag.SUSPECT if disturbed else Flag.NOT_EVALUATED,
        ne107=Ne107.CHECK,
        cause=state.cause,
        since_s=state.since_s,
        findings=(),
        tests={},
        settled=settled,
        interval_s=inf,
        evaporation_l_day=None,
    )
