"""Does the reading follow a device's switching? Tested over many toggles, not by one coincidence.

At every switching the reading before is compared with the reading after, twice: its level (a step
that reverses when the device stops) and its restlessness (noise while the device runs). Were the
device without effect, a change on its start would be as likely up as down, and so on its stop: the
signs alone give an exact test. Moments at which it did not switch, but another device or none did,
tell how often chance makes a change of about that size, which needs fewer switchings. A device is
named when its signed changes agree far more often than either chance would have it: a binomial
test, corrected for the number of devices tried and for the two kinds of effect.
"""

from bisect import bisect_left
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from math import atan, comb, cos, exp, log, pi, sin, sqrt
from typing import Final

KEPT_EDGES: Final = 40
KEPT_CONTROLS: Final = 120
BEFORE: Final = 4
"""Samples before a switching."""
SETTLING: Final = 1
"""Samples after a switching that are passed over: the effect may lag by a sample or two."""
AFTER: Final = 3
STEP_SPAN: Final = max(BEFORE, SETTLING + AFTER)
"""Samples to either side of a moment that its step is made of."""
WINDOW: Final = 26
"""Samples kept: twelve before a switching, twelve after it, and the lag."""
NOISE_SAMPLES: Final = 12
NOISE_SPAN: Final = NOISE_SAMPLES + SETTLING
LEAST_NOISE_SAMPLES: Final = 4
LEAST_EDGES: Final = 4
FADED: Final = 0.4
"""Share of the usual effect below which a switching did not show it."""
MOST_SHOWN: Final = 300.0
LATELY: Final = (6, 14, KEPT_EDGES)
"""Newest switchings that are looked at."""
LEAST_CONTROLS: Final = 12
SMALLEST_STEP_PSU: Final = 0.05
"""A smaller step moves no decision of a keeper."""
STEP_OF_NOISE: Final = 1.5
"""A step has to stand out of the noise of a single reading, rounding included, to be named."""
SMALLEST_NOISE_RATIO: Final = 0.7
"""Log ratio: noise twice as large."""
SIGNIFICANCE: Final = 3e-6
"""Largest corrected p-value at which a device is named. It is looked at again with every switching,
thousands of times a month: the chance of one false name in a year has to stay small."""
PROMPT: Final = 0.75
"""Share of effects that show in the first sample after a switching (assumed)."""
NOISE_LAG: Final = 3.0
"""Samples that noise usually takes to show (assumed)."""
LAGGING: Final = 0.2
"""Share that shows in the second only: devices tell late, probes smooth (assumed)."""
RARELY_S: Final = 6 * 3600.0
"""Over this time a device that was not seen to switch is taken to switch once (assumed)."""
RATE_EDGES: Final = 12
"""Newest switchings that tell how often a device switches."""
LEAST_SCATTER: Final = 0.3
"""Scatter of the changes, as a share of the smallest that matters, below which none is believed."""
SMALLEST_TAIL: Final = 1e-15
LONGEST_WAIT_INTERVALS: Final = 30


class Effect(StrEnum):
    """How a device can show."""

    STEP = "step"
    NOISE = "noise"


@dataclass(slots=True)
class EdgeChange:
    """What one switching did."""

    at_s: float
    on: bool
    change: float
    """After minus before, in psu (step) or as log ratio (noise)."""


@dataclass(slots=True)
class Control:
    """A change at a moment when the device in question did not switch."""

    at_s: float
    device: str
    """The device that did switch; empty for none."""
    change: float


@dataclass(slots=True)
class Verdict:
    """What the switchings of one device say about one kind of effect."""

    effect: Effect
    size: float
    """Change when the device starts: psu (step) or log ratio of restlessness (noise)."""
    agreeing: int
    edges: int
    chance: float
    p_value: float
    """Corrected for the number of devices and effects."""
    agreeing_on: int
    agreeing_off: int

    @property
    def significant(self) -> bool:
        """Whether the device can be named."""
        return (
            self.p_value <= SIGNIFICANCE and min(self.agreeing_on, self.agreeing_off) >= 2  # noqa: PLR2004
        )

    @property
    def log_odds(self) -> float:
        """Evidence for the device, in natural logarithms, bounded."""
        return min(-log(max(self.p_value, 1e-12)), 14.0) if self.significant else 0.0


