"""Commissioning a probe: what has been done, and what the measurements on the way say.

Pure: the walk-through in the terminal asks and waits, this module judges.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise, product
from typing import Any, Final

from bridge.core.agreement import coverage_factor
from bridge.core.devices import median, noise_change, step_change
from bridge.core.fit import SwingEstimate
from bridge.core.suggestion import sea_water_coefficient_pct_per_c

STATE_VERSION: Final = 1

SMALLEST_EFFECT_PSU: Final = 0.05
"""An effect below this disturbs nobody (common practice, no source)."""
LARGEST_CHANCE: Final = 0.05
"""Probability by chance, over all devices together, at which a device is named."""
FLOW_DIFFERENCE_PSU: Final = 0.1
FLOW_NOISE_RATIO: Final = 3.0
FEWEST_READINGS: Final = 5
SMALLEST_RESIDUAL_PCT: Final = 0.05
"""As uncertain as a stated coefficient is taken to be anyway."""
READINGS_PER_BLOCK: Final = 8
"""So many that the measure before a switching and the one after the last share no reading."""
SMALLEST_SWING_C: Final = 1.0
FEWEST_SWING_READINGS: Final = 60


class StepName(StrEnum):
    """The steps, in their order."""

    CAUTIONS = "cautions"
    PLACE = "place"
    CABLES = "cables"
    CALIBRATION = "calibration"
    FLOW = "flow"
    REFERENCE = "reference"
    DEVICES = "devices"
    TEMPERATURE = "temperature"


@dataclass(slots=True)
class Reading:
    """One reading of the probe, compensated and calibrated."""

    at_s: float
    salinity_psu: float
    temperature_c: float | None
    reported: float | None = None


@dataclass(slots=True)
class Switch:
    """A device was reported on or off."""

    at_s: float
    device: str
    on: bool


Update = Reading | Switch


@dataclass(slots=True)
class Block:
    """Readings while a device was in one state."""

    on: bool
    readings: list[Reading] = field(default_factory=list)


@dataclass(slots=True)
class CommissionState:
    """Everything a walk-through has gathered, so that it can be stopped and resumed."""

    tank: str
    started_at_s: float
    practice: bool = False
    version: int = STATE_VERSION
    done: list[str] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    answers: dict[str, bool] = field(default_factory=dict)
    """Points of the check lists, and whether they hold."""
    calibration: dict[str, Any] | None = None
    """The daemon's answer to the calibration."""
    reference: dict[str, Any] | None = None
    """The daemon's answer to the reference check."""
    fit: dict[str, Any] | None = None
    still: list[Reading] = field(default_factory=list)
    flowing: list[Reading] = field(default_factory=list)
    devices: dict[str, list[Block]] = field(default_factory=dict)
    readings: list[Reading] = field(default_factory=list)
    """All readings of the walk-through, thinned; for temperature and plots."""


