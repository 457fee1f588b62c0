"""Why a test has its flag, as sentences with numbers; built only when somebody asks."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from bridge.core.findings import Flag
from bridge.core.learning import SensorLearning
from bridge.core.qartod_bounds import (
    HIGHEST_C,
    HIGHEST_PSU,
    LOWEST_C,
    LOWEST_PSU,
    Bounds,
    naturally_flat_s,
)
from bridge.core.qartod_state import QartodState

_NOTHING: Final = "No usable sample, so there is nothing to judge."
_MINUTE_S: Final = 60.0
_HOUR_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Context:
    """What an explanation may quote."""

    state: QartodState
    sensor: SensorLearning
    limits: Bounds
    unit: str


def duration(seconds: float) -> str:
    """A time span as a person says it, for instance ``12 s`` or ``3.5 h``."""
    if seconds < 2.0 * _MINUTE_S:
        return f"{seconds:.3g} s"
    if seconds < 2.0 * _HOUR_S:
        return f"{seconds / _MINUTE_S:.3g} min"
    return f"{seconds / _HOUR_S:.3g} h"


def explanation(name: str, context: Context) -> str:
    """Sentences for the present flag of one test.

    Raises:
        KeyError: No such test here.
    """
    flag = context.state.flags[name]
    if flag is Flag.MISSING:
        return _NOTHING
    return _EXPLAIN[name](context, flag)


def _gap(context: Context, flag: Flag) -> str:
    state, sensor = context.state, context.sensor
    usual = (
        f"Messages usually come every {duration(sensor.interval_s)}; "
        f"more than {duration(sensor.late_s)} is a gap."
    )
    if flag is Flag.FAIL and state.overdue_s is not None:
        return f"No message for {duration(state.overdue_s)}. {usual}"
    if flag is Flag.FAIL:
        return "The time stamp of the newest sample is not later than that of the one before."
    if flag is Flag.SUSPECT and state.interval_s is not None:
        return f"This sample came after a gap of {duration(state.interval_s)}. {usual}"
    if flag is Flag.SUSPECT:
        return "The device's clock was set back, so the time since the last sample is unknown."
    if flag is Flag.NOT_EVALUATED:
        return "Too few samples have come to know how often they should."
    return usual


def _syntax(_: Context, flag: Flag) -> str:
    if flag is Flag.FAIL:
        return "The newest message held no usable number."
    return "The newest message held a usable number."


def _gross_range(context: Context, flag: Flag) -> str:
    limits = context.limits
    value = _newest(context)
    if flag is Flag.FAIL:
        return (
            f"{value} This is outside what can be sea water here: salinity {LOWEST_PSU:g} to "
            f"{HIGHEST_PSU:g} at {LOWEST_C:g} to {HIGHEST_C:g} C."
        )
    where = "outside" if flag is Flag.SUSPECT else "within"
    return (
        f"{value} This is {where} the range from {limits.suspect_low_psu:.4g} to "
        f"{limits.suspect_high_psu:.4g} that a tank kept near its normal band can reach."
    )


def _climatology(context: Context, flag: Flag) -> str:
    where = "outside" if flag is Flag.SUSPECT else "within"
    return (
        f"{_newest(context)} This is {where} your normal band from "
        f"{context.limits.low_psu:.4g} to {context.limits.high_psu:.4g}."
    )


def _newest(context: Context) -> str:
    state = context.state
    number = "" if state.judged_reported is None else f"{state.judged_reported:.6g} {context.unit}"
    if state.judged_psu is None:
        return f"The reading of {number} gives no salinity."
    return f"The reading of {number} is a salinity of {state.judged_psu:.2f}."


def _spike(context: Context, flag: Flag) -> str:
    state = context.state
    if flag is Flag.NOT_EVALUATED:
        return _no_level(context)
    if flag is Flag.SUSPECT:
        return (
            f"{_change(state)} The next samples will show whether it is a spike or a step; "
            f"so far {state.excursion_samples} left the level. {_noise(context)}"
        )
    if state.settled == "spike":
        return f"The reading is back after a spike of {_samples(state.settled_samples)}."
    if state.settled == "step":
        return "The reading stays at its new level: that was a step and no spike."
    return f"{_change(state)} {_noise(context)}"


def _rate_of_change(context: Context, flag: Flag) -> str:
    state = context.state
    if flag is Flag.NOT_EVALUATED:
        return _no_level(context)
    if flag is Flag.SUSPECT and state.excursion_samples == 0:
        return (
            f"The mean changed by {state.slow_change_psu:+.2f} in {duration(state.slow_s)}; "
            f"the water can change by no more than {state.slow_allowed_psu:.2f} in that time."
        )
    rates = (
        f"The water can fall by {context.limits.fall_psu_h:.2f} and rise by "
        f"{context.limits.rise_psu_h:.2f} an hour by your plumbing and evaporation."
    )
    return f"{_change(state)} {rates}"


def _flat_line(context: Context, flag: Flag) -> str:
    run, sensor = context.sensor.state, context.sensor
    if flag is Flag.NOT_EVALUATED:
        return _no_level(context)
    equal = f"{_samples(run.run_samples)} in a row are equal, for {duration(run.run_s)}."
    if flag is Flag.PASS:
        return equal
    if not sensor.repeats_known or sensor.coarse:
        level_psu = context.state.judged_psu or context.limits.high_psu
        natural_s = naturally_flat_s(sensor.rounding_psu, level_psu)
        return f"{equal} Even still water should have moved it within {duration(natural_s)}."
    return (
        f"{equal} This probe repeats itself with a probability of "
        f"{sensor.repeat_probability():.2g}; by chance no run is longer than "
        f"{sensor.natural_repeats(1e-6):.0f}."
    )


def _multi_variate(context: Context, flag: Flag) -> str:
    state = context.state
    if flag is Flag.NOT_EVALUATED:
        return "There is no earlier salinity and temperature to compare with."
    if flag is Flag.PASS:
        return "No jump of the thermometer and no switching explains a change of the reading."
    if state.coincident:
        return f"{_change(state)} It began when {state.switched} switched."
    jump_c = (state.temperature_c or 0.0) - state.jump_from_c
    change_psu = (state.judged_psu or 0.0) - state.jump_from_psu
    return (
        f"The thermometer jumped by {jump_c:+.1f} C, faster than the water can, and the "
        f"salinity changed by {change_psu:+.2f}, as a wrong temperature would make it."
    )


def _attenuated_signal(context: Context, flag: Flag) -> str:
    sensor = context.sensor
    if flag is Flag.NOT_EVALUATED:
        return (
            "The probe's own noise is not known well enough, or its steps are too coarse to "
            "show noise."
        )
    recent_psu = sensor.state.recent_noise_psu or 0.0
    return f"The noise of late is {recent_psu:.2g}; this probe usually has {sensor.noise_psu:.2g}."


def _neighbour(context: Context, flag: Flag) -> str:
    state = context.state
    if flag is Flag.NOT_EVALUATED or state.judged_psu is None or state.neighbour_psu is None:
        return "The second probe has sent nothing recent to compare with."
    apart_psu = abs(state.judged_psu - state.neighbour_psu)
    return (
        f"The two probes differ by {apart_psu:.2f}; their uncertainties together allow "
        f"{context.limits.neighbour_expanded_psu or 0.0:.2f}."
    )


def _no_level(context: Context) -> str:
    if context.state.flags["gap"] is Flag.FAIL:
        return "The sample's time stamp is of no use, so no change over time can be judged."
    return "There is no recent sample to compare with."


def _change(state: QartodState) -> str:
    return (
        f"The salinity changed by {state.change_psu:+.2f} in {duration(state.change_s)}; "
        f"up to {state.allowed_psu:.2f} can be water and noise."
    )


def _noise(context: Context) -> str:
    return f"The noise of one sample is {context.sensor.effective_noise_psu:.2g}."


def _samples(count: int) -> str:
    return "1 sample" if count == 1 else f"{count} samples"


_EXPLAIN: Final[dict[str, Callable[[Context, Flag], str]]] = {
    "gap": _gap,
    "syntax": _syntax,
    "gross_range": _gross_range,
    "climatology": _climatology,
    "spike": _spike,
    "rate_of_change": _rate_of_change,
    "flat_line": _flat_line,
    "multi_variate": _multi_variate,
    "attenuated_signal": _attenuated_signal,
    "neighbour": _neighbour,
}