@dataclass(slots=True)
class DeviceState:
    """One device's switching and what it did to the reading."""

    on: bool | None = None
    since_s: float | None = None
    known_s: float | None = None
    edge_s: float | None = None
    """Newest switching that was seen."""
    switchings: int = 0
    waiting: list[tuple[float, bool]] = field(default_factory=list)
    """Switchings whose effect is not measured yet."""
    steps: list[EdgeChange] = field(default_factory=list)
    noises: list[EdgeChange] = field(default_factory=list)
    step: Verdict | None = None
    noise: Verdict | None = None


@dataclass(slots=True)
class DevicesState:
    """All devices of a tank."""

    devices: dict[str, DeviceState] = field(default_factory=dict)
    times: deque[float] = field(default_factory=lambda: deque(maxlen=WINDOW))
    readings: deque[float] = field(default_factory=lambda: deque(maxlen=WINDOW))
    edges: deque[float] = field(default_factory=lambda: deque(maxlen=KEPT_EDGES))
    step_controls: list[Control] = field(default_factory=list)
    noise_controls: list[Control] = field(default_factory=list)
    until_control: int = WINDOW


def binomial_tail(successes: int, trials: int, chance: float) -> float:
    """Probability of at least ``successes`` in ``trials``, each with ``chance``."""
    if successes <= 0:
        return 1.0
    return min(
        sum(
            comb(trials, k) * chance**k * (1.0 - chance) ** (trials - k)
            for k in range(successes, trials + 1)
        ),
        1.0,
    )


