"""What a probe teaches about itself: cadence, noise, resolution and how often it repeats.

Each estimate costs O(1) a sample and survives spikes, bubbles, drop-outs and gaps, because it
rests on medians of small blocks, never on means. What the keeper configured wins over what was
learned; before there is enough to learn from, a stated prior stands in.
"""

from bisect import bisect_left
from dataclasses import dataclass, field
from math import isfinite, log, sqrt
from typing import Final

from bridge.core.settings import Probe, ProbeUnit

PRIOR_INTERVAL_S: Final = 60.0
"""Common practice, no source: hobby devices send every few seconds to every ten minutes."""
PRIOR_LATE_S: Final = 1800.0
"""Three times the slowest of these; nothing is permitted meanwhile, as nothing is passed."""
PRIOR_NOISE_PSU: Final = 0.1
"""Common practice, no source: 0.3 % of a reading of 35, what a cheap probe repeats within."""
REPEATING_RUN: Final = 5.0
"""Mean run of equal numbers from which on a sensor counts as one that mostly repeats itself."""
COARSEST_STEP_PSU: Final = 0.15
"""Common practice, no source: 0.1 psu, 0.1 mS/cm and 0.0001 of gravity are the coarsest usual."""
PRIOR_RESOLUTION_PSU: Final = 0.1
"""Common practice, no source: the coarsest usual display. Too coarse only delays flat line."""

LONGEST_INTERVAL_S: Final = 3600.0
"""No learned cadence is slower: a probe that reports less than hourly guards nothing."""
SMALLEST_NOISE_PSU: Final = 1e-4
"""Below what any conductivity cell resolves; keeps ratios of noise finite."""

_INTERVAL_BLOCK: Final = 15
_INTERVALS_NEEDED: Final = 3
_UPPER_QUANTILE: Final = 0.98
_UPPER_GAIN: Final = 0.2
_NOISE_BLOCK: Final = 25
_NOISE_BLOCKS_TO_SETTLE: Final = 20
# The quiet stretches show the sensor, the disturbed ones show the bubbles: aim below the median.
_NOISE_QUANTILE: Final = 0.4
_NOISE_MEMORY_S: Final = 86_400.0
_LARGEST_NOISE_GAIN: Final = 0.2
_MEDIAN_OF_ABSOLUTE_GAUSSIAN: Final = 0.6744897501960817
_SHORT_RUN: Final = 2
_LONG_RUN: Final = 20
_LONGEST_RUN_LEARNT: Final = 95
_LARGEST_INTERVAL_RATIO: Final = 4.0
_STEPS_KEPT: Final = 4
_FINER: Final = 0.99
"""A known resolution is only ever replaced by a finer one."""
_STEP_SEEN_OFTEN: Final = 3
_MULTIPLES_NEEDED: Final = 10
_OTHERS_ALLOWED: Final = 3
# A step this near to rounding cannot be told from it, and is far below any noise.
_SMALLEST_STEP_OVER_ROUNDING: Final = 20.0
_LARGEST_MULTIPLE: Final = 20
_STEPS_TO_FORGET: Final = 2000
# Numbers that went through 32-bit floats carry 1.2e-7 of themselves as rounding.
_ROUNDING: Final = 2.5e-7
_RUN_SAMPLES_NEEDED: Final = 200
_RUNS_NEEDED: Final = 20
_RUN_SAMPLES_KEPT: Final = 50_000.0
_SMALLEST_REPEAT_PROBABILITY: Final = 0.2
_PRINTED_NEEDED: Final = 5
_PRINTED_LOOKED_AT: Final = 60


