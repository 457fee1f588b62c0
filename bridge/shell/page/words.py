"""Words for the keeper: numbers rounded to what is known, states in plain language."""

import math
from collections.abc import Mapping
from typing import Final

from bridge.core.alarm_catalogue import CAUSE_ALARMS
from bridge.core.alarm_state import AlarmPhase
from bridge.core.alarm_text import REASON_WORDS, capital
from bridge.core.findings import Cause
from bridge.core.settings import Limits

FINE_PSU: Final = 0.1
"""An uncertainty at or below it is worth two decimals."""

CAUSE_HEADLINES: Final[Mapping[str, str]] = {
    Cause.NONE.value: "Nothing disturbs the reading.",
    **{cause: capital(kind.headline) for cause, kind in CAUSE_ALARMS.items()},
}
CAUSE_NAMES: Final[Mapping[str, str]] = {
    Cause.NONE.value: "nothing",
    **{cause.value: REASON_WORDS[cause] for cause in Cause if cause in REASON_WORDS},
}
PHASE_WORDS: Final[Mapping[str, str]] = {
    AlarmPhase.UNACKNOWLEDGED: "going on, nobody has seen it",
    AlarmPhase.ACKNOWLEDGED: "going on, seen",
    AlarmPhase.RETURNED: "over, waits to be seen",
    AlarmPhase.SHELVED: "silenced for a while",
    AlarmPhase.SUPPRESSED: "silenced, because something else explains it",
}
PRIORITY_WORDS: Final[Mapping[str, str]] = {
    "high": "Urgent",
    "medium": "Soon",
    "low": "When convenient",
}


def decimals(uncertainty_psu: float) -> int:
    """Decimals that a value of this uncertainty is told with."""
    return 2 if uncertainty_psu < FINE_PSU else 1


def within(uncertainty_psu: float) -> str:
    """An uncertainty, rounded up: nothing is told more surely than it is known."""
    places = decimals(uncertainty_psu)
    scale = 10**places
    # A hair less, so that 0.3 (which is 0.30000000000000004 to a computer at times) stays 0.3.
    return f"{math.ceil(uncertainty_psu * scale - 1e-6) / scale:.{places}f}"


def salinity_words(salinity_psu: float | None, uncertainty_psu: float | None) -> tuple[str, str]:
    """The value, and how sure it is.

    Args:
        salinity_psu: Best estimate; None when it is not known.
        uncertainty_psu: Expanded (k = 2); None when nothing is known.
    """
    if salinity_psu is None:
        if uncertainty_psu is None:
            return "Not known", "nothing to go by yet"
        return "Not known", f"could be out by {within(uncertainty_psu)} or more"
    if uncertainty_psu is None:
        return f"{salinity_psu:.1f}", "how sure is not known"
    places = decimals(uncertainty_psu)
    return f"{salinity_psu:.{places}f}", f"sure to within {within(uncertainty_psu)}"


def band_words(
    salinity_psu: float | None, uncertainty_psu: float | None, limits: Limits
) -> tuple[str, str]:
    """Where the water stands in the keeper's own band, as a mark and a sentence."""
    band = f"{limits.low_psu:g} to {limits.high_psu:g}"
    if salinity_psu is None or uncertainty_psu is None:
        return "unknown", f"Whether it is within your {band} cannot be told."
    lowest, highest = salinity_psu - uncertainty_psu, salinity_psu + uncertainty_psu
    if limits.low_psu <= lowest and highest <= limits.high_psu:
        return "good", f"Within your {band}."
    if highest < limits.low_psu:
        return "bad", f"Below your {band}."
    if lowest > limits.high_psu:
        return "bad", f"Above your {band}."
    if limits.low_psu <= salinity_psu <= limits.high_psu:
        return "care", f"Most likely within your {band}, but not surely."
    side = "below" if salinity_psu < limits.low_psu else "above"
    return "care", f"Most likely {side} your {band}, but not surely."


def quality_words(quality: str) -> tuple[str, str]:
    """How far the figure can be relied on, as a mark and a sentence."""
    return {
        "good": ("good", "You can rely on it."),
        "uncertain": ("care", "Take it with care."),
        "bad": ("bad", "The probe tells nothing useful at the moment."),
    }.get(quality, ("unknown", "Not judged yet."))


def likely(probability: float) -> str:
    """A probability as a keeper would say it."""
    percent = f"{100 * probability:.0f} %"
    for floor, word in ((0.95, "almost sure"), (0.75, "very likely"), (0.5, "likely")):
        if probability >= floor:
            return f"{word}, {percent}"
    return f"possible, {percent}" if probability >= 0.1 else f"unlikely, {percent}"  # noqa: PLR2004


def permit_title(permit: str) -> str:
    """A permit's identifier as a heading."""
    return capital(permit.replace("-", " "))


def reason_words(reason: str) -> str:
    """Why something is held."""
    return REASON_WORDS.get(reason, {"lost": "the broker is away"}.get(reason, reason))


def span_words(seconds: float) -> str:
    """A length of time in one or two units."""
    seconds = max(0.0, seconds)
    if seconds < 90:  # noqa: PLR2004
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:  # noqa: PLR2004
        return f"{minutes} min"
    hours = seconds / 3600
    if hours < 48:  # noqa: PLR2004
        return f"{hours:.0f} h"
    return f"{hours / 24:.0f} days"
