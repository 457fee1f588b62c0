"""A comparison of two judgements in plain words."""

from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Final

from bridge.shell.page.words import CAUSE_NAMES, permit_title, reason_words
from bridge.shell.rejudge_compare import Comparison, Estimates, only_here, stretches
from bridge.shell.report_events import Hold, reasons_s
from bridge.shell.report_words import NO_BREAK, length, share

SHOWN_HOLDS: Final = 10
SAME_PSU: Final = 0.005
"""Below it two salinities read the same."""


def words(comparison: Comparison, *, title: str, zone: tzinfo) -> str:
    """All that would have changed, a line each."""
    return "\n".join(_lines(comparison, title, zone)).replace(NO_BREAK, " ") + "\n"


def _lines(comparison: Comparison, title: str, zone: tzinfo) -> Iterator[str]:
    begin, end = _at(comparison.from_s, zone), _at(comparison.to_s, zone)
    yield f"{title}, {begin} to {end} ({zone})"
    yield ""
    yield from _salinity(comparison.estimates, zone)
    yield from _checks(comparison)
    yield ""
    for permit in comparison.permits:
        yield from _permit(comparison, permit, zone)
    if not comparison.permits:
        yield "No permits are configured."
    yield ""
    yield from _named(comparison, "alarm", "Alarms", "no alarm")
    yield from _named(comparison, "cause", "Causes", "no cause")


def _salinity(estimates: Estimates, zone: tzinfo) -> Iterator[str]:
    if not estimates.readings:
        yield "Salinity: no reading was judged both times."
        return
    old, new = (share(count, estimates.readings) for count in estimates.known)
    known = f"It is known for {new} of {estimates.readings} readings; it was for {old}."
    mean, rms = estimates.mean_psu, estimates.rms_psu
    if mean is None or rms is None or estimates.largest_at_s is None:
        yield f"Salinity: {known}"
        return
    if abs(estimates.largest_psu) < SAME_PSU:
        yield f"Salinity: the same. {known}"
    else:
        yield (
            f"Salinity: {mean:+.2f} on average, {rms:.2f} RMS, at most "
            f"{estimates.largest_psu:+.2f} ({_at(estimates.largest_at_s, zone)}). {known}"
        )
    before, after = estimates.uncertainty_psu(0) or 0.0, estimates.uncertainty_psu(1) or 0.0
    agreeing = share(estimates.agreeing, estimates.both)
    yield (
        f"Uncertainty: {after:.2f} on average; it was {before:.2f}. The two salinities agree "
        f"within their uncertainties for {agreeing} of the readings."
    )


def _checks(comparison: Comparison) -> Iterator[str]:
    old, new = comparison.old, comparison.new
    if not old.checks and not new.checks:
        yield "Reference checks: none in this time."
        return
    yield (
        f"Reference checks: the salinity agrees with {new.agreeing_checks} of {len(new.checks)}; "
        f"it did with {old.agreeing_checks} of {len(old.checks)}."
    )


def _permit(comparison: Comparison, permit: str, zone: tzinfo) -> Iterator[str]:
    old, new = comparison.held(permit)
    if not old and not new:
        yield f"{permit_title(permit)}: never held, neither time."
        return
    spent = [length(sum(hold.length_s for hold in holds)) or "0 s" for holds in (old, new)]
    yield (
        f"{permit_title(permit)}: held {spent[1]} in {_stretches(new)}; "
        f"it was {spent[0]} in {_stretches(old)}."
    )
    for said, found in (
        ("no longer held", list(only_here(old, new))),
        ("held anew", list(only_here(new, old))),
    ):
        for hold in found[:SHOWN_HOLDS]:
            yield f"  {said}: {_hold(hold, zone)}"
        if len(found) > SHOWN_HOLDS:
            yield f"  {said}: {len(found) - SHOWN_HOLDS} more"


def _hold(hold: Hold, zone: tzinfo) -> str:
    why = ", ".join(map(reason_words, list(reasons_s([hold]))[:3]))
    return f"{_at(hold.begin_s, zone)}, {length(hold.length_s)}" + (f" ({why})" if why else "")


def _named(comparison: Comparison, kind: str, title: str, none: str) -> Iterator[str]:
    found = stretches(comparison, kind)
    if not found:
        yield f"{title}: {none}, neither time."
        return
    yield f"{title}:"
    for name, (old, new) in found.items():
        said = CAUSE_NAMES.get(name, name) if kind == "cause" else name
        if old == new:
            yield f"  {said}: {_times(*new)}, as before"
        else:
            yield f"  {said}: {_times(*new)}; it was {_times(*old)}"


def _times(count: int, spent_s: float) -> str:
    return (
        "never" if not count else f"{'once' if count == 1 else f'{count} times'}, {length(spent_s)}"
    )


def _stretches(holds: list[Hold]) -> str:
    return "one stretch" if len(holds) == 1 else f"{len(holds)} stretches"


def _at(at_s: float, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(at_s, zone):%Y-%m-%d %H:%M}"
