"""A report as one HTML file: nothing fetched, no script, by day and by night, fit for a printer."""

from collections.abc import Iterable, Sequence
from typing import Final, TypeVar

from bridge.core.alarm_text import capital
from bridge.core.findings import Cause
from bridge.shell.page.books import VERDICTS, calibration_row, check_row
from bridge.shell.page.words import PRIORITY_WORDS, permit_title
from bridge.shell.paper import document, text
from bridge.shell.report_events import Stretch, reasons_s
from bridge.shell.report_facts import Facts, suggestions
from bridge.shell.report_plot import plot
from bridge.shell.report_words import (
    alarm_name,
    cause_name,
    key_figures,
    learned_lines,
    length,
    reasons,
    share,
    stretch_length,
    zone_words,
)

MOST_ROWS: Final = 60
"""Of a table; the longest are shown when there are more."""
DASH: Final = "&#8211;"
MINUTES: Final = "%Y-%m-%d %H:%M"

_STYLE: Final = """
body { max-width: 60rem; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; }
h2 { font-size: 1.4rem; margin: 2rem 0 .4rem; border-bottom: 2px solid var(--first); }
h3 { font-size: 1.05rem; margin: 1.5rem 0 .3rem; break-after: avoid; }
p { margin: .3rem 0; } .soft { color: var(--soft); font-size: .9rem; }
table { border-collapse: collapse; width: 100%; font-size: .92rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem .9rem .3rem 0;
  border-bottom: 1px solid var(--faint); }
th { color: var(--soft); font-weight: 600; } tr { break-inside: avoid; }
.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
.when { white-space: nowrap; font-variant-numeric: tabular-nums; }
.bars { width: 40%; padding-right: 0; } .scroll + .scroll, p + .scroll { margin-top: .5rem; }
.bar { display: block; height: .55rem; min-width: 2px; margin-top: .45rem;
  background: var(--first); }
.bar.other { background: repeating-linear-gradient(45deg, var(--second) 0 3px, transparent 3px 6px);
  border: 1px solid var(--second); height: calc(.55rem - 2px); }
.key { display: grid; grid-template-columns: max-content 1fr; gap: .25rem 1.2rem; margin: .8rem 0; }
.key dt { color: var(--soft); } .key dd { margin: 0; }
.taken-back { text-decoration: line-through; }
:root { --faint: #d9dfe2; } @media (prefers-color-scheme: dark) { :root { --faint: #313c42; } }
svg { margin: .5rem 0 0; } .grid { stroke: var(--faint); stroke-width: 1; }
.band { fill: var(--first); opacity: .22; stroke: none; }
.estimate { fill: none; stroke: var(--first); stroke-width: 2.2; stroke-linejoin: round; }
.probe { fill: none; stroke: var(--second); stroke-width: 1.1; stroke-dasharray: 5 2; }
.limit { stroke: var(--ink); stroke-width: 1; stroke-dasharray: 2 5; }
.stripe { stroke: var(--second); stroke-width: 2; opacity: .55; }
.disturbed { stroke: var(--second); stroke-width: .6; } svg .name { fill: var(--second); }
.check { stroke: var(--ink); stroke-width: 1.4; fill: var(--paper); }
svg .letter { font-weight: 700; text-anchor: middle; }
@media (max-width: 40rem) { .key { grid-template-columns: 1fr; gap: 0; }
  .key dd { margin-bottom: .4rem; } .scroll { overflow-x: auto; } .scroll svg { width: 46rem; }
  .bars { width: 20%; } }
@media print { @page { margin: 15mm; } :root { color-scheme: light; --ink: #000; --soft: #444;
  --paper: #fff; --line: #888; --faint: #ccc; --first: #1f6f8b; --second: #b3541e; }
  body { font-size: 10pt; max-width: none; margin: 0; padding: 0; }
  .tank + .tank { break-before: page; } svg, dl { break-inside: avoid; }
  .bar, .band, .disturbed { print-color-adjust: exact; -webkit-print-color-adjust: exact; } }
"""

S = TypeVar("S", bound=Stretch)
Row = Sequence[str]
"""Cells as HTML."""