@dataclass(slots=True)
class LearningState:
    """Everything learned about one probe; plain values, meant to be saved."""

    intervals_s: list[float] = field(default_factory=list)
    interval_medians_s: list[float] = field(default_factory=list)
    interval_s: float | None = None
    upper_interval_s: float | None = None
    intervals_seen: int = 0

    change_psu: float | None = None
    change_interval_s: float = 0.0
    curvatures_psu: list[float] = field(default_factory=list)
    curvatures_span_s: float = 0.0
    first_noises_psu: list[float] = field(default_factory=list)
    noise_psu: float | None = None
    noise_blocks: int = 0
    recent_noise_psu: float | None = None
    recent_noise_before_psu: float | None = None

    steps: list[float] = field(default_factory=list)
    step_counts: list[int] = field(default_factory=list)
    steps_seen: int = 0
    candidate: float | None = None
    multiples: int = 0
    others: int = 0
    resolution: float | None = None
    resolution_psu: float | None = None
    decimals: int = 0
    """Most decimals that the device wrote so far."""
    printed_samples: int = 0
    printed: float | None = None
    """Step of the last decimal written: the resolution is not finer."""
    printed_psu: float | None = None

    run_samples: int = 0
    run_s: float = 0.0
    runs_ended: int = 0
    run_sum: float = 0.0
    run_square_sum: float = 0.0


