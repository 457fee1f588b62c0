"""Whether the water stands high or low, as permits and alarms need to know it.

The smoothed level of the balance leaves out the leaps of a return pump's water. Where a leap came
in parts of which some looked like water that was added, what is left of it keeps that level wrong
after the pump runs again. What the sensor itself says, several times in a row, then counts more:
water that stands where it usually does does not overflow.
"""

from dataclasses import dataclass
from typing import Final

from bridge.core.balance import LEVEL_SILENT_S, Balance
from bridge.core.situation import LevelCondition

ODD_LEVEL: Final = 3.0
"""Usual swings from the middle of the level at which it counts as high or low (assumed)."""
BACK_LEVEL: Final = 2.0
"""A reading within so many usual swings, of a level that is not high any more (assumed)."""
BACK_READINGS: Final = 3
BACK_S: Final = 60.0
"""A wave's trough is shorter (assumed)."""


@dataclass(slots=True)
class LevelState:
    """The newest readings, as far as they matter."""

    at_s: float | None = None
    """When the newest arrived. [Unix s]"""
    back: int = 0
    """Readings in a row that were about usual."""
    back_since_s: float = 0.0
    left: float = 0.0
    """What the balance still took for a leap when the level was found to be back, in its unit."""


class LevelWatch:
    """Follows the level of one tank.

    Args:
        state: As saved; changed in place.
        balance: What knows the usual level, and takes in each reading before this does.
    """

    __slots__ = ("_balance", "state")

    def __init__(self, state: LevelState, balance: Balance) -> None:
        self.state = state
        self._balance = balance

    def reading(self, at_s: float, level: float) -> None:
        """Take in a reading, in the balance's unit."""
        state, usual = self.state, self._balance.state
        state.at_s = at_s
        normal = usual.level_normal
        # Far below is no way back: a sensor that fails, or water that stands elsewhere.
        if normal is None or not (
            -ODD_LEVEL <= (level - normal) / self._balance.level_unit(normal) <= BACK_LEVEL
        ):
            state.back = 0
            return
        if state.back == 0:
            state.back_since_s = at_s
        state.back += 1
        if self._is_back(at_s):
            state.left = usual.level_jump

    def condition(self, at_s: float) -> LevelCondition:
        """High, low or usual; unknown when nothing came for an hour, or little is learned."""
        seen_s, deviation = self.state.at_s, self._balance.level_deviation()
        if seen_s is None or deviation is None or at_s - seen_s > LEVEL_SILENT_S:
            return LevelCondition.UNKNOWN
        usual = self._balance.state
        if usual.level_jump == self.state.left and usual.level_normal is not None:
            # No new leap since: nothing stands elsewhere, and all that is read is there.
            deviation += usual.level_jump / self._balance.level_unit(usual.level_normal)
        if deviation > ODD_LEVEL:
            return LevelCondition.NORMAL if self._is_back(seen_s) else LevelCondition.HIGH
        return LevelCondition.LOW if deviation < -ODD_LEVEL else LevelCondition.NORMAL

    def _is_back(self, seen_s: float) -> bool:
        state = self.state
        return state.back >= BACK_READINGS and seen_s - state.back_since_s >= BACK_S