@dataclass(frozen=True, slots=True)
class FlowResult:
    """Still water against flowing water."""

    difference_psu: float
    """Flowing minus still."""
    expanded_uncertainty_psu: float
    noise_ratio: float
    disturbed: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class DeviceEffect:
    """What switching one device does to the reading."""

    device: str
    edges: int
    size_psu: float
    """On minus off."""
    expanded_uncertainty_psu: float
    p_value: float
    """Probability of so large an effect by chance, of either sign."""
    noise_ratio: float
    """Restlessness on over off; 1 when it makes none."""
    significant: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the verdict."""

    step: StepName
    fine: bool | None
    """None when it was not done."""
    sentence: str


def compare_flow(still: Sequence[Reading], flowing: Sequence[Reading]) -> FlowResult | None:
    """Does the flow at the probe's place change the reading?

    Args:
        still: Readings with the pumps near the probe off.
        flowing: Readings with everything running as usual.

    Returns:
        The difference of medians with its expanded uncertainty (k = 2) and the ratio of the
        noises; None when there are fewer than five readings of either.

    Source: standard error of a median, 1.2533 sigma / sqrt(n) (normal noise); sigma from the
        median absolute deviation.
    """
    if min(len(still), len(flowing)) < FEWEST_READINGS:
        return None
    still_psu = [reading.salinity_psu for reading in still]
    flowing_psu = [reading.salinity_psu for reading in flowing]
    difference = median(flowing_psu) - median(still_psu)
    noise_still, noise_flowing = _noise(still_psu), _noise(flowing_psu)
    uncertainty = (
        2
        * 1.2533
        * math.hypot(
            noise_still / math.sqrt(len(still_psu)), noise_flowing / math.sqrt(len(flowing_psu))
        )
    )
    ratio = noise_flowing / noise_still
    moved = abs(difference) > max(uncertainty, FLOW_DIFFERENCE_PSU)
    noisy = ratio > FLOW_NOISE_RATIO and noise_flowing > SMALLEST_EFFECT_PSU
    numbers = f"Flowing water reads {difference:+.2f} ± {uncertainty:.2f} against still water"
    if moved and difference < 0:
        sentence = (
            f"{numbers}. Low in the flow means bubbles: move the probe to a calmer place, away "
            "from outlets."
        )
    elif moved:
        sentence = (
            f"{numbers}. The flow should not raise the reading: look for pick-up from a pump."
        )
    elif noisy:
        sentence = (
            f"{numbers}, but {ratio:.0f} times as restless. Look for bubbles or for pick-up from "
            "a pump."
        )
    else:
        sentence = f"{numbers}. The place is calm enough."
    return FlowResult(difference, uncertainty, ratio, moved or noisy, sentence)


def _noise(values: Sequence[float]) -> float:
    middle = median(values)
    # A flat stretch has at least the noise of a last digit.
    return max(1.4826 * median([abs(value - middle) for value in values]), 1e-3)


def device_effect(device: str, blocks: Sequence[Block], *, tried: int) -> DeviceEffect | None:
    """Size and significance of a device's effect, from switching it on and off in turn.

    Every switching gives one change (after minus before, by the same measure that the daemon
    uses). If the device did nothing, each change could as well have had the other sign: the share
    of all sign patterns with a mean at least as large is the probability by chance.

    Args:
        device: Which one.
        blocks: Readings in turn on and off.
        tried: How many devices are tried in all, for the correction.

    Returns:
        The effect; None with fewer than two usable switchings.

    Error: exact for any noise that is symmetric about its middle. Slow changes of the water cancel
        between switching on and off.

    Source: Fisher's randomisation test (R. A. Fisher 1935, The Design of Experiments, section 21,
        from memory); Bonferroni's correction for several devices.
    """
    changes: list[float] = []
    noises: list[float] = []
    for before, after in pairwise(blocks):
        if before.on == after.on:
            continue
        earlier = [reading.salinity_psu for reading in before.readings]
        later = [reading.salinity_psu for reading in after.readings]
        sign = 1.0 if after.on else -1.0
        step = step_change(earlier, later)
        if step is not None:
            changes.append(sign * step)
        noise = noise_change(earlier, later, 1e-3)
        if noise is not None:
            noises.append(sign * noise)
    count = len(changes)
    if count < 2:  # noqa: PLR2004 (a scatter needs two)
        return None
    size = math.fsum(changes) / count
    scatter = math.sqrt(math.fsum((change - size) ** 2 for change in changes) / (count - 1))
    uncertainty = coverage_factor(count - 1) * scatter / math.sqrt(count)
    chance = _sign_flip_probability(changes)
    ratio = math.exp(median(noises)) if noises else 1.0
    significant = chance * tried <= LARGEST_CHANCE and abs(size) >= max(
        uncertainty, SMALLEST_EFFECT_PSU
    )
    numbers = (
        f"{device} moves the reading by {size:+.2f} ± {uncertainty:.2f} "
        f"({count} switchings, {100 * chance:.1f} % by chance)"
    )
    if significant:
        sentence = (
            f"{numbers}. Keep its cables and supply away from the probe's cable; if it moves "
            "bubbles, move the probe."
        )
    elif 0.5**count * 2 * tried > LARGEST_CHANCE:
        sentence = f"{numbers}. Too few switchings to tell; repeat with more."
    elif abs(size) >= SMALLEST_EFFECT_PSU:
        sentence = f"{numbers}. That may be chance."
    else:
        sentence = f"{numbers}. No effect that matters."
    return DeviceEffect(device, count, size, uncertainty, chance, ratio, significant, sentence)


def _sign_flip_probability(changes: Sequence[float]) -> float:
    # 2^16 patterns are enough for any patience, and quick.
    kept = changes[:16]
    observed = abs(math.fsum(kept))
    reached = sum(
        abs(math.fsum(sign * change for sign, change in zip(signs, kept, strict=True)))
        >= observed * (1 - 1e-12)
        for signs in product((1.0, -1.0), repeat=len(kept))
    )
    return float(reached / 2 ** len(kept))


def temperature_dependence(readings: Sequence[Reading]) -> SwingEstimate | None:
    """Residual coefficient from how the corrected reading follows the water's temperature.

    Args:
        readings: In order of time, of water whose salinity hardly changed otherwise.

    Returns:
        What must be added to the coefficient; None when the temperature moved by less than 1 °C or
        there are fewer than 60 readings.

    Error: neighbouring readings share slow changes, so the standard uncertainty counts as many
        independent readings as their correlation leaves.

    Source: least squares; effective number of observations n (1 - r) / (1 + r) for
        first-order autocorrelation r (standard time-series result, from memory).
    """
    usable = [
        (reading.temperature_c, reading.salinity_psu)
        for reading in readings
        if reading.temperature_c is not None
    ]
    if len(usable) < FEWEST_SWING_READINGS:
        return None
    temperatures = [pair[0] for pair in usable]
    if max(temperatures) - min(temperatures) < SMALLEST_SWING_C:
        return None
    count = len(usable)
    mean_c = math.fsum(temperatures) / count
    mean_psu = math.fsum(pair[1] for pair in usable) / count
    spread = math.fsum((t - mean_c) ** 2 for t in temperatures)
    slope = math.fsum((t - mean_c) * (s - mean_psu) for t, s in usable) / spread
    left = [s - mean_psu - slope * (t - mean_c) for t, s in usable]
    power = math.fsum(value**2 for value in left)
    neighbours = math.fsum(a * b for a, b in pairwise(left))
    correlation = min(max(neighbours / power, 0.0), 0.99) if power > 0 else 0.0
    independent = max(3.0, count * (1 - correlation) / (1 + correlation))
    variance = power / count * independent / (independent - 2)
    standard = math.sqrt(variance / (spread / count * independent))
    # S falls by 0.394 for 1 % less conductivity at S = 35 (PSS-78); a reading that is low in warm
    # water was divided by too much, so the coefficient stated must be larger.
    per_pct = 0.394 * mean_psu / 35
    return SwingEstimate(
        residual_pct_per_c=-slope / per_pct,
        standard_uncertainty_pct_per_c=max(standard / per_pct, 1e-4),
    )


def effects(state: CommissionState) -> list[DeviceEffect]:
    """The effects of all devices that were tried."""
    tried = max(1, len(state.devices))
    found = [device_effect(name, blocks, tried=tried) for name, blocks in state.devices.items()]
    return [effect for effect in found if effect is not None]


def verdict(state: CommissionState) -> tuple[Line, ...]:
    """One line for each step, in order: fine, to be attended to, or not done."""
    return (
        _list_line(state, StepName.PLACE, "The place"),
        _list_line(state, StepName.CABLES, "The cables"),
        _calibration_line(state),
        _flow_line(state),
        _reference_line(state),
        *_device_lines(state),
        _temperature_line(state),
    )


_NOT_DONE: Final = "Not done."


def _list_line(state: CommissionState, step: StepName, name: str) -> Line:
    if step not in state.done:
        return Line(step, fine=None, sentence=f"{name}: {_NOT_DONE.lower()}")
    wrong = [
        point.removeprefix(f"{step}: ")
        for point, holds in state.answers.items()
        if point.startswith(f"{step}: ") and not holds
    ]
    if wrong:
        return Line(
            step, fine=False, sentence=f"{name}, still to be put right: {'; '.join(wrong)}."
        )
    return Line(step, fine=True, sentence=f"{name}: as it should be.")


def _calibration_line(state: CommissionState) -> Line:
    answer = state.calibration
    if answer is None:
        return Line(StepName.CALIBRATION, fine=None, sentence="Calibration: not done.")
    if not answer.get("recorded"):
        questions = " ".join(answer.get("questions", [])) or answer.get("error", "")
        return Line(
            StepName.CALIBRATION, fine=False, sentence=f"Calibration not recorded. {questions}"
        )
    return Line(
        StepName.CALIBRATION, fine=True, sentence=f"Calibration: {answer.get('sentence', '')}"
    )


def _flow_line(state: CommissionState) -> Line:
    result = compare_flow(state.still, state.flowing)
    if result is None:
        return Line(StepName.FLOW, fine=None, sentence="Still against flowing water: not done.")
    return Line(StepName.FLOW, fine=not result.disturbed, sentence=result.sentence)


def _reference_line(state: CommissionState) -> Line:
    answer = state.reference
    if answer is None or "verdict" not in answer:
        why = _NOT_DONE if answer is None else str(answer.get("error", _NOT_DONE))
        return Line(StepName.REFERENCE, fine=None, sentence=f"Reference check: {why}")
    fine = {"agree": True, "differ": False}.get(str(answer["verdict"]))
    advice = answer.get("advice", {}).get("sentence", "")
    return Line(StepName.REFERENCE, fine=fine, sentence=f"{answer['sentence']} {advice}".strip())


def _device_lines(state: CommissionState) -> list[Line]:
    found = effects(state)
    if not found:
        return [Line(StepName.DEVICES, fine=None, sentence="Devices: not tried.")]
    return [
        Line(StepName.DEVICES, fine=not effect.significant, sentence=effect.sentence)
        for effect in found
    ]


def _temperature_line(state: CommissionState) -> Line:
    swing = temperature_dependence(state.readings)
    fit = state.fit or {}
    coefficient = fit.get("coefficient_pct_per_c")
    if coefficient is not None:
        width = fit.get("coefficient_expanded_uncertainty_pct_per_c", 0.0)
        in_force = fit.get("coefficient_in_force_pct_per_c")
        return Line(
            StepName.TEMPERATURE,
            fine=in_force is None or abs(coefficient - in_force) <= (width or 0.0),
            sentence=(
                f"Temperature coefficient from the checks: {coefficient:.2f} ± {width:.2f} "
                "% per °C."
            ),
        )
    if swing is not None:
        size = swing.residual_pct_per_c
        width = 2 * swing.standard_uncertainty_pct_per_c
        fine = abs(size) <= max(width, SMALLEST_RESIDUAL_PCT)
        return Line(
            StepName.TEMPERATURE,
            fine=fine,
            sentence="The reading follows the water's temperature by "
            f"{size:+.2f} ± {width:.2f} % per °C"
            + (", which is nothing." if fine else "; add that to the coefficient."),
        )
    missing = " ".join(fit.get("missing", []))
    return Line(
        StepName.TEMPERATURE,
        fine=None,
        sentence="Temperature coefficient: not told yet. Wanted are "
        + (missing or "two checks at least 2 °C apart")
        + ". Resume when the water has another temperature.",
    )


def suggested_coefficient(salinity_psu: float, temperature_c: float) -> str:
    """What to enter into a device whose coefficient can be set, before anything is measured."""
    needed = sea_water_coefficient_pct_per_c(salinity_psu, temperature_c)
    return (
        f"Sea water at {temperature_c:.1f} °C follows {needed:.2f} % per °C, referred to 25 °C. "
        "If the device lets you choose, enter that, and write the same into the configuration."
    )
