"""Takes down what the engine puts out about a scenario."""

import time
from collections.abc import Callable, Iterable
from math import inf, isfinite, nan
from typing import Final

import orjson

from bridge.core.engine import Engine
from bridge.core.events import Event, LinkUp, Message, Tick
from bridge.core.findings import Cause
from bridge.core.outputs import Output, Publish, Record
from bridge.simulation.messages import Sent
from bridge.simulation.scenario import TANK_ID, Scenario
from bridge.simulation.timeline import Observed

ALARM: Final = f"/{TANK_ID}/alarm/"

Feed = Callable[[Engine, Event], list[Output]]
"""Gives the engine the ticks due before an event, and the event."""


def watch(scenario: Scenario, feed: Feed) -> Observed:
    """Run the engine over a scenario and take down what it says."""
    engine = Engine(scenario.settings(), boot_id="bench", at_s=scenario.start_s)
    observed = Observed()
    started = time.process_time()
    take(observed, feed(engine, LinkUp(scenario.start_s)))
    for sent in scenario:
        outputs = feed(engine, as_message(sent))
        if outputs:
            take(observed, outputs)
        observed.messages += 1
        if sent.topic == scenario.tank.probe.topic:
            observed.samples += 1
    take(observed, feed(engine, Tick(max(scenario.end_s, sent.at_s))))
    observed.seconds = time.process_time() - started
    return observed


def as_message(sent: Sent) -> Message:
    """The event for a message of a scenario."""
    return Message(float(sent.at_s), sent.topic, sent.payload, sent.retained)


def take(observed: Observed, outputs: Iterable[Output]) -> None:
    """Take down outputs."""
    for output in outputs:
        if isinstance(output, Record):
            if output.kind == "sample":
                data = output.data
                observed.sample(
                    output.at_s,
                    nan if data["salinity"] is None else data["salinity"],
                    _or_infinite(data["uncertainty"]),
                    Cause(data["cause"]),
                )
            elif output.kind == "permit" and "state" in output.data:
                permitted = output.data["state"] == "permit"
                observed.permit(output.at_s, output.data["permit"], permitted=permitted)
        elif isinstance(output, Publish) and ALARM in output.topic and output.payload:
            alarm = orjson.loads(output.payload)
            if alarm["priority"] == "high" and alarm["active"]:
                episode = (alarm["alarm"], alarm["since"])
                if episode not in observed.high_alarms:
                    observed.high_alarms.append(episode)


def _or_infinite(value: float | None) -> float:
    return value if value is not None and isfinite(value) else inf