def render(tanks: Sequence[Facts]) -> str:
    """The report.

    Args:
        tanks: One or more, all over the same time.
    """
    first = tanks[0]
    begin, end = first.at(first.from_s), first.at(first.to_s)
    several = len(tanks) > 1
    names = ", ".join(facts.title for facts in tanks)
    heading = "Tidegate report" if several else f"Tidegate report: {first.title}"
    parts = [
        f"<h1>{text(heading)}</h1>",
        (
            f"<p>{begin:{MINUTES}} to {end:{MINUTES}} ({length(first.length_s)}). "
            f'<span class="soft">All times are in {text(zone_words(first.zone, first.to_s))}. '
            "Salinities are practical salinities (ppt).</span></p>"
        ),
    ]
    parts += [_tank(facts, several=several) for facts in tanks]
    title = f"Tidegate: {names}, {begin:%Y-%m-%d} to {end:%Y-%m-%d}"
    return document(title, "\n".join(parts), style=_STYLE)


def _tank(facts: Facts, *, several: bool) -> str:
    parts = [f"<h2>{text(facts.title)}</h2>"] if several else []
    if facts.empty:
        parts.append("<p>Nothing was recorded in this time.</p>")
    else:
        parts += [
            _key(facts),
            _suggestions(facts),
            _salinity(facts),
            _causes(facts),
            _episodes(facts),
            _holds(facts),
            _alarms(facts),
            _water(facts),
            _checks(facts),
            _calibrations(facts),
            _learned(facts),
        ]
    body = "\n".join(parts)
    return f'<section class="tank">\n{body}\n</section>'


def _key(facts: Facts) -> str:
    pairs = "".join(
        f"<dt>{text(name)}</dt><dd>{text(value)}</dd>" for name, value in key_figures(facts)
    )
    return f'<dl class="key">{pairs}</dl>'


def _suggestions(facts: Facts) -> str:
    found = suggestions(facts)
    if not found:
        return "<h3>What to do</h3><p>Nothing.</p>"
    learned = facts.learned
    why = ""
    if learned is not None:
        answers = "".join(
            f"<li>{text(answer.question)} {text(answer.answer)}</li>"
            for answer in learned.advice.answers
        )
        why = (
            f'<p class="soft">About the probe, as things stood on '
            f"{facts.at(learned.at_s):{MINUTES}}:</p>"
            f'<ul class="soft">{answers}</ul>'
        )
    items = "".join(f"<li>{text(sentence)}</li>" for sentence in found)
    return f"<h3>What to do</h3><ol>{items}</ol>{why}"


def _salinity(facts: Facts) -> str:
    drawing = plot(facts)
    if not drawing:
        return "<h3>Salinity</h3><p>The salinity was not known, and the probe was not read.</p>"
    legend = (
        '<p class="soft">Strong line: most likely salinity, in the band within which it is sure '
        "(k = 2). Dashed line: what the probe said. Hatched: the reading was disturbed, by what is "
        "written above. Diamond: reference check with its uncertainty. C: calibration. W: water "
        "change.</p>"
    )
    return f'<h3>Salinity</h3><div class="scroll">{drawing}</div>{legend}'


def _causes(facts: Facts) -> str:
    spent = sorted(facts.causes_s.items(), key=lambda pair: (-pair[1], pair[0]))
    whole_s = max(facts.length_s, sum(facts.causes_s.values()))
    rows = [
        (
            text(capital(cause_name(cause))),
            _number(length(seconds)),
            _number(share(seconds, whole_s)),
            _bar(seconds / whole_s, other=cause != Cause.NONE),
        )
        for cause, seconds in spent
    ]
    if facts.unknown_s:
        share_ = share(facts.unknown_s, whole_s)
        rows.append(("Nothing recorded", _number(length(facts.unknown_s)), _number(share_), ""))
    note = '<p class="soft">Counted in whole minutes, in whole hours past two days.</p>'
    head = ("What was found", _number("time"), _number("share"), "")
    return f"<h3>Time in each cause</h3>{_table(head, rows, 'Nothing was recorded.')}{note}"