class SensorLearning:
    """Online learning of one probe's habits.

    Args:
        probe: Its settings; ``resolution`` and ``interval_s`` are taken as given when set.
        state: What an earlier life had learned; None to start from the priors.
    """

    __slots__ = (
        "_probe",
        "cadence_known",
        "effective_noise_psu",
        "late_s",
        "rounding_psu",
        "state",
        "unscaled",
    )

    def __init__(self, probe: Probe, state: LearningState | None = None) -> None:
        self._probe = probe
        self.state = LearningState() if state is None else state
        self.cadence_known = False
        """Whether the cadence is configured or learned rather than assumed."""
        self.rounding_psu = 0.0
        """Step of the reading as a step of salinity; 0 while unknown [1]."""
        self.late_s = 0.0
        """A silence longer than this is a gap [s]."""
        self.effective_noise_psu = 0.0
        """Standard deviation of one sample: white noise and rounding together [1]."""
        self.unscaled = self.resolution is not None and self.state.resolution_psu is None
        """Whether the resolution waits for ``scale`` to express it as salinity."""
        self._derive()

    @property
    def interval_s(self) -> float:
        """Usual time between samples: configured, else learned, else the prior [s]."""
        if self._probe.interval_s is not None:
            return self._probe.interval_s
        learned = self.state.interval_s
        return PRIOR_INTERVAL_S if learned is None else learned

    @property
    def upper_interval_s(self) -> float:
        """Time between samples that 98 of 100 keep to, never below ``interval_s`` [s]."""
        learned = self.state.upper_interval_s
        if self._probe.interval_s is not None or learned is None:
            return self.interval_s
        return max(self.interval_s, learned)

    @property
    def noise_psu(self) -> float:
        """White noise of one sample, standard deviation [1]."""
        learned = self.state.noise_psu
        return PRIOR_NOISE_PSU if learned is None else learned

    @property
    def resolution(self) -> float | None:
        """Step of the number as reported, in its own unit; None while none was recognised."""
        return self._probe.resolution or self.state.resolution

    @property
    def noise_known(self) -> bool:
        """Whether the noise rests on at least one whole block of samples."""
        return self.state.noise_psu is not None

    @property
    def noise_settled(self) -> bool:
        """Whether the noise rests on enough blocks to judge a later one by it."""
        return self.state.noise_blocks >= _NOISE_BLOCKS_TO_SETTLE

    @property
    def repeats_known(self) -> bool:
        """Whether enough runs of equal readings have ended to know natural ones."""
        state = self.state
        return state.runs_ended >= _RUNS_NEEDED and state.run_sum >= _RUN_SAMPLES_NEEDED

    @property
    def coarse(self) -> bool:
        """Whether steps of the reported number hide the noise, so that repeats prove little.

        Flicker between two steps alone is learned as noise of 0.4 to 0.6 steps.
        """
        return self.noise_psu <= self.rounding_psu

    def repeat_probability(self) -> float:
        """Probability that the next reading equals this one, within a stretch of repeats [1].

        Runs are of two kinds where rounding meets still water: short ones while the value sits
        between two steps, long ones while it sits on one. The plain share of repeats would mix
        them and call every long run unnatural; so the run length is averaged with each run
        weighted by its length, which for a geometric law gives (1 + p) / (1 - p).
        """
        state = self.state
        if state.run_sum <= 0:
            return _SMALLEST_REPEAT_PROBABILITY
        weighted = state.run_square_sum / state.run_sum
        return max(_SMALLEST_REPEAT_PROBABILITY, 1.0 - 2.0 / (1.0 + weighted))

    def natural_repeats(self, probability: float) -> float:
        """Repeats in a row that happen by chance with no more than this probability [1]."""
        return log(probability) / log(self.repeat_probability())

    def begin(self) -> None:
        """Take the next sample as the first after a gap or after an unusable one."""
        self.state.change_psu = None

    def interval(self, interval_s: float) -> None:
        """Learn from the time between two samples, gaps included.

        Args:
            interval_s: Positive. [s]
        """
        state = self.state
        recent = state.intervals_s
        recent.append(interval_s)
        state.intervals_seen += 1
        upper_s = state.upper_interval_s
        if upper_s is not None:
            # Recursive quantile: each step is bounded, so one gap of hours counts once.
            if interval_s > upper_s:
                upper_s *= 1.0 + _UPPER_GAIN * _UPPER_QUANTILE
            else:
                upper_s *= 1.0 - _UPPER_GAIN * (1.0 - _UPPER_QUANTILE)
            state.upper_interval_s = min(upper_s, LONGEST_INTERVAL_S)
        if len(recent) >= _INTERVAL_BLOCK:
            medians = state.interval_medians_s
            medians.append(sorted(recent)[_INTERVAL_BLOCK // 2])
            recent.clear()
            if len(medians) > 3:  # noqa: PLR2004 - the middle of three outvotes one odd block
                del medians[0]
            self._set_interval(sorted(medians)[len(medians) // 2])
        elif not state.interval_medians_s and len(recent) >= _INTERVALS_NEEDED:
            self._set_interval(sorted(recent)[(len(recent) - 1) // 2])

    def reading(
        self, interval_s: float, change_psu: float | None, reported: float, before: float
    ) -> None:
        """Learn from a sample that follows another without a gap.

        Args:
            interval_s: Time since the sample before; positive. [s]
            change_psu: Change of salinity since then; None when either is unknown. [1]
            reported: Number as it arrived.
            before: Number before it.
        """
        state = self.state
        if state.printed_samples < _PRINTED_LOOKED_AT:
            self._learn_printed(reported)
        if reported == before:
            state.run_samples += 1
            state.run_s += interval_s
        else:
            self._end_run()
            step = abs(reported - before)
            candidate = state.candidate
            if candidate is not None:
                self._judge_candidate(candidate, step, _ROUNDING * abs(reported))
            elif (
                # Two absurd numbers can lie further apart than a float can tell.
                isfinite(step)
                and (state.resolution is None or step < _FINER * state.resolution)
                and (len(state.steps) < _STEPS_KEPT or step <= state.steps[-1])
            ):
                self._learn_step(step, _ROUNDING * abs(reported))
        if change_psu is not None:
            # Repeats of up to 20 come from devices that send more often than they measure, and
            # say nothing about noise; longer ones from rounding, and say that noise is small;
            # three blocks of them are enough, lest a stuck probe teaches that it has no noise.
            samples = state.run_samples
            if state.change_psu is not None and (
                samples <= _SHORT_RUN or _LONG_RUN < samples <= _LONGEST_RUN_LEARNT
            ):
                self._learn_noise(interval_s, change_psu)
            state.change_psu = change_psu
            state.change_interval_s = interval_s
        else:
            state.change_psu = None

    def _learn_printed(self, reported: float) -> None:
        """Take noise to be no less than the last decimal written hides, until steps are known.

        A coarse reading may rest on one number for hours before it shows its step.
        """
        state = self.state
        _, _, decimals = repr(reported).partition(".")
        # An exponent means more digits than any probe resolves.
        count = 12 if "e" in decimals else 0 if decimals == "0" else len(decimals)
        state.decimals = max(state.decimals, count)
        state.printed_samples += 1
        if state.printed_samples < _PRINTED_NEEDED:
            return
        printed = 10.0**-state.decimals
        if printed != state.printed:
            state.printed = printed
            self.unscaled = self.unscaled or self.resolution is None

    def restart_run(self, reported: float, before: float | None) -> None:
        """Go on counting repeats across a gap, whose length says nothing.

        Args:
            reported: Number as it arrived.
            before: Last number before the gap; None when there was none.
        """
        if before is not None and reported == before:
            self.state.run_samples += 1
        else:
            self._end_run()

    def scale(self, salinity_psu: float, reported: float) -> None:
        """Express the step of the reported number as a step of salinity.

        Args:
            salinity_psu: Corrected salinity of one sample. [1]
            reported: The same sample as it arrived, in the probe's unit.

        Error: within a tenth over 20..40; a threshold needs no more.
        """
        step = self.resolution
        printed = step is None
        if step is None:
            step = self.state.printed
        if step is None or not salinity_psu > 0:
            return
        unit = self._probe.unit
        if unit is ProbeUnit.SG:
            # Excess over pure water is proportional to salinity within 3 %.
            slope = salinity_psu / (reported - 1.0) if reported > 1.0 else 0.0
        elif unit in (ProbeUnit.PSU, ProbeUnit.PPT):
            slope = 1.0
        else:
            # 1 % of conductivity is 0.394 at 35 (computed with gsw): 1.13 times proportional.
            slope = 1.13 * salinity_psu / reported if reported > 0 else 0.0
        if slope > 0:
            if printed:
                self.state.printed_psu = step * slope
            else:
                self.state.resolution_psu = step * slope
            self.unscaled = False
            self._derive()

    def _set_interval(self, interval_s: float) -> None:
        state = self.state
        interval_s = min(interval_s, LONGEST_INTERVAL_S)
        state.interval_s = interval_s
        state.upper_interval_s = max(state.upper_interval_s or 0.0, interval_s)
        self._derive()

    def _derive(self) -> None:
        # Two lost messages are everyday on a radio link, three in a row are a gap; 2 s is what
        # a busy network may add to a fast cadence.
        interval_s = self.interval_s
        self.cadence_known = self._probe.interval_s is not None or self.state.interval_s is not None
        if self.cadence_known:
            self.late_s = max(3.0 * interval_s, 1.5 * self.upper_interval_s, interval_s + 2.0)
        else:
            self.late_s = PRIOR_LATE_S
        # Rounding to a step adds an even error of step / sqrt(12).
        self.rounding_psu = self.state.resolution_psu or 0.0
        step_psu = self.rounding_psu or self.state.printed_psu or 0.0
        if self.state.resolution is None:
            step_psu = max(step_psu, self._likely_step_psu())
        rounding_noise_psu = step_psu / sqrt(12.0)
        self.effective_noise_psu = max(self.noise_psu, rounding_noise_psu, SMALLEST_NOISE_PSU)

    def _likely_step_psu(self) -> float:
        """Smallest step of a number that mostly repeats itself, before it is known to be one. [1].

        Such a number may rest for hours and then show its first step, which is no event.
        """
        state = self.state
        if not (state.steps and state.printed and state.printed_psu and state.runs_ended):
            return 0.0
        if state.run_sum < REPEATING_RUN * state.runs_ended:
            return 0.0
        step_psu = state.steps[0] * state.printed_psu / state.printed
        return step_psu if step_psu <= COARSEST_STEP_PSU else 0.0

    def _learn_noise(self, interval_s: float, change_psu: float) -> None:
        # The change less what a straight line would have done: with r the ratio of the two
        # intervals, white noise s gives it a variance of s^2 (1 + (1 + r)^2 + r^2).
        state = self.state
        ratio = interval_s / state.change_interval_s
        if not ratio <= _LARGEST_INTERVAL_RATIO:
            return
        curvature_psu = abs(change_psu - ratio * (state.change_psu or 0.0))
        block = state.curvatures_psu
        block.append(curvature_psu / sqrt(2.0 * (1.0 + ratio + ratio * ratio)))
        state.curvatures_span_s += interval_s
        if len(block) >= _NOISE_BLOCK:
            noise_psu = sorted(block)[_NOISE_BLOCK // 2] / _MEDIAN_OF_ABSOLUTE_GAUSSIAN
            block.clear()
            self._block_of_noise(max(noise_psu, SMALLEST_NOISE_PSU), state.curvatures_span_s)
            state.curvatures_span_s = 0.0

    def _block_of_noise(self, noise_psu: float, span_s: float) -> None:
        state = self.state
        state.noise_blocks += 1
        state.recent_noise_before_psu = state.recent_noise_psu
        state.recent_noise_psu = noise_psu
        if state.noise_psu is None or state.noise_blocks <= _NOISE_BLOCKS_TO_SETTLE:
            first = state.first_noises_psu
            first.append(noise_psu)
            state.noise_psu = sorted(first)[int(_NOISE_QUANTILE * (len(first) - 1))]
            if state.noise_blocks == _NOISE_BLOCKS_TO_SETTLE:
                first.clear()
        else:
            # At most about threefold a day: hours of bubbles must not pass for noise.
            gain = min(_LARGEST_NOISE_GAIN, span_s / _NOISE_MEMORY_S)
            if noise_psu > state.noise_psu:
                state.noise_psu *= 1.0 + 2.0 * gain * _NOISE_QUANTILE
            else:
                lowered_psu = state.noise_psu * (1.0 - 2.0 * gain * (1.0 - _NOISE_QUANTILE))
                state.noise_psu = max(lowered_psu, SMALLEST_NOISE_PSU)
        self._derive()

    def _learn_step(self, step: float, rounding: float) -> None:
        """Keep the four smallest steps seen, ascending, and how often each."""
        state = self.state
        if step <= _SMALLEST_STEP_OVER_ROUNDING * rounding:
            return
        steps, counts = state.steps, state.step_counts
        position = bisect_left(steps, step - rounding)
        if position < len(steps) and steps[position] <= step + rounding:
            counts[position] += 1
            step = steps[position]
            if counts[position] == _STEP_SEEN_OFTEN:
                state.candidate = step
                state.multiples = state.others = 0
        else:
            steps.insert(position, step)
            counts.insert(position, 1)
            if len(steps) > _STEPS_KEPT:
                del steps[-1], counts[-1]
        state.steps_seen += 1
        self._derive()
        if state.steps_seen >= _STEPS_TO_FORGET:
            # Begin again: odd steps seen long ago say nothing about the present rounding.
            state.steps_seen = 0
            steps.clear()
            counts.clear()

    def _judge_candidate(self, candidate: float, step: float, rounding: float) -> None:
        """Accept a step seen often as the resolution when other steps are multiples of it.

        Chance repeats a small step of a continuous reading now and then, too.
        """
        state = self.state
        multiple = round(step / candidate)
        if multiple > _LARGEST_MULTIPLE:
            return
        if multiple > 0 and abs(step - multiple * candidate) <= 2.0 * rounding:
            state.multiples += 1
            if state.multiples >= _MULTIPLES_NEEDED:
                state.candidate = None
                state.resolution = candidate
                if self._probe.resolution is None:
                    state.resolution_psu = None
                    self.unscaled = True
        else:
            state.others += 1
            if state.others >= _OTHERS_ALLOWED:
                state.candidate = None
                state.steps.clear()
                state.step_counts.clear()

    def _end_run(self) -> None:
        state = self.state
        samples = state.run_samples
        if samples:
            # A probe that was stuck and came free must not teach that this is natural.
            if samples > 10 and self.repeats_known:  # noqa: PLR2004 - log() only when needed
                samples = min(samples, 1 + int(self.natural_repeats(1e-6)))
            state.runs_ended += 1
            state.run_sum += samples
            state.run_square_sum += samples * samples
            if state.run_sum > _RUN_SAMPLES_KEPT:
                state.run_sum *= 0.5
                state.run_square_sum *= 0.5
        state.run_samples = 1
        state.run_s = 0.0
