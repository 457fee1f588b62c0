"""What the demonstration shows: raw against corrected, why, and what is permitted.

It knows the daemon only through the messages that any visitor of the broker would see. Only the
truth comes from the simulation, because nobody else could know it.
"""

from collections import deque
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

import orjson
from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

INVENTED: Final = "Everything here is invented: a simulated tank, not a real one."
LOWEST_PSU: Final = 33.4
HIGHEST_PSU: Final = 35.8
ROWS: Final = 10
COLUMNS: Final = 72
SPAN_S: Final = 4 * 3600.0
"""Stretch of the story that the chart shows."""


@dataclass(slots=True)
class Picture:
    """Everything that is shown at one moment."""

    base_topic: str
    tank: str
    now_s: float = 0.0
    truth_psu: float | None = None
    title: str = ""
    text: str = ""
    state: str = "init"
    salinity: dict[str, Any] = field(default_factory=dict)
    diagnosis: dict[str, Any] = field(default_factory=dict)
    permits: dict[str, dict[str, Any]] = field(default_factory=dict)
    trace: deque[tuple[float, float | None, float | None]] = field(
        default_factory=lambda: deque(maxlen=6000)
    )

    def take(self, topic: str, payload: bytes) -> None:
        """Take in one of the daemon's messages."""
        if topic == f"{self.base_topic}/state":
            self.state = payload.decode(errors="replace")
            return
        try:
            document = orjson.loads(payload)
        except orjson.JSONDecodeError:
            return
        if not isinstance(document, dict):
            return
        place = topic.removeprefix(f"{self.base_topic}/{self.tank}/")
        if place == "salinity":
            self.salinity = document
            at_s = datetime.fromisoformat(document["time"]).timestamp()
            self.trace.append((at_s, document["probe_salinity"], document["salinity"]))
        elif place == "diagnosis":
            self.diagnosis = document
        elif place.startswith("permit/"):
            self.permits[place.removeprefix("permit/")] = document

    @property
    def clock(self) -> str:
        """The story's time of day."""
        return datetime.fromtimestamp(self.now_s, UTC).strftime("%H:%M")

    @property
    def cause(self) -> str:
        """The cause, as published."""
        return str(self.salinity.get("cause", "none"))

    def permit_words(self) -> dict[str, str]:
        """Permit by permit: allowed, or held and why."""
        return {
            name: "allowed"
            if document["state"] == "permit"
            else f"held: {document.get('first_reason') or 'not known'}"
            for name, document in sorted(self.permits.items())
        }


def plain_line(picture: Picture) -> str:
    """One line for a terminal that is none."""
    document = picture.salinity
    permits = ", ".join(f"{name} {words}" for name, words in picture.permit_words().items())
    return (
        f"{picture.clock}  probe {_number(document.get('probe_salinity'))}  "
        f"published {_number(document.get('salinity'))} "
        f"+- {_number(document.get('uncertainty'))}  truth {_number(picture.truth_psu)}  "
        f"cause {picture.cause}  {permits}"
    )


def screen(picture: Picture) -> RenderableType:
    """The whole picture."""
    document = picture.salinity
    facts = Table.grid(padding=(0, 2))
    facts.add_column(style="dim", no_wrap=True)
    facts.add_column()
    facts.add_row(
        "Probe, as it is",
        Text.assemble(
            (_number(document.get("probe_salinity")), "yellow"),
            f"   (sent: {document.get('reported')} {document.get('reported_unit', '')})",
        ),
    )
    facts.add_row(
        "Tidegate says",
        Text.assemble(
            (_number(document.get("salinity")), "bold cyan"),
            f" ± {_number(document.get('uncertainty'))}   {document.get('quality', '')}",
        ),
    )
    facts.add_row("In truth", f"{_number(picture.truth_psu)}   (only the simulation knows)")
    facts.add_row("Why", _why(picture))
    for name, words in picture.permit_words().items():
        facts.add_row(name, Text(words, style="green" if words == "allowed" else "red"))
    return Panel(
        Group(
            Text.assemble((f"{picture.clock}  {picture.title}", "bold"), f"\n{picture.text}"),
            Text(),
            chart(picture),
            Text(),
            facts,
        ),
        title="Tidegate demonstration",
        subtitle=INVENTED,
        width=100,
    )


def _why(picture: Picture) -> Text:
    causes = picture.diagnosis.get("causes") or [{}]
    first = next((each for each in causes if each.get("cause") == picture.cause), causes[0])
    words = Text(picture.cause, style="bold")
    if first.get("probability") is not None:
        words.append(f" ({first['probability']:.0%})", style="dim")
    if picture.cause != "none":
        for sentence in [*(first.get("evidence") or [])[:1], first.get("action")]:
            if sentence:
                words.append(f"\n{sentence}", style="not bold")
    return words


def chart(picture: Picture) -> Text:
    """The last hours: the probe as dots, what is published as a line."""
    cells = [[" "] * COLUMNS for _ in range(ROWS)]
    start_s = picture.now_s - SPAN_S
    # The published line is drawn last, over the dots.
    for mark, which in (("·", 1), ("━", 2)):
        for point in picture.trace:
            column = int((point[0] - start_s) / SPAN_S * COLUMNS)
            value = point[which]
            if not 0 <= column < COLUMNS or value is None:
                continue
            share = (float(value) - LOWEST_PSU) / (HIGHEST_PSU - LOWEST_PSU)
            row = round((1.0 - min(1.0, max(0.0, share))) * (ROWS - 1))
            cells[row][column] = mark
    drawn = Text(no_wrap=True)
    for number, row_cells in enumerate(cells):
        label_psu = HIGHEST_PSU - number * (HIGHEST_PSU - LOWEST_PSU) / (ROWS - 1)
        drawn.append(f"{label_psu:6.1f} │", style="dim")
        for cell in row_cells:
            drawn.append(cell, style="bold cyan" if cell == "━" else "yellow")
        drawn.append("\n")
    drawn.append(f"        └{'─' * (COLUMNS - 1)}\n", style="dim")
    drawn.append("         last 4 hours of the story:  ", style="dim")
    drawn.append("· probe as it is   ", style="yellow")
    drawn.append("━ Tidegate", style="bold cyan")
    return drawn


def _number(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, int | float) else "unknown"
