"""From arrays to MQTT messages: what the tank's devices would have published."""

from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import NamedTuple

import numpy as np
import orjson

from bridge.core.settings import Counting, LevelUnit, TemperatureUnit, VolumeUnit
from bridge.simulation.draft import Draft
from bridge.simulation.probe import Readings, quantise
from bridge.simulation.traits import DeviceTraits, log_uniform
from bridge.simulation.truth import FloatArray

PERCENT_PER_MM = 0.4
PERCENT_NORMAL = 60.0
MM_NORMAL = 180.0

IDLE_METER_S = 600.0
"""A running total is repeated this often while nothing flows."""

LONG_RUN_STEPS = 180
"""A run that does not end is reported this often."""

SMALLEST_RUN_L = 0.0005


class Sent(NamedTuple):
    """One MQTT message in a scenario."""

    at_s: float
    topic: str
    payload: bytes
    retained: bool = False


def iso(at_s: float) -> str:
    """ISO 8601 with milliseconds, UTC."""
    stamp = datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")
    return stamp.replace("+00:00", "Z")


def decimals(step: float) -> int:
    """Decimals that show a resolution exactly."""
    return max(0, -int(Decimal(repr(float(f"{step:.6g}"))).normalize().as_tuple().exponent))


def _arrivals(rng: np.random.Generator, times_s: FloatArray, delay_s: float) -> FloatArray:
    """Arrival times: an exponential delay on the way."""
    return times_s + rng.exponential(delay_s, len(times_s))


def probe_messages(
    draft: Draft, readings: Readings, numbers: FloatArray, topic: str, rng: np.random.Generator
) -> Iterator[Sent]:
    """Messages of one probe."""
    traits = draft.traits
    digits = decimals(traits.resolution)
    arrivals = _arrivals(rng, readings.times_s, traits.delay_s)
    twice = rng.random(len(arrivals)) < traits.duplicates
    for index in np.flatnonzero(readings.sent).tolist():
        payload = readings.garbage.get(index)
        if payload is None:
            text = f"{numbers[index]:.{digits}f}"
            if not traits.json:
                payload = text.encode()
            elif traits.stamped:
                stamp = iso(readings.times_s[index])
                payload = f'{{"reading":{{"value":{text}}},"time":"{stamp}"}}'.encode()
            else:
                payload = f'{{"reading":{{"value":{text}}}}}'.encode()
        yield Sent(float(arrivals[index]), topic, payload)
        if twice[index]:
            yield Sent(float(arrivals[index]) + 0.2, topic, payload)


def thermometer_messages(
    draft: Draft,
    times_s: FloatArray,
    felt_c: FloatArray,
    topic: str,
    rng: np.random.Generator,
) -> Iterator[Sent]:
    """Messages of the water thermometer."""
    traits = draft.traits
    noisy = felt_c + traits.thermometer_noise_c * rng.standard_normal(len(felt_c))
    shown = quantise(noisy, traits.thermometer_resolution_c)
    match TemperatureUnit(traits.thermometer_unit):
        case TemperatureUnit.F:
            shown = shown * 1.8 + 32.0
        case TemperatureUnit.K:
            shown = shown + 273.15
        case TemperatureUnit.C:
            pass
    arrivals = _arrivals(rng, times_s, traits.delay_s)
    for at_s, value in zip(arrivals.tolist(), shown.tolist(), strict=True):
        yield Sent(at_s, topic, f"{value:.2f}".encode())


def device_messages(
    draft: Draft, name: str, device: DeviceTraits, topic: str, rng: np.random.Generator
) -> Iterator[Sent]:
    """State of one device: on each change, and repeated when it is sent in watts."""
    state = draft.states[name].copy()
    for hidden, start_s, end_s in draft.hidden_runs:
        if hidden == name:
            state[draft.span(start_s, end_s)] = False
    changed = np.flatnonzero(state[1:] != state[:-1]) + 1
    times_s = draft.times_s[changed]
    values = state[changed]
    yield Sent(draft.start_s, topic, _state(device, on=bool(state[0]), rng=rng), retained=True)
    if device.repeat_s is not None:
        extra_s = np.arange(draft.start_s + device.repeat_s, draft.times_s[-1], device.repeat_s)
        index = np.searchsorted(draft.times_s, extra_s, side="right") - 1
        times_s = np.concatenate((times_s, extra_s))
        values = np.concatenate((values, state[index]))
        order = np.argsort(times_s, kind="stable")
        times_s, values = times_s[order], values[order]
    for at_s, on in zip(times_s.tolist(), values.tolist(), strict=True):
        yield Sent(at_s + device.latency_s, topic, _state(device, on=on, rng=rng))


