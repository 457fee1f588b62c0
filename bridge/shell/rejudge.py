"""What the engine was told, judged once more: by the same engine, perhaps under other settings.

It begins with what had been learned by then, as a daemon would that was stopped at that moment and
started again with these settings. The time from there to the begin that was asked for only lets it
settle.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

from pydantic import TypeAdapter, ValidationError

from bridge.core.engine import Engine, EngineState
from bridge.core.errors import UserError
from bridge.core.events import LinkDown, LinkUp, Message
from bridge.core.outputs import Output, Record
from bridge.core.settings import Settings
from bridge.shell.history_inputs import Input, Lost, Started
from bridge.shell.history_reader import HistoryReader
from bridge.shell.link import Lifecycle, lifecycle_message
from bridge.shell.replay import Subscribed, derived_boot_id
from bridge.shell.report_facts import EARLIER_ROWS
from bridge.shell.stepping import feed

SETTLE_S: Final = 6 * 3600.0
"""A restart is looked at as at any other: permits are held for a while, evidence is gathered."""

GAP_S: Final = 3600.0
"""An older memory is not used: what it would have learned since then is not kept."""


@dataclass(frozen=True, slots=True)
class Span:
    """Which time is judged, and from when on the engine is told what happened."""

    begin_s: float
    """The first that is told."""
    from_s: float
    to_s: float
    state: bytes | None
    """What had been learned at the begin; None to begin with nothing."""


def span_of(reader: HistoryReader, from_s: float | None, to_s: float | None) -> Span:
    """What can be judged of a stretch of time.

    Args:
        reader: The history.
        from_s: Begin; left out, as early as there is something. [Unix s]
        to_s: End, not included; left out, as late as there is something. [Unix s]

    Raises:
        UserError: Nothing is kept of that time.
        HistoryError: The history cannot be read.
    """
    extent = reader.inputs_extent()
    if extent is None:
        raise UserError(
            "the history holds no messages to judge again; they are kept from the first start "
            "of a version that can, unless [storage] input_days is 0"
        )
    first_s, last_s = extent
    wanted_from_s = first_s if from_s is None else from_s
    wanted_to_s = last_s + 0.001 if to_s is None else min(to_s, last_s + 0.001)
    if not max(wanted_from_s, first_s) < wanted_to_s:
        raise UserError(
            f"the history holds messages from {_day(first_s)} to {_day(last_s)} to judge again, "
            "and none of the time that was asked for"
        )
    # Better with what was learned a while before; else with what there is.
    for at_s in (wanted_from_s - SETTLE_S, wanted_from_s):
        data = reader.state_before(at_s)
        learned = _learned(data)
        # Nothing may lie between what it knew and what it is told first.
        if learned is not None and learned.at_s + GAP_S >= first_s:
            begin_s = max(first_s, learned.at_s + 0.001)
            return Span(begin_s, max(wanted_from_s, begin_s), wanted_to_s, data)
    return Span(first_s, max(wanted_from_s, first_s), wanted_to_s, None)


def _learned(data: bytes | None) -> EngineState | None:
    if data is None:
        return None
    try:
        return TypeAdapter(EngineState).validate_json(data)
    except ValidationError:
        # Of another version: it begins with nothing, as a daemon would.
        return None


def _day(at_s: float) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%dT%H:%MZ}"


def stood_before(reader: HistoryReader, tanks: Iterable[str], span: Span) -> list[Record]:
    """What stood at the begin of a span: the same for every judgement that begins there."""
    found = [
        row
        for tank in tanks
        for kind in ("cause", "permit", "alarm")
        for row in reader.events(tank, (kind,), 0, span.begin_s, newest=EARLIER_ROWS)
    ]
    return sorted(found, key=lambda row: row.at_s)


def rejudge(inputs: Iterable[Input], *, settings: Settings, span: Span) -> Iterator[Output]:
    """Run the engine over what was told and hand on all that it would have said.

    Args:
        inputs: From the begin of the span, in time order.
        settings: To judge by.
        span: From `span_of`.
    """
    # Commands are kept without their secret, and only those that knew it.
    settings = replace(settings, command_secret=None)
    boot_id = derived_boot_id(settings)
    engine: Engine | None = None
    subscribed = Subscribed(())
    state, since_s = _learned(span.state), span.begin_s
    for each in inputs:
        if engine is None or isinstance(each, Started):
            # What happened while no daemon ran is not judged: nothing was.
            engine = Engine(
                settings,
                boot_id=boot_id if engine is None else f"{boot_id}-{round(each.at_s)}",
                at_s=each.at_s,
                state=state if engine is None else engine.state,
            )
            subscribed = Subscribed(engine.topics)
            yield lifecycle_message(settings.base_topic, Lifecycle.INIT, each.at_s)
            if not isinstance(each, Started):
                # In the middle of a run, which was connected or there would be no messages.
                yield from engine.step(LinkUp(each.at_s))
                yield lifecycle_message(settings.base_topic, Lifecycle.READY, each.at_s)
        if isinstance(each, Message):
            if subscribed(each.topic):
                yield from feed(engine, each, since_s=since_s)
        elif isinstance(each, LinkUp):
            yield from feed(engine, each, since_s=since_s)
            yield lifecycle_message(settings.base_topic, Lifecycle.READY, each.at_s)
        elif not isinstance(each, Started | Lost):
            if isinstance(each, LinkDown):
                yield lifecycle_message(settings.base_topic, Lifecycle.INIT, each.at_s)
            yield from feed(engine, each, since_s=since_s)
        since_s = each.at_s
