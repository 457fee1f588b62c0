"""The figures of a report in words, for the page and the picture alike."""

from collections.abc import Mapping
from datetime import datetime, tzinfo
from typing import Final

from bridge.core.findings import Cause
from bridge.core.trends import TemperatureDependence
from bridge.shell.page.look import headline
from bridge.shell.page.words import CAUSE_NAMES, permit_title, reason_words, within
from bridge.shell.report_events import Alarm, Stretch, reasons_s
from bridge.shell.report_facts import Facts

SHOWN_REASONS: Final = 4
NO_BREAK: Final = "\u00a0"
SMALLEST_SPAN_S: Final = 90.0


def length(seconds: float) -> str:
    """A length of time, exact enough to be added up; it does not break at a line's end."""
    if seconds < SMALLEST_SPAN_S:
        return f"{seconds:.0f} s".replace(" ", NO_BREAK)
    hours, minutes = divmod(round(seconds / 60), 60)
    days, rest = divmod(hours, 24)
    units = ((days, "d"), (rest, "h"), (0 if days else minutes, "min"))
    return NO_BREAK.join(f"{count}{NO_BREAK}{unit}" for count, unit in units if count)


def share(part: float, whole: float) -> str:
    """A share in percent; what is there at all never reads as nothing."""
    percent = 100 * part / whole
    return "under 0.1 %" if 0 < percent < 0.1 else f"{percent:.1f} %"  # noqa: PLR2004


def zone_words(zone: tzinfo, at_s: float) -> str:
    """The zone's name and how far it is from UTC at a moment."""
    moment = datetime.fromtimestamp(at_s, zone)
    offset = f"{moment:%z}"
    return "UTC" if str(zone) == "UTC" else f"{zone} (UTC{offset[:3]}:{offset[3:5]})"


def cause_name(cause: str) -> str:
    """A cause as a heading of a row."""
    return "nothing disturbed the reading" if cause == Cause.NONE else CAUSE_NAMES.get(cause, cause)


def stretch_length(stretch: Stretch) -> str:
    """How long, and whether it reached beyond the report."""
    beyond = {
        (False, False): "",
        (True, False): ", began before",
        (False, True): ", not over yet",
        (True, True): ", all the time",
    }[stretch.before, stretch.lasting]
    return length(stretch.length_s) + beyond


def reasons(spent_s: Mapping[str, float]) -> str:
    """Reasons with how long each stood, the longest first."""
    longest = sorted(spent_s.items(), key=lambda pair: (-pair[1], pair[0]))
    said = [f"{reason_words(reason)} {length(spent)}" for reason, spent in longest[:SHOWN_REASONS]]
    if len(longest) > SHOWN_REASONS:
        said.append(f"and {len(longest) - SHOWN_REASONS} more")
    return ", ".join(said)


def alarm_name(facts: Facts, alarm: Alarm | str) -> str:
    """What an alarm says."""
    name = alarm if isinstance(alarm, str) else alarm.alarm
    kind = facts.alarm_kind(name)
    return name if kind is None else headline(kind).rstrip(".")


def salinity_sentence(facts: Facts) -> str:
    """The salinity over the time of the report."""
    found = facts.salinity_psu
    if found is None:
        return "The salinity was not known."
    low, mean, high = found
    said = f"{low:.1f} to {high:.1f}, {mean:.1f} on average"
    if facts.newest is not None:
        said += f"; last {facts.newest[0]:.1f}, sure to within {within(facts.newest[1])}"
    return f"{said}."


def key_figures(facts: Facts) -> list[tuple[str, str]]:
    """What matters most, as name and value."""
    disturbing = {cause: s for cause, s in facts.causes_s.items() if cause != Cause.NONE}
    disturbed_s = sum(disturbing.values())
    recorded_s = sum(facts.causes_s.values())
    figures = [("Salinity", salinity_sentence(facts))]
    if recorded_s:
        said = f"{length(disturbed_s)} of {length(recorded_s)} recorded"
        if disturbed_s:
            said += f" ({share(disturbed_s, recorded_s)}): {reasons(disturbing)}"
        figures.append(("Disturbed or changing", f"{said}."))
    for permit in facts.tank.permits:
        held = [hold for hold in facts.holds if hold.permit == permit]
        held_s = sum(hold.length_s for hold in held)
        figures.append(
            (
                f"{permit_title(permit)} held",
                f"{length(held_s)}, {_times(len(held))}: {reasons(reasons_s(held))}."
                if held
                else "Not once.",
            )
        )
    counted = facts.alarm_figures
    figures.append(
        (
            "Alarms",
            (
                f"{counted.raised} raised, {counted.raised_a_day:.1f} a day; "
                f"{len(counted.chattering)} chattering, {len(counted.stale)} longer than a day."
            ),
        )
    )
    if any(facts.litres.values()):
        total = sum(facts.litres.values())
        a_day = total * 86_400 / facts.length_s
        figures.append(("Topped off", f"{total:.1f} l, {a_day:.1f} l a day."))
    if facts.learned is not None and facts.learned.evaporation_l_day is not None:
        figures.append(("Evaporation", f"{facts.learned.evaporation_l_day:.1f} l a day, learned."))
    return figures


def learned_lines(facts: Facts) -> list[str]:
    """What was learned of the probe and the water, a sentence each."""
    learned = facts.learned
    if learned is None:
        return ["Nothing that was learned is kept in the history, or this version cannot read it."]
    correction = learned.correction
    lines = []
    if correction.coefficient_pct_per_c is not None:
        lines.append(f"Coefficient in use: {correction.coefficient_pct_per_c:.3g} % per °C.")
    if correction.neutral:
        lines.append("The device's number is taken as it is: gain 1, offset 0.")
    else:
        lines.append(
            f"Gain {correction.gain:.4f}, offset {correction.offset_ms_cm:+.3f} mS/cm in use."
        )
    found = learned.dependence
    if found is None:
        lines.append(
            "Whether the coefficient fits is not known: the water's temperature has not swung "
            "enough, or not for long enough."
        )
    else:
        lines.append(_coefficient(found))
    drift = learned.drift
    if drift is None:
        lines.append("Drift is not known: it takes five days of undisturbed reading.")
    else:
        lines.append(
            f"Slow change of the undisturbed reading: {30 * drift.psu_per_day:+.2f} ± "
            f"{60 * drift.standard_uncertainty_psu_per_day:.2f} in 30 days "
            f"({drift.days:.0f} days looked at)."
        )
    if learned.evaporation_l_day is None:
        lines.append("Evaporation is not known: it takes 24 undisturbed hours.")
    else:
        lines.append(f"Evaporation: {learned.evaporation_l_day:.1f} l a day.")
    return lines


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _coefficient(found: TemperatureDependence) -> str:
    """Whether the coefficient in use fits, by the water's own swing of temperature."""
    unsure = 2 * found.uncertainty_pct_per_c
    seen = f"the water's own swing of {found.swing_c:.1f} °C ({found.days:.0f} days looked at)"
    if abs(found.pct_per_c) <= unsure:
        return f"The coefficient in use fits to within {unsure:.2f} % per °C, by {seen}."
    side = "too high" if found.pct_per_c > 0 else "too low"
    off = f"{abs(found.pct_per_c):.2f} ± {unsure:.2f} % per °C"
    return f"The coefficient in use is {off} {side}, by {seen}."