def _state(device: DeviceTraits, *, on: bool, rng: np.random.Generator) -> bytes:
    if device.watts is None:
        return device.words[0 if on else 1].encode()
    watts = device.watts * rng.normal(1.0, 0.03) if on else rng.uniform(0.0, 0.3)
    return f"{watts:.1f}".encode()


def level_messages(draft: Draft, topic: str, rng: np.random.Generator) -> Iterator[Sent]:
    """Water level, noisy and rounded to whole millimetres (or a tenth of a unit)."""
    traits = draft.traits
    every_s = float(rng.choice([10.0, 30.0, 60.0, 300.0]))
    times_s = np.arange(draft.start_s + rng.uniform(0, every_s), draft.times_s[-1], every_s)
    level_mm = np.interp(times_s, draft.times_s, draft.water().level_mm)
    level_mm = level_mm + traits.level_noise_mm * rng.standard_normal(len(times_s))
    match traits.level_unit:
        case LevelUnit.PERCENT:
            shown = quantise(PERCENT_NORMAL + PERCENT_PER_MM * level_mm, 0.1)
        case LevelUnit.CM:
            shown = quantise((MM_NORMAL + level_mm) / 10.0, 0.1)
        case _:
            shown = quantise(MM_NORMAL + level_mm, 1.0)
    for at_s, value in zip(times_s.tolist(), shown.tolist(), strict=True):
        yield Sent(at_s + traits.delay_s, topic, f"{value:.1f}".encode())


def litres_messages(draft: Draft, topic: str, rng: np.random.Generator) -> Iterator[Sent]:
    """Metered fresh water: a running total, or the amount of each run when it has ended."""
    traits = draft.traits
    error = rng.normal(1.0, 0.02)
    scale = 1000.0 if traits.meter_unit is VolumeUnit.ML else 1.0
    digits = 0 if traits.meter_unit is VolumeUnit.ML else 3
    metered = draft.water().metered_l * error
    if traits.meter_counting is Counting.CUMULATIVE:
        # Sent every minute while it counts, and every ten minutes otherwise.
        index = np.arange(0, len(metered), 12)
        last, last_at = -1.0, -np.inf
        first = log_uniform(rng, 1.0, 1000.0)
        for i in index.tolist():
            total = first + float(metered[i])
            if total > last + 1e-4 or draft.times_s[i] - last_at >= IDLE_METER_S:
                payload = f"{total * scale:.{digits}f}".encode()
                yield Sent(float(draft.times_s[i]) + traits.delay_s, topic, payload)
                last, last_at = total, float(draft.times_s[i])
        return
    flowing = np.diff(metered, prepend=metered[0]) > 0.0
    edges = np.diff(flowing.astype(np.int8), append=0)
    before = 0.0
    # A run that does not end is reported every quarter of an hour.
    since = 0
    for i in np.flatnonzero(flowing | (edges == -1)).tolist():
        ended = edges[i] == -1
        if ended or i - since >= LONG_RUN_STEPS:
            amount = float(metered[i]) - before
            before, since = float(metered[i]), i
            if amount > SMALLEST_RUN_L:
                payload = f"{amount * scale:.{digits}f}".encode()
                yield Sent(float(draft.times_s[i]) + 2.0 + traits.delay_s, topic, payload)


def command_messages(draft: Draft, base: str) -> Iterator[Sent]:
    """Commands that the keeper sends."""
    for number, command in enumerate(sorted(draft.commands, key=lambda item: item.at_s)):
        body = {"id": f"sim-{number}", **command.body}
        yield Sent(command.at_s, f"{base}/command/{command.name}", orjson.dumps(body))
