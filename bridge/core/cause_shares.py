"""Probabilities of the causes: how they are mixed, and which of them is reported."""

from dataclasses import dataclass
from math import exp
from typing import Final

from bridge.core.diagnosis_state import DiagnosisState
from bridge.core.episode import Episode, Model
from bridge.core.excursions import EXCURSIONS
from bridge.core.findings import Cause
from bridge.core.pick_up import PickUp

CAUSE_ADVANTAGE: Final = 0.2
"""By how much another cause must be more probable to take over."""
SLOW_ADVANTAGE: Final = 0.5
ENDS_AFTER_S: Final = 1800.0
TAKES_OVER_AFTER_S: Final = 3600.0
"""How long another slow finding has to lead: top-off and noise move the odds to and fro."""
QUIET_LOG_ODDS: Final = -7.0

PASSES: Final = frozenset({Cause.BUBBLES, Cause.PLUME, Cause.EXPOSED, Cause.UNEXPLAINED})
"""Causes that are told by how the reading is off, not by when it comes back."""
CAUSES: Final = tuple(Cause)
NONE: Final = Cause.NONE
"""A local name: looking a member up on an enumeration costs more than a whole comparison."""
INDEX: Final = {cause: index for index, cause in enumerate(CAUSES)}


@dataclass(slots=True)
class Faults:
    """What the wire and the sensors themselves say, judged outside."""

    silent: bool = False
    invalid: bool = False
    stuck: bool = False
    dry: bool = False
    """The thermometer moves as water cannot."""
    sudden: bool = False
    """Its newest reading alone does; that counts only when the probe moves with it."""
    unreadable: bool = False
    """The reading is outside what sea water can be."""


NO_FAULTS: Final = Faults()
"""To be passed itself when there are none: that is quick to recognise."""
_UNLIKELY: Final = exp(QUIET_LOG_ODDS)
_CALM_TOTAL: Final = 1.0 + (len(CAUSES) - 1) * _UNLIKELY
CALM: Final = [(1.0 if cause is Cause.NONE else _UNLIKELY) / _CALM_TOTAL for cause in CAUSES]
"""Probabilities while nothing speaks against health."""


def from_odds(odds: dict[Cause, float]) -> list[float]:
    """Probabilities, not yet normed, from log odds."""
    return [exp(odds[cause]) for cause in CAUSES]


def choose(
    state: DiagnosisState,
    probabilities: list[float],
    at_s: float,
    *,
    brisk: bool = False,
    returning: bool = False,
) -> Cause:
    """Pick the cause that is reported; it takes a lead to take over from the present one.

    Args:
        state: Holds the cause that is reported now.
        probabilities: Of all causes, in the order of ``CAUSES``.
        at_s: Now. [s]
        brisk: Whether the water moves fast: then nothing waits.
        returning: Whether the reading is back with the water, and the episode about to end: what
            it was has been seen, and quiet readings tell it no better.
    """
    best = max(range(len(CAUSES)), key=probabilities.__getitem__)
    present = INDEX[state.cause]
    if returning and state.cause in PASSES and CAUSES[best] in PASSES:
        return state.cause
    advantage = CAUSE_ADVANTAGE
    if CAUSES[best] in EXCURSIONS and state.cause in EXCURSIONS:
        # Which of them it is comes out slowly: to and fro helps nobody.
        advantage = SLOW_ADVANTAGE
    lasted = at_s - state.since_s > ENDS_AFTER_S
    if CAUSES[best] is NONE and state.cause in EXCURSIONS and lasted:
        # A finding about hours and days is not over with one reading.
        if state.doubted_s is None:
            state.doubted_s = at_s
        if at_s - state.doubted_s < ENDS_AFTER_S:
            state.challenged_s = None
            return state.cause
    else:
        state.doubted_s = None
    if best == present or probabilities[best] <= probabilities[present] + advantage:
        state.challenged_s = None
        return state.cause
    if advantage == SLOW_ADVANTAGE and not brisk:
        if state.challenged_s is None:
            state.challenged_s = at_s
        if at_s - state.challenged_s < TAKES_OVER_AFTER_S:
            return state.cause
    state.challenged_s = None
    state.cause, state.since_s = CAUSES[best], at_s
    return state.cause


def mix_episode(
    probabilities: list[float], episode: Episode, pick_up: PickUp, faults: Faults
) -> None:
    """Spread 97 % over the explanations of the running episode."""
    weights = episode.probabilities()
    state = episode.state
    total = sum(probabilities)
    shares = [0.03 * p / total for p in probabilities]
    step, noise = weights[Model.STEP], weights[Model.NOISE]
    device = pick_up.culprit(state)
    # Without any device that switched, a step is only in part likely to be pick-up; noise to
    # either side is hardly anything else.
    known_step = 0.9 if device is not None else 0.2
    known_noise = 0.9 if device is not None else 0.6
    fallen = state.follower_psu < state.before_psu
    spread = {
        Cause.BUBBLES: weights[Model.PASSING] + weights[Model.LODGED],
        pick_up.cause_of(device): known_step * step + known_noise * noise,
        Cause.UNEXPLAINED: weights[Model.UNEXPLAINED]
        + (1.0 - known_step) * step
        + (1.0 - known_noise) * noise,
        Cause.EXPOSED: weights[Model.EXPOSED],
        Cause.PLUME: weights[Model.PLUME],
        (Cause.DILUTION if fallen else Cause.CONCENTRATION): weights[Model.WATER],
    }
    pick_up.attribute(spread)
    for cause, weight in spread.items():
        shares[INDEX[cause]] += 0.97 * weight
    probabilities[:] = shares
    if faults.dry or faults.unreadable or faults.sudden:
        probabilities[INDEX[Cause.EXPOSED]] += 9.0


def mix_faults(probabilities: list[float], faults: Faults) -> None:
    """What the wire says outweighs what the numbers say."""
    for present, cause in (
        (faults.stuck, Cause.STUCK),
        (faults.invalid, Cause.INVALID),
        (faults.silent, Cause.SILENT),
    ):
        if present:
            total = sum(probabilities)
            probabilities[INDEX[cause]] += 40.0 * total
    if faults.dry:
        probabilities[INDEX[Cause.EXPOSED]] += 9.0 * sum(probabilities)
