"""Renders the tables of the pages in docs/ from the code.

``python -m tests.document_tables`` rewrites what stands between the markers; a test fails when
somebody has forgotten to.
"""

import dataclasses
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from bridge.core.alarm_catalogue import (
    CAUSE_ALARMS,
    DAY_S,
    HOUR_S,
    MINUTE_S,
    PERMIT_ALARMS,
    PLANT_ALARMS,
    WATER_ALARMS,
    AlarmKind,
)
from bridge.core.alarm_state import TRANSITIONS as ALARM_TRANSITIONS
from bridge.core.alarm_state import AlarmEvent
from bridge.core.balance import FAST_PSU_H, MARGIN_PSU, SLOW_PSU_H
from bridge.core.cause_shares import CAUSE_ADVANTAGE, SLOW_ADVANTAGE
from bridge.core.circumstances import LEAST_DEPARTURE_PSU
from bridge.core.departures import CARRIED_PSU_H, CONFIRMING_SAMPLES
from bridge.core.devices import LATELY, SIGNIFICANCE, SMALLEST_STEP_PSU
from bridge.core.diagnosis_state import UNKNOWN_SHARE
from bridge.core.episode import BOUND, MEMORY, PRIORS, UNREACHABLE_LOG, Model
from bridge.core.estimator import GAS_MEMORY_SAMPLES, SLOPE_MEMORY_H
from bridge.core.evidence import ACTIONS
from bridge.core.findings import Cause
from bridge.core.following import DEPARTURE_SIGMA
from bridge.core.instrument_kinds import TYPICAL
from bridge.core.permit_limits import LIMIT_DEFAULTS
from bridge.core.permit_rules import (
    DEFAULT_HOLDS,
    PERMITTED,
    REASON_RULES,
    TRANSITIONS,
    Verdict,
    default_causes,
)
from bridge.core.settings import Delivers, Driver
from bridge.core.slow_trends import COEFFICIENT_THAT_MATTERS_PCT, LEAST_DRIFT_PSU
from bridge.core.trends import LEAST_DRIFT_DAYS, LEAST_HOURS, LEAST_SWING_C
from bridge.core.water_physics import (
    EVAPORATION_SD_PCT_DAY,
    TYPICAL_EVAPORATION_PCT_DAY,
    WANDER_PSU_ROOT_H,
)
from bridge.shell.config import Configuration
from bridge.shell.settings_shape import Shape, accepted, leaves, table_at

DOCS = Path(__file__).parents[1] / "docs"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def permit_transitions() -> str:
    """Where a gate goes, for each place where it stands and each verdict."""
    return table(
        ("from", "published", *(f"`{verdict.value}`" for verdict in Verdict)),
        (
            (
                f"`{phase.value}`",
                "permit" if phase in PERMITTED else "hold",
                *(row[verdict].value for verdict in Verdict),
            )
            for phase, row in TRANSITIONS.items()
        ),
    )


def permit_reasons() -> str:
    """Reasons of our own."""
    return table(
        ("reason", "holds when", "why", "bypass", "ends a run", "overrun"),
        (
            (
                f"`{reason.value}`",
                rule.when,
                rule.why,
                "yes" if rule.bypass else "no",
                "no" if rule.start_only else "yes",
                "medium" if rule.precaution else "high",
            )
            for reason, rule in REASON_RULES.items()
        ),
    )


def permit_causes() -> str:
    """Which cause holds which kind of permit by default."""
    kinds = [(driver, delivers) for driver in Driver for delivers in Delivers]
    columns: dict[frozenset[Cause], list[str]] = {}
    for driver, delivers in kinds:
        held = default_causes(driver, delivers)
        columns.setdefault(held, []).append(f"{driver.value}: {delivers.value}")
    merged = {held: "<br>".join(names) for held, names in columns.items()}
    return table(
        ("cause", *merged.values()),
        (
            (f"`{cause.value}`", *("hold" if cause in held else "" for held in merged))
            for cause in Cause
            if cause is not Cause.NONE
        ),
    )


def permit_why() -> str:
    """Why each default holds."""
    return table(
        ("driven by", "delivers", "held by", "why"),
        (
            (
                hold.driven_by.value,
                "anything" if len(hold.delivers) == len(Delivers) else ", ".join(hold.delivers),
                "every cause" if len(hold.causes) == len(Cause) - 1 else ", ".join(hold.causes),
                hold.why,
            )
            for hold in DEFAULT_HOLDS
        ),
    )


def permit_limits() -> str:
    """Defaults of the limits."""
    return table(
        ("setting", "default", "why"),
        ((f"`{name}`", text, why) for name, (text, why) in LIMIT_DEFAULTS.items()),
    )


def alarm_transitions() -> str:
    """Where an alarm goes."""
    return table(
        ("from", *(f"`{event.value}`" for event in AlarmEvent)),
        (
            (f"`{phase.value}`", *(row[event].value for event in AlarmEvent))
            for phase, row in ALARM_TRANSITIONS.items()
        ),
    )