def _episodes(facts: Facts) -> str:
    shown, note = _longest(facts.episodes)
    rows = [
        (
            _when(facts, episode.begin_s),
            text(stretch_length(episode)),
            text(capital(cause_name(episode.cause))),
            text(" ".join(episode.evidence)) or DASH,
        )
        for episode in shown
    ]
    head = ("Begin", "Length", "Cause", "Evidence when it was found")
    return f"<h3>Episodes</h3>{note}{_table(head, rows, 'There were none.')}"


def _holds(facts: Facts) -> str:
    names = list(dict.fromkeys([*facts.tank.permits, *(hold.permit for hold in facts.holds)]))
    if not names:
        return "<h3>Holds</h3><p>No permits are configured.</p>"
    totals = []
    for name in names:
        held = [hold for hold in facts.holds if hold.permit == name]
        held_s = sum(hold.length_s for hold in held)
        totals.append(
            (
                text(permit_title(name)),
                _number(str(len(held))),
                _number(length(held_s)),
                _number(share(held_s, facts.length_s)),
                text(reasons(reasons_s(held))) or DASH,
            )
        )
    shown, note = _longest(facts.holds)
    rows = [
        (
            _when(facts, hold.begin_s),
            text(stretch_length(hold)),
            text(permit_title(hold.permit)),
            text(reasons(hold.reasons_s)) or DASH,
        )
        for hold in shown
    ]
    head = ("Permit", _number("holds"), _number("held"), _number("share"), "Reasons")
    parts = ["<h3>Holds</h3>", _table(head, totals, "")]
    if rows:
        parts += [note, _table(("Begin", "Length", "Permit", "Reasons"), rows, "")]
    return "".join(parts)


def _alarms(facts: Facts) -> str:
    figures = facts.alarm_figures
    parts = [
        "<h3>Alarms</h3>",
        (
            f"<p>{figures.raised} raised, {figures.raised_a_day:.1f} a day. "
            "Chattering (three times or more within a minute): "
            f"{_names(facts, figures.chattering)}. "
            f"Stale (longer than a day): {_names(facts, figures.stale)}. "
            f"In a flood (more than ten within ten minutes): {figures.floods or 'none'}.</p>"
        ),
    ]
    shown, note = _longest(facts.alarms)
    rows = [
        (
            _when(facts, alarm.begin_s),
            text(stretch_length(alarm)),
            text(PRIORITY_WORDS.get(alarm.priority, alarm.priority)),
            text(alarm_name(facts, alarm) + ("" if alarm.owner else " (whole installation)")),
            "yes" if alarm.seen else "no",
        )
        for alarm in shown
    ]
    head = ("Begin", "Length", "How soon", "Alarm", "Seen")
    if rows:
        parts += [note, _table(head, rows, "")]
    return "".join(parts)


def _water(facts: Facts) -> str:
    parts = ["<h3>Evaporation and top-off</h3>"]
    learned = facts.learned
    if learned is None or learned.evaporation_l_day is None:
        parts.append("<p>How much evaporates is not known yet.</p>")
    else:
        parts.append(
            f"<p>Evaporation: {learned.evaporation_l_day:.1f} l a day, learned by "
            f"{facts.at(learned.at_s):{MINUTES}}.</p>"
        )
    total = sum(facts.litres.values())
    if not total:
        parts.append("<p>No top-off was metered.</p>")
    else:
        most = max(facts.litres.values())
        rows = [
            (
                f'<span class="when">{day}</span>',
                _number(f"{litres:.2f}"),
                _bar(litres / most, other=False),
            )
            for day, litres in facts.litres.items()
        ]
        head = ("Day", _number("litres"), "")
        parts.append(
            f"<p>Topped off: {total:.2f} l, {total * 86_400 / facts.length_s:.2f} l a day.</p>"
            f"{_table(head, rows, '')}"
        )
    if facts.water_changes:
        changes = [
            (
                _when(facts, row.at_s),
                _or_dash(row.data.get("litres"), "{:g} l"),
                _or_dash(row.data.get("salinity"), "{:g}"),
                _or_dash(row.data.get("expected_change"), "{:+z.2f}"),
            )
            for row in facts.water_changes
        ]
        titles = ("Water change", "Litres", "Salinity of the new water", "Expected change")
        parts.append(_table(titles, changes, ""))
    return "".join(parts)