def median(values: Sequence[float]) -> float:
    """Median of at least one value."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return 0.5 * (ordered[middle - 1] + ordered[middle])


def student_tail(t: float, freedom: int) -> float:
    """Two-sided tail of Student's t distribution.

    Args:
        t: Statistic.
        freedom: Degrees of freedom, at least 1.

    Source: Abramowitz and Stegun 1964, equations 26.7.3 and 26.7.4 (from memory).
    """
    angle = atan(abs(t) / sqrt(freedom))
    cosine = cos(angle)
    term = total = cosine if freedom % 2 else 1.0
    if freedom == 1:
        term = total = 0.0
    for k in range(3 if freedom % 2 else 2, freedom - 1, 2):
        term *= cosine * cosine * (k - 1.0) / k
        total += term
    inside = total * sin(angle)
    if freedom % 2:
        inside = 2.0 / pi * (angle + inside)
    return min(max(1.0 - inside, SMALLEST_TAIL), 1.0)


def mean_tail(changes: Sequence[float], least_sd: float) -> float:
    """Chance of a mean as far from zero as that of these changes, were they about zero (t test).

    Heavy tails, as bubbles make them, only lower the statistic.

    Args:
        changes: At least two.
        least_sd: Scatter to assume at least; steps of a coarse reading may all be alike.
    """
    count = len(changes)
    mean = sum(changes) / count
    variance = sum((c - mean) ** 2 for c in changes) / (count - 1)
    t = mean / sqrt((variance + least_sd * least_sd) / count)
    return student_tail(t, count - 1)


def judge(
    effect: Effect,
    changes: Sequence[EdgeChange],
    controls: Sequence[float],
    floor: float,
    tried: int,
) -> Verdict | None:
    """Whether signed changes agree more often than chance.

    Args:
        effect: Which kind.
        changes: At the device's switchings.
        controls: The same measure at moments without a switching; either sign is alike.
        floor: Smallest change that matters, same unit.
        tried: Number of devices and effects tried, for the correction.

    Returns:
        None when there are too few switchings to tell.
    """
    if len(changes) < LEAST_EDGES:
        return None
    signed = [c.change if c.on else -c.change for c in changes]
    size = median(signed)
    if abs(size) < floor:
        return Verdict(effect, size, 0, len(signed), 1.0, 1.0, 0, 0)
    # Agreeing: of the same sign, and neither a fraction nor a multiple of the usual size.
    scatter = 1.4826 * median([abs(s - size) for s in signed])
    tolerance = max(0.5 * abs(size), min(2.0 * scatter, abs(size)))
    agreeing = [c for c, s in zip(changes, signed, strict=True) if abs(s - size) <= tolerance]
    chance = 0.5
    if len(controls) >= LEAST_CONTROLS:
        # Either sign of a control is alike, so each is tried both ways.
        near = sum(abs(c - size) <= tolerance for c in controls)
        near += sum(abs(-c - size) <= tolerance for c in controls)
        chance = min((near + 1) / (2 * len(controls) + 2), 0.5)
    # The size was chosen to fit the changes: one of them is used up by that.
    by_signs = binomial_tail(len(agreeing) - 1, len(signed) - 1, chance)
    # Signs alone need twenty switchings where no moment is free of them; the sizes need fewer.
    raw = 2.0 * min(by_signs, mean_tail(signed, LEAST_SCATTER * floor))
    return Verdict(
        effect,
        size,
        len(agreeing),
        len(signed),
        chance,
        min(raw * max(tried, 1) * 2, 1.0),
        sum(c.on for c in agreeing),
        sum(not c.on for c in agreeing),
    )


def judge_lately(
    effect: Effect,
    changes: Sequence[EdgeChange],
    controls: Sequence[float],
    floor: float,
    tried: int,
) -> Verdict | None:
    """Like :func:`judge`, on the newest few, more, or all switchings: pick-up begins some day.

    The newest few must show the effect, so that a device is let go when its cable was moved. The
    p-value is corrected for the windows tried.
    """
    verdicts = [
        judge(effect, changes[-window:], controls, floor, tried * len(LATELY))
        for window in LATELY
        if window == LATELY[0] or len(changes) > LATELY[0]
    ]
    newest = verdicts[0]
    if newest is None or abs(newest.size) < floor:
        return newest
    found = [v for v in verdicts if v is not None and v.size * newest.size > 0.0]
    return min(found, key=lambda v: v.p_value)


class Devices:
    """Follows every configured device of one tank."""

    __slots__ = ("_interval_s", "_waiting", "names", "state")

    def __init__(self, names: Sequence[str], state: DevicesState | None = None) -> None:
        self.names = tuple(names)
        self._interval_s = 0.0
        self.state = state or DevicesState()
        # A saved state comes back without the bound on its lengths.
        self.state.times = deque(self.state.times, WINDOW)
        self.state.readings = deque(self.state.readings, WINDOW)
        self.state.edges = deque(self.state.edges, KEPT_EDGES)
        for name in names:
            self.state.devices.setdefault(name, DeviceState())
        for name in [n for n in self.state.devices if n not in self.names]:
            del self.state.devices[name]
        self._waiting = any(d.waiting for d in self.state.devices.values())

    def switched(self, name: str, at_s: float, *, on: bool) -> bool:
        """A device reported its state.

        Returns:
            Whether it changed.
        """
        device = self.state.devices[name]
        device.known_s = at_s
        if device.on == on:
            return False
        first = device.on is None
        device.on, device.since_s = on, at_s
        if first:
            return False
        device.edge_s = at_s
        device.switchings += 1
        self.state.edges.append(at_s)
        device.waiting.append((at_s, on))
        self._waiting = True
        return True

    def cycle_s(self, name: str) -> float:
        """Longest time between the newest few switchings of a device, six hours when unknown."""
        edges = [c.at_s for c in self.state.devices[name].steps[-5:]]
        waiting = [edge_s for edge_s, _ in self.state.devices[name].waiting]
        edges += [e for e in waiting if not edges or e > edges[-1]]
        return max((b - a for a, b in pairwise(edges)), default=RARELY_S)

    def fading(self, name: str, verdict: "Verdict") -> bool:
        """Whether the newest two switchings no longer show the effect."""
        device = self.state.devices[name]
        changes = device.steps if verdict.effect is Effect.STEP else device.noises
        newest = [c.change if c.on else -c.change for c in changes[-2:]]
        return len(newest) == 2 and all(  # noqa: PLR2004
            change / verdict.size < FADED for change in newest
        )

    def coincidence(self, name: str, at_s: float, before_s: float, interval_s: float) -> float:
        """How much likelier a change at this sample is if the device makes it than by chance.

        Args:
            name: The device.
            at_s: Time of the first changed sample. [s]
            before_s: Time of the sample before it. [s]
            interval_s: Usual time between samples. [s]

        Returns:
            Ratio of the probability of its switching just then, as the maker of the change, to
            the chance that it switches in such a time anyway; 0 when it did not switch.
        """
        device = self.state.devices[name]
        edge_s = device.edge_s
        slot_s = max(at_s - before_s, interval_s)
        if edge_s is None or edge_s > at_s or edge_s <= at_s - 2.0 * slot_s - 1.0:
            return 0.0
        share = PROMPT if edge_s > at_s - slot_s - 1.0 else LAGGING
        return share / min(1.0, _rate(device, at_s) * slot_s)

    def shown_before(self, name: str, effect: Effect = Effect.STEP) -> float:
        """How much likelier it is that a device disturbs, by the few switchings measured so far.

        Far from what names it, but enough to tell its next step from a bubble: the inverse chance
        of changes that agree so well, shared among the devices.
        """
        device = self.state.devices[name]
        step = effect is Effect.STEP
        changes = (device.steps if step else device.noises)[-LATELY[0] :]
        if len(changes) < 2:  # noqa: PLR2004
            return 1.0
        signed = [c.change if c.on else -c.change for c in changes]
        smallest = SMALLEST_STEP_PSU if step else SMALLEST_NOISE_RATIO
        if abs(median(signed)) < smallest:
            return 1.0
        chance = mean_tail(signed, LEAST_SCATTER * smallest) * len(self.names)
        return min(max(1.0 / chance, 1.0), MOST_SHOWN)

    def lately_started(self, at_s: float, interval_s: float) -> str | None:
        """The running device whose start fits best with noise that begins now.

        Noise shows some samples after the start, whenever it happens to be large.
        """
        best, found = 1.0, None
        for name in self.names:
            device = self.state.devices[name]
            if not device.on or device.since_s is None or device.switchings == 0:
                continue
            lag = (at_s - device.since_s) / interval_s
            score = exp(-lag / NOISE_LAG) / min(1.0, _rate(device, at_s) * interval_s)
            if score > best:
                best, found = score, name
        return found

    def sample(self, at_s: float, probe_psu: float, noise_psu: float, interval_s: float) -> None:
        """Take in a reading, measure switchings that are due."""
        state = self.state
        self._interval_s = interval_s
        state.times.append(at_s)
        state.readings.append(probe_psu)
        if self._waiting:
            self._measure(at_s, noise_psu, interval_s)
        state.until_control -= 1
        if state.until_control <= 0:
            self._control(noise_psu)

    def _split(self, edge_s: float, end_s: float) -> tuple[list[float], list[float]]:
        before: list[float] = []
        after: list[float] = []
        for when, value in zip(self.state.times, self.state.readings, strict=True):
            if when <= edge_s:
                before.append(value)
            elif when <= end_s:
                after.append(value)
        return before, after

    def _measure(self, at_s: float, noise_psu: float, interval_s: float) -> None:
        self._waiting = False
        for name in self.names:
            device = self.state.devices[name]
            still: list[tuple[float, bool]] = []
            for index, (edge_s, on) in enumerate(device.waiting):
                following = (
                    device.waiting[index + 1][0] if index + 1 < len(device.waiting) else None
                )
                end_s = following if following is not None else at_s
                before, after = self._split(edge_s, end_s)
                done = following is not None or len(after) >= NOISE_SAMPLES + SETTLING
                if not done and at_s - edge_s < LONGEST_WAIT_INTERVALS * interval_s:
                    still.append((edge_s, on))
                    continue
                self._conclude(name, edge_s, on, before, after, noise_psu)
                self._judge(name, noise_psu, interval_s)
            device.waiting = still
            self._waiting = self._waiting or bool(still)

    def _conclude(
        self,
        name: str,
        edge_s: float,
        on: bool,  # noqa: FBT001
        before: list[float],
        after: list[float],
        noise_psu: float,
    ) -> None:
        device, state = self.state.devices[name], self.state
        if self._overlaid(name, edge_s):
            return
        step = step_change(before, after)
        if step is not None:
            device.steps.append(EdgeChange(edge_s, on, step))
            del device.steps[:-KEPT_EDGES]
            _keep(state.step_controls, Control(edge_s, name, step))
        noise = noise_change(before, after, noise_psu)
        if noise is not None:
            device.noises.append(EdgeChange(edge_s, on, noise))
            del device.noises[:-KEPT_EDGES]
            _keep(state.noise_controls, Control(edge_s, name, noise))

    def _overlaid(self, name: str, edge_s: float) -> bool:
        """Whether a device known to step the reading switched so near that it hides this one."""
        span_s = STEP_SPAN * self._interval_s
        for other, verdict in self.named():
            if other == name or verdict.effect is not Effect.STEP:
                continue
            device = self.state.devices[other]
            times = [c.at_s for c in device.steps[-4:]] + [edge for edge, _ in device.waiting]
            if any(abs(edge - edge_s) <= span_s for edge in times):
                return True
        return False

    def _judge(self, name: str, noise_psu: float, interval_s: float) -> None:
        """Weigh the switchings of one device against what happens without it."""
        device, state, tried = self.state.devices[name], self.state, len(self.names)
        device.step = judge_lately(
            Effect.STEP,
            device.steps,
            _without(name, device.steps, state.step_controls, STEP_SPAN * interval_s),
            max(SMALLEST_STEP_PSU, STEP_OF_NOISE * noise_psu),
            tried,
        )
        device.noise = judge_lately(
            Effect.NOISE,
            device.noises,
            _without(name, device.noises, state.noise_controls, NOISE_SPAN * interval_s),
            SMALLEST_NOISE_RATIO,
            tried,
        )

    def _control(self, noise_psu: float) -> None:
        """Measure a moment without a switching, to learn what chance does."""
        state = self.state
        if len(state.times) < WINDOW:
            state.until_control = WINDOW - len(state.times)
            return
        state.until_control = WINDOW // 2
        first, last = state.times[0], state.times[-1]
        if state.edges and any(first <= e <= last for e in state.edges):
            return
        half = WINDOW // 2
        readings = list(state.readings)
        step = step_change(readings[:half], readings[half:])
        noise = noise_change(readings[:half], readings[half:], noise_psu)
        if step is not None:
            _keep(state.step_controls, Control(state.times[half], "", step))
        if noise is not None:
            _keep(state.noise_controls, Control(state.times[half], "", noise))

    def named(self) -> list[tuple[str, Verdict]]:
        """Devices whose effect is significant, strongest evidence first."""
        found = [
            (name, verdict)
            for name in self.names
            for verdict in (self.state.devices[name].step, self.state.devices[name].noise)
            if verdict is not None and verdict.significant
        ]
        found.sort(key=lambda item: item[1].p_value)
        return found


def _rate(device: DeviceState, at_s: float) -> float:
    """How often a device switches, by its newest switchings. [1/s]."""
    edges = [c.at_s for c in device.steps[-RATE_EDGES:]]
    span_s = at_s - edges[0] if edges else RARELY_S
    if len(edges) < RATE_EDGES:
        # So few: it switches seldom, or was watched for a short time only.
        span_s = max(span_s, RARELY_S)
    return (len(edges) + 1.0) / span_s


def _keep(controls: list[Control], control: Control) -> None:
    controls.append(control)
    del controls[:-KEPT_CONTROLS]


def _without(
    name: str, changes: Sequence[EdgeChange], controls: Sequence[Control], span_s: float
) -> list[float]:
    """Controls with no switching of the device anywhere near."""
    edges = [c.at_s for c in changes]
    kept = []
    for control in controls:
        if control.device == name:
            continue
        place = bisect_left(edges, control.at_s - span_s)
        if place == len(edges) or edges[place] > control.at_s + span_s:
            kept.append(control.change)
    return kept


def step_change(before: Sequence[float], after: Sequence[float]) -> float | None:
    """Level after minus level before, in psu; None when there are too few samples."""
    settled = after[SETTLING : SETTLING + AFTER] or after
    if len(before) < 2 or not settled:  # noqa: PLR2004
        return None
    return median(settled) - median(before[-BEFORE:])


def noise_change(before: Sequence[float], after: Sequence[float], noise_psu: float) -> float | None:
    """Log ratio of the restlessness after to before; None when there are too few samples."""
    quiet, loud = before[-NOISE_SAMPLES:], after[SETTLING : SETTLING + NOISE_SAMPLES]
    if min(len(quiet), len(loud)) < LEAST_NOISE_SAMPLES:
        return None
    return log(_restlessness(loud, noise_psu) / _restlessness(quiet, noise_psu))


def _restlessness(values: Sequence[float], noise_psu: float) -> float:
    """Root mean square of successive differences, floored by the sensor's own noise.

    Without the largest quarter: a step within is no restlessness.
    """
    squares = sorted((b - a) ** 2 for a, b in pairwise(values))
    squares = squares[: max(len(squares) - len(squares) // 4, 1)]
    return sqrt(sum(squares) / len(squares) + (0.5 * noise_psu) ** 2)
