"""What is to be expected of a tank's water level, and when it does not count."""

from typing import Final

from bridge.core.balance import BalanceState
from bridge.core.devices import Devices
from bridge.core.inflow import Inflow
from bridge.core.settings import EquipmentKind, LevelUnit, Tank

USUAL_SWING_UNITS: Final = 5.0
"""Swing of the level between two top-offs before it was learned, in mm or percent (assumed)."""
USUAL_SWING_SHARE: Final = 0.003
"""The same as a share of the volume, where litres per unit are known (assumed)."""
FILL_SLACK: Final = 3.0
"""A rise so much faster than the top-off is water that a pump left, not water that was added."""
REFILL_S: Final = 300.0
"""After the return pump starts, the display needs some minutes to fill (assumed)."""
LONGEST_REST_S: Final = 3600.0
"""A return pump that rests for longer is no feeding break: the level counts again (assumed)."""


def level_factor(unit: LevelUnit) -> float:
    """Millimetres in a unit of level; percent stay what they are."""
    return 10.0 if unit is LevelUnit.CM else 1.0


def usual_swing(tank: Tank) -> float:
    """Swing of the level to assume before it was seen, in its unit."""
    level = tank.level
    if level is None or level.litres_per_unit is None:
        return USUAL_SWING_UNITS
    swing = USUAL_SWING_SHARE * tank.volume_l / level.litres_per_unit
    return swing * level_factor(level.unit)


def expect_level(tank: Tank, state: BalanceState) -> None:
    """Start from the normal level where it is configured, so that it counts at once."""
    level = tank.level
    if level is None or level.normal is None or state.level_normal is not None:
        return
    factor = level_factor(level.unit)
    state.level_normal = level.normal * factor
    state.level_spread = usual_swing(tank)


def fill_units_h(tank: Tank, inflow: Inflow, spread: float) -> float:
    """How fast the top-off can raise the level, in its unit per hour.

    Where the litres of a unit are not configured, the usual swing of the level stands for the
    litres of a usual run.

    Args:
        tank: Its settings.
        inflow: Its top-off.
        spread: Usual swing of the level, as learned, in its unit.
    """
    rate_l_h = FILL_SLACK * inflow.rate_l_h
    level = tank.level
    if level is not None and level.litres_per_unit is not None:
        return rate_l_h / level.litres_per_unit * level_factor(level.unit)
    run_l = inflow.usual_run_l() or USUAL_SWING_SHARE * tank.volume_l
    return rate_l_h / run_l * max(spread, 1e-6)


def drained_back(tank: Tank, devices: Devices, at_s: float) -> bool:
    """Whether the return pump rests, or did just now: its water stands in the sump then."""
    for name in devices.names:
        if tank.equipment[name].kind is not EquipmentKind.RETURN_PUMP:
            continue
        device = devices.state.devices[name]
        if device.since_s is None:
            continue
        rested_s = at_s - device.since_s
        if rested_s < (REFILL_S if device.on else LONGEST_REST_S) and (
            not device.on or device.switchings > 0
        ):
            return True
    return False