def _checks(facts: Facts) -> str:
    rows = []
    for data in facts.checks:
        check = check_row(data)
        e_n = data["e_n"]
        verdict = VERDICTS.get(data["verdict"], data["verdict"])
        cells = [
            _when(facts, data["at_s"]),
            text(check.instrument),
            text(check.readings),
            text(check.reference),
            text(check.estimate),
            _number(DASH if e_n is None else f"{e_n:z.2f}"),
            text("taken back" if check.undone else capital(verdict)),
        ]
        if check.undone:
            cells = [f'<span class="taken-back">{cell}</span>' for cell in cells[:-1]] + cells[-1:]
        rows.append(cells)
    head = (
        "Time",
        "Instrument",
        "Reading",
        "Salinity by it",
        "Estimate",
        _number("E<sub>n</sub>"),
        "Result",
    )
    note = (
        '<p class="soft">E<sub>n</sub> is the difference over the joint expanded uncertainty; '
        "between -1 and 1 the two agree (ISO 13528).</p>"
        if rows
        else ""
    )
    return f"<h3>Reference checks</h3>{_table(head, rows, 'There were none.')}{note}"


def _calibrations(facts: Facts) -> str:
    undone = {data["undoes"] for data in facts.calibrations if data["undoes"] is not None}
    rows = []
    for data in facts.calibrations:
        made = calibration_row(data, undone)
        standing = "" if made.stands or data["undoes"] is not None else " (taken back)"
        rows.append(
            (
                _when(facts, data["at_s"]),
                text(made.what + standing),
                text(made.where),
                text(made.effect),
                text(made.by),
            )
        )
    head = ("Time", "What", "Where", "Effect", "By")
    return f"<h3>Calibrations</h3>{_table(head, rows, 'There were none.')}"


def _learned(facts: Facts) -> str:
    as_of = ""
    if facts.learned is not None:
        as_of = f'<p class="soft">As of {facts.at(facts.learned.at_s):{MINUTES}}.</p>'
    items = "".join(f"<li>{text(line)}</li>" for line in learned_lines(facts))
    return f"<h3>Learned</h3>{as_of}<ul>{items}</ul>"


def _names(facts: Facts, alarms: Iterable[str]) -> str:
    return text(", ".join(alarm_name(facts, alarm) for alarm in alarms) or "none")


def _longest(found: list[S]) -> tuple[list[S], str]:
    """What a table shows, in time order, and a remark when that is not all."""
    if len(found) <= MOST_ROWS:
        return found, ""
    kept = sorted(found, key=lambda stretch: -stretch.length_s)[:MOST_ROWS]
    note = f'<p class="soft">The {MOST_ROWS} longest of {len(found)}.</p>'
    return sorted(kept, key=lambda stretch: stretch.begin_s), note


def _when(facts: Facts, at_s: float) -> str:
    moment = facts.at(at_s)
    return f'<span class="when">{moment:%Y-%m-%d}</span> <span class="when">{moment:%H:%M}</span>'


def _number(html: str) -> str:
    """A cell that is set flush right."""
    return f'<span class="number">{html}</span>'


def _bar(part: float, *, other: bool) -> str:
    """A cell with a bar of a length, plain or striped."""
    kind = "bar other" if other else "bar"
    return f'<span class="{kind}" style="width: {100 * part:.1f}%"></span>' if part else ""


def _or_dash(value: float | None, form: str) -> str:
    return DASH if value is None else form.format(value)


def _table(head: Row, rows: Sequence[Row], otherwise: str) -> str:
    if not rows:
        return f"<p>{otherwise}</p>" if otherwise else ""
    heads = "".join(_cell("th", cell) for cell in head)
    body = "\n".join(f"<tr>{''.join(_cell('td', cell) for cell in row)}</tr>" for row in rows)
    return (
        f'<div class="scroll"><table><thead><tr>{heads}</tr></thead>\n'
        f"<tbody>{body}</tbody></table></div>"
    )


def _cell(tag: str, html: str) -> str:
    kind = ""
    if html.startswith('<span class="number"'):
        kind = ' class="number"'
    elif html.startswith('<span class="bar'):
        kind = ' class="bars"'
    return f"<{tag}{kind}>{html}</{tag}>"
