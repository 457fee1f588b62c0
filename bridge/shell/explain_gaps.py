"""What a tank's settings leave out, and what that costs; and what deserves a second look."""

from typing import Final

from bridge.core.findings import Cause
from bridge.core.permit_rules import default_causes
from bridge.core.settings import Delivers, EquipmentKind, Permit, Reports, Tank
from bridge.shell.explain_probe import USUAL_COEFFICIENTS_PCT_PER_C

LARGEST_TOP_OFF_PER_H: Final = 0.5
"""Share of the volume an hour above which a stated top-off is probably a mistaken unit."""

NO_EQUIPMENT: Final = (
    "No equipment is configured: interference cannot be named, because nothing tells which device "
    "switched when the reading stepped; bubbles cannot be tied to a pump or skimmer."
)
NO_PUMP: Final = (
    "No return pump is configured: a probe left dry by a stopped pump (exposed) is recognised by "
    "its reading alone."
)
NO_BUBBLE_SOURCE: Final = (
    "Neither a skimmer nor a return pump is configured: bubbles are recognised by the shape of "
    "the reading alone, without their source."
)
NO_OTHER_PROBE: Final = (
    "No other probe's supply is configured: adjacent-probe can be suspected at most; a "
    "disturbance by another probe looks like interference or stays unexplained."
)
NO_LEVEL: Final = (
    "No water level: an empty reservoir, a leak and a pump that does not stop are seen only once "
    "the salinity moves, and dilution or concentration is named without its likely reason."
)
NO_LITRES: Final = (
    "Fresh water is not metered: drift and slow dilution or concentration cannot be told apart "
    "without a reference check; evaporation is learned from the salinity alone."
)
NO_ADDITION: Final = (
    "Neither metered litres nor a top-off pump or doser: plume cannot be tied to an addition, so "
    "a dip from unmixed water may be taken for bubbles."
)
NO_SECOND_PROBE: Final = (
    "No second probe: what disturbs the probe has to be told from a change of the water by "
    "physics alone."
)
NO_TOP_OFF_RATE: Final = (
    "plumbing.top_off_l_h is left out: the fastest possible fall is assumed generously, so a "
    "disturbance must be larger or faster to stand out."
)
UNKNOWN_COMPENSATION: Final = (
    'The probe reports "salinity" of unknown compensation: it cannot be corrected for temperature '
    "from the start, and compensation is named only after days of temperature swing."
)
NO_TIME: Final = (
    "The probe's JSON is read without time_path: a message that was delayed on its way counts as "
    "new."
)
NO_PERMITS: Final = "No permits: nothing is held or permitted; the daemon only reports."


def gaps(tank: Tank) -> list[str]:
    """What is not configured, and which causes are therefore told less sharply or not at all."""
    kinds = {equipment.kind for equipment in tank.equipment.values()}
    pump = EquipmentKind.RETURN_PUMP in kinds
    adds = bool(kinds & {EquipmentKind.TOP_OFF_PUMP, EquipmentKind.DOSER})
    metered = tank.metered_top_off is not None
    found = (
        (tank.probe.reports is Reports.SALINITY, UNKNOWN_COMPENSATION),
        (not kinds, NO_EQUIPMENT),
        (bool(kinds) and not pump, NO_PUMP),
        (bool(kinds) and not pump and EquipmentKind.SKIMMER not in kinds, NO_BUBBLE_SOURCE),
        (EquipmentKind.OTHER_PROBE not in kinds, NO_OTHER_PROBE),
        (tank.level is None, NO_LEVEL),
        (not metered, NO_LITRES),
        (not metered and not adds, NO_ADDITION),
        (tank.second_probe is None, NO_SECOND_PROBE),
        (tank.plumbing.top_off_l_h is None, NO_TOP_OFF_RATE),
        (tank.probe.path is not None and tank.probe.time_path is None, NO_TIME),
        (not tank.permits, NO_PERMITS),
    )
    return [sentence for applies, sentence in found if applies]


def doubts(tank: Tank) -> list[str]:
    """What is allowed but unusual."""
    found = []
    low, high = USUAL_COEFFICIENTS_PCT_PER_C
    for key, probe in (("probe", tank.probe), ("second_probe", tank.second_probe)):
        coefficient = probe.coefficient_pct_per_c if probe is not None else None
        if coefficient is not None and not low <= coefficient <= high:
            found.append(
                f"{key}.coefficient_pct_per_c = {coefficient:g} is unusual; devices use {low:g} "
                f"to {high:g}."
            )
    top_off_l_h = tank.plumbing.top_off_l_h
    if top_off_l_h is not None and top_off_l_h > LARGEST_TOP_OFF_PER_H * tank.volume_l:
        found.append(
            f"plumbing.top_off_l_h = {top_off_l_h:g} would replace the tank's water in "
            f"{tank.volume_l / top_off_l_h:.1f} hours. Is it litres an hour?"
        )
    for name, permit in tank.permits.items():
        if permit.delivers is Delivers.SALT_WATER and tank.plumbing.salt_water_l_h == 0:
            found.append(
                f"permits.{name} delivers salt water, but plumbing.salt_water_l_h is 0: what it "
                "adds will not be believed to change the water."
            )
        found += _permit_doubts(name, permit)
    return found


def _permit_doubts(name: str, permit: Permit) -> list[str]:
    found = []
    if permit.equipment is None:
        found.append(
            f"permits.{name} names no equipment: the daemon cannot see whether the device obeys, "
            "and cannot time its runs. Let the device stop by itself as well."
        )
    if permit.held_by is not None and (
        ignored := default_causes(permit.driven_by, permit.delivers) - set(permit.held_by)
    ):
        causes = ", ".join(cause.value for cause in Cause if cause in ignored)
        found.append(f"permits.{name}.held_by leaves out what holds by default: {causes}.")
    return found