def alarm_list() -> str:
    """Every alarm, one short section each."""
    groups: list[tuple[str, Mapping[str, AlarmKind]]] = [
        ("Causes of a disturbed reading, and real changes", CAUSE_ALARMS),
        ("One for each permit", {f"{name}-<permit>": k for name, k in PERMIT_ALARMS.items()}),
        ("Numbers and levels", WATER_ALARMS),
        ("The installation", PLANT_ALARMS),
    ]
    return "\n\n".join(
        "\n\n".join([f"### {title}", *(alarm_section(name, kind) for name, kind in kinds.items())])
        for title, kinds in groups
    )


def alarm_section(name: str, kind: AlarmKind) -> str:
    """One alarm."""
    placeholders = {"{permit}": "<permit>", "{held}": "3 h"}

    def shown(text: str) -> str:
        for placeholder, example in placeholders.items():
            text = text.replace(placeholder, example)
        return text.replace("<", "&lt;").replace(">", "&gt;")

    actions = "\n".join(f"{n}. {shown(action)}" for n, action in enumerate(kind.actions, 1))
    facts = [
        f"**{kind.priority.value}**, respond within {span(kind.respond_within_s)}",
        f"told after {span(kind.on_delay_s)}, over after {span(kind.off_delay_s)}",
    ]
    if kind.latched:
        facts.append("stays until acknowledged")
    parts = [
        f"#### `{name}`: {shown(kind.headline)}",
        "; ".join(facts) + ".",
        f"Cause: {shown(kind.cause)}\n\nConsequence: {shown(kind.consequence)}",
        actions,
    ]
    if (eased := kind.eased) is not None:
        parts.append(
            f"While {eased.when}: **{eased.priority.value}**, respond within "
            f"{span(eased.respond_within_s)}. {eased.consequence}"
        )
    if kind.caution:
        parts.append(f"Caution: {kind.caution}.")
    if kind.explained_by:
        names = ", ".join(f"`{shown(other)}`" for other in kind.explained_by)
        parts.append(f"Suppressed while one of these stands: {names}.")
    return "\n\n".join(parts)


def priority(kind: AlarmKind) -> str:
    """The priority, and the lower one that it may have."""
    high = kind.priority.value
    return high if kind.eased is None else f"{high} or {kind.eased.priority.value}"


def alarm_overview() -> str:
    """One line for each alarm."""
    everything: dict[str, AlarmKind] = {
        **CAUSE_ALARMS,
        **{f"{name}-&lt;permit&gt;": kind for name, kind in PERMIT_ALARMS.items()},
        **WATER_ALARMS,
        **PLANT_ALARMS,
    }
    return table(
        ("alarm", "priority", "respond within", "told after", "latched", "first action"),
        (
            (
                name,
                priority(kind),
                span(kind.respond_within_s),
                span(kind.on_delay_s),
                "yes" if kind.latched else "",
                kind.actions[0].replace("{permit}", "&lt;permit&gt;"),
            )
            for name, kind in everything.items()
        ),
    )


def diagnosis_actions() -> str:
    """What to do first, for each cause."""
    return table(
        ("cause", "what to do first"),
        ((f"`{cause.value}`", ACTIONS[cause]) for cause in Cause),
    )


def instruments() -> str:
    """Typical standard uncertainties of hand instruments."""
    return table(
        ("kind", "checked in a standard", "not checked"),
        (
            (f"`{kind.value}`", f"{usual.checked_psu:g}", f"{usual.unchecked_psu:g}")
            for kind, usual in TYPICAL.items()
        ),
    )


EXPLANATIONS: dict[Model, tuple[str, str]] = {
    Model.PASSING: (
        "bubbles pass",
        "water less an exponential depth, fresh with every sample; in between, the water itself",
    ),
    Model.LODGED: ("a bubble sits there", "one step down, then as quiet as ever; once, back again"),
    Model.STEP: ("pick-up, a step", "a step of either sign, then as quiet as ever, until it goes"),
    Model.NOISE: ("pick-up, noise", "normal noise about the water, as large as the departures"),
    Model.EXPOSED: (
        "dry or half dry",
        "any share of the water's reading, most often next to nothing; resting or restless",
    ),
    Model.PLUME: (
        "unmixed water",
        "a dip (after brine, a peak) that grows and mixes smoothly and never gets very deep",
    ),
    Model.WATER: ("the water itself", "no faster than the plumbing, at a pace that lasts"),
    Model.UNEXPLAINED: ("anything else", "far from the water to either side, moving or resting"),
}
assert set(EXPLANATIONS) == set(PRIORS) == set(Model)


def method_priors() -> str:
    """The explanations of an episode."""
    return table(
        ("explanation", "prior", "how it goes on"),
        ((EXPLANATIONS[m][0], f"{PRIORS[m]:.2f}", EXPLANATIONS[m][1]) for m in Model),
    )


def method_constants() -> str:
    """The numbers that decide most."""
    rows = {
        "usual evaporation, and its standard deviation between tanks": (
            f"{TYPICAL_EVAPORATION_PCT_DAY:g} ± {EVAPORATION_SD_PCT_DAY:g} % of the volume a day"
        ),
        "time in which a learned slope is forgotten": f"{SLOPE_MEMORY_H:g} h",
        "wander of the water beyond its slope": f"{WANDER_PSU_ROOT_H:g} in an hour",
        "memory for bubbles": f"{GAS_MEMORY_SAMPLES:g} samples",
        "distance from the water that opens an episode": (
            f"{DEPARTURE_SIGMA:g} standard deviations, at least {LEAST_DEPARTURE_PSU:g}"
        ),
        "implausible samples until it is told": str(CONFIRMING_SAMPLES),
        "memory for evidence within an episode": f"{MEMORY:g} samples",
        "largest distance of two weights (natural logarithm)": f"{BOUND:g}",
        "against the water, for each sample that it cannot reach": f"{UNREACHABLE_LOG:g}",
        "growth of doubt while the probe is not believed": f"{CARRIED_PSU_H:g} an hour",
        "corrected p-value at which a device is named": f"{SIGNIFICANCE:g}",
        "newest switchings looked at": ", ".join(str(each) for each in LATELY),
        "smallest step that is named": f"{SMALLEST_STEP_PSU:g}",
        "distance from the band worth a finding, beside the doubt": f"{MARGIN_PSU:g}",
        "pace below which it is drift, above which it is water": (
            f"{SLOW_PSU_H:g}, {FAST_PSU_H:g} an hour"
        ),
        "share of the water in a slow trend that nothing explains": f"{UNKNOWN_SHARE:g}",
        "undisturbed hours, and swing, until a coefficient is judged": (
            f"{LEAST_HOURS} h, {LEAST_SWING_C:g} °C"
        ),
        "error of a coefficient that matters": f"{COEFFICIENT_THAT_MATTERS_PCT:g} %/°C",
        "days, and change, until a drift is judged": (f"{LEAST_DRIFT_DAYS} d, {LEAST_DRIFT_PSU:g}"),
        "lead by which another cause takes over; among slow ones": (
            f"{CAUSE_ADVANTAGE:g}; {SLOW_ADVANTAGE:g}"
        ),
    }
    return table(("what", "number"), rows.items())


def settings_reference() -> str:
    """Every key, section by section, with what is accepted and the default."""
    sections: dict[tuple[str, ...], list[tuple[str, str, str]]] = {}
    for (*above, name), shape in leaves(Configuration):
        line = (f"`{name}`", accepted(shape), default_of(tuple(above), shape))
        sections.setdefault(tuple(above), []).append(line)
    return "\n\n".join(
        f"### {section_title(way)}\n\n{table(('key', 'accepted', 'left out'), lines)}"
        for way, lines in sections.items()
    )


def section_title(way: tuple[str, ...]) -> str:
    """How a section is written in the file."""
    return f"`[{'.'.join(way).replace('*', '<name>')}]`" if way else "At the top of the file"


def default_of(way: tuple[str, ...], shape: Shape) -> str:
    """What holds when a key is left out."""
    if shape.required:
        return "**needed**"
    holder = table_at(Configuration, way)
    assert holder is not None
    [field] = [each for each in dataclasses.fields(holder) if each.name == shape.name]
    value = field.default
    if value is dataclasses.MISSING and field.default_factory is not dataclasses.MISSING:
        value = field.default_factory()
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return ", ".join(str(item) for item in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def span(duration_s: float) -> str:
    """A duration in its natural unit."""
    if duration_s == 0:
        return "no delay"
    for unit_s, unit in ((DAY_S, "d"), (HOUR_S, "h"), (MINUTE_S, "min")):
        if duration_s >= unit_s:
            return f"{duration_s / unit_s:g} {unit}"
    return f"{duration_s:g} s"


TABLES: dict[str, dict[str, Callable[[], str]]] = {
    "permits.md": {
        "transitions": permit_transitions,
        "reasons": permit_reasons,
        "causes": permit_causes,
        "why": permit_why,
        "limits": permit_limits,
    },
    "alarms.md": {
        "overview": alarm_overview,
        "transitions": alarm_transitions,
        "list": alarm_list,
    },
    "diagnosis-method.md": {"priors": method_priors, "constants": method_constants},
    "configuration.md": {"settings": settings_reference},
    "reading-the-diagnosis.md": {"actions": diagnosis_actions, "instruments": instruments},
}


def render(text: str, tables: Mapping[str, Callable[[], str]]) -> str:
    """The page with every table as the code has it now.

    Raises:
        ValueError: The page lacks a pair of markers.
    """
    for name, make in tables.items():
        begin, end = f"<!-- table {name} -->", f"<!-- end {name} -->"
        pattern = re.compile(f"{re.escape(begin)}.*?{re.escape(end)}", re.DOTALL)
        if not pattern.search(text):
            raise ValueError(f"the page has no '{begin}' ... '{end}'")
        block = f"{begin}\n{make()}\n{end}"
        text = pattern.sub(lambda _, block=block: block, text)  # type: ignore[misc]
    return text


def main() -> None:
    """Rewrite every page."""
    for page, tables in TABLES.items():
        path = DOCS / page
        path.write_text(render(path.read_text(encoding="utf-8"), tables), encoding="utf-8")


if __name__ == "__main__":
    main()
