"""What speaks for each cause, in sentences with numbers, and what to do first.

Built only when a diagnosis is published, from what the diagnosis has kept.
"""

from collections.abc import Callable
from typing import Final

from bridge.core import gas, seawater
from bridge.core.cause_shares import CAUSES, INDEX
from bridge.core.devices import Effect
from bridge.core.diagnosis import Diagnosis
from bridge.core.findings import Cause, Finding

SHOWN_FROM: Final = 0.02
"""Less probable causes get no sentences."""

USUAL_C: Final = 25.0
"""The gas fraction hardly depends on the temperature."""

ELECTRIC_CAUTION: Final = (
    "Before touching cables: switch off and unplug, keep hands out of the water, use a"
    " residual-current device (RCD/GFCI) on every circuit and leave wiring to a licensed"
    " electrician."
)

ACTIONS: Final = {
    Cause.NONE: "Nothing to do.",
    Cause.BUBBLES: (
        "Do not calibrate. Swish the probe gently to free a bubble; then look at the skimmer"
        " outlet and the return pump: a coarse mesh bag on the outlet, or a calm place for the"
        " probe."
    ),
    Cause.INTERFERENCE: (
        "Do not calibrate. Lead the probe cable away from the cable and supply of the device"
        " named, crossing at right angles, then compare in a beaker beside the tank. "
        + ELECTRIC_CAUTION
    ),
    Cause.ADJACENT_PROBE: (
        "Do not calibrate. Move the probes apart, or put the other one on an isolated circuit. "
        + ELECTRIC_CAUTION
    ),
    Cause.COMPENSATION: (
        "Do not calibrate for this. Set the temperature coefficient given in the evidence, in the"
        " device or in the configuration, at the temperature the tank really has."
    ),
    Cause.DRIFT: (
        "Make a reference check in still water with an instrument that was itself checked. Clean"
        " the probe, check again, and only then think of a calibration."
    ),
    Cause.PLUME: (
        "Do not calibrate. Move the outlet of the top-off or doser away from the probe, or the"
        " probe to where the water is mixed."
    ),
    Cause.EXPOSED: (
        "Look at the water level and at the probe: it, or the thermometer, is dry or half dry."
        " Check the return pump and put the sensor back under water."
    ),
    Cause.STUCK: "Restart the probe's device and look at its connection; the number does not move.",
    Cause.SILENT: "Look at the sensor's power and network, and at the broker.",
    Cause.INVALID: "Look at what the sensor sends; no usable number is in its messages.",
    Cause.DILUTION: (
        "Stop the top-off by hand and look at its pump, float, siphon break and the level. Do not"
        " add salt in a hurry: first confirm with a hand instrument."
    ),
    Cause.CONCENTRATION: (
        "Look at the top-off reservoir, float and level by hand. Bring the salinity back slowly;"
        " confirm with a hand instrument first."
    ),
    Cause.UNEXPLAINED: (
        "Do not calibrate. Make a reference check in still water, and look at the probe, its"
        " cable and what was switched at that time."
    ),
}


def findings(diagnosis: Diagnosis, at_s: float) -> tuple[Finding, ...]:
    """Every cause with probability, evidence and action, the most probable first."""
    order = sorted(range(len(CAUSES)), key=lambda i: (-diagnosis.probabilities[i], i))
    shown = []
    for index in order:
        cause, probability = CAUSES[index], diagnosis.probabilities[index]
        wanted = probability >= SHOWN_FROM or cause is diagnosis.state.cause
        evidence = tuple(_SENTENCES[cause](diagnosis, at_s)) if wanted else ()
        shown.append(Finding(cause, probability, evidence, ACTIONS[cause]))
    return tuple(shown)


def brief(diagnosis: Diagnosis) -> tuple[Finding, ...]:
    """The causes that are not negligible, the most probable first, without sentences."""
    probabilities = diagnosis.probabilities
    likely = [i for i, p in enumerate(probabilities) if p >= SHOWN_FROM]
    likely.sort(key=lambda i: (-probabilities[i], i))
    return tuple(Finding(CAUSES[i], probabilities[i], (), ACTIONS[CAUSES[i]]) for i in likely)


def _departure(diagnosis: Diagnosis) -> list[str]:
    """How the running episode began and goes on."""
    episode = diagnosis.episode
    if episode is None:
        return []
    sentences = []
    change = diagnosis.inflow.change
    if episode.fastest_fall_psu < 0.0 and episode.fastest_fall_s > 0.0:
        possible = change.fastest_fall_psu_h * episode.fastest_fall_s / 3600.0
        sentences.append(
            f"Fell {-episode.fastest_fall_psu:.2f} in {episode.fastest_fall_s:.0f} s; the fastest"
            f" this plumbing can do is {possible:.2f}."
        )
    if episode.low + episode.high > 1:
        sentences.append(
            f"{episode.low} of {episode.low + episode.high} implausible samples were low."
        )
    return sentences


def _none(diagnosis: Diagnosis, _at_s: float) -> list[str]:
    estimate = diagnosis.estimate()
    if estimate is None:
        return ["No usable reading has come yet."]
    return ["The reading moves as this tank's evaporation and plumbing let it."]


def _bubbles(diagnosis: Diagnosis, _at_s: float) -> list[str]:
    episode = diagnosis.episode
    if episode is None:
        return []
    sentences = _departure(diagnosis)
    before, low = episode.before_psu, episode.before_psu + episode.deepest_psu
    if seawater.LOWEST_SALINITY_PSU < low < before <= seawater.HIGHEST_SALINITY_PSU:
        share = 100.0 * gas.gas_fraction_from_salinity(low, before, USUAL_C)
        sentences.append(f"The deepest dip of {-episode.deepest_psu:.2f} means {share:.1f} % gas.")
    if episode.level_samples > 3 and episode.level_psu < before:  # noqa: PLR2004
        sentences.append(
            f"It rests {before - episode.level_psu:.2f} low; no water was added that could do it."
        )
    if episode.edge_device is not None:
        sentences.append(f"It began when {episode.edge_device} switched.")
    return sentences


def _electric(diagnosis: Diagnosis, at_s: float) -> list[str]:
    sentences = []
    for name, verdict in diagnosis.devices.named():
        state = diagnosis.devices.state.devices[name]
        what = (
            f"the reading steps by {verdict.size:+.2f} when {name} starts and back when it stops"
            if verdict.effect is Effect.STEP
            else f"the reading is restless while {name} runs"
        )
        sentences.append(
            f"In {verdict.agreeing} of {verdict.edges} switchings {what};"
            f" by chance: p = {verdict.p_value:.1g}"
            f" ({len(diagnosis.devices.names)} devices tried)."
        )
        if state.on and state.since_s is not None:
            sentences.append(f"{name} has been on for {(at_s - state.since_s) / 60.0:.0f} min.")
    episode = diagnosis.episode
    if not sentences and episode is not None:
        sentences += _departure(diagnosis)
        if episode.edge_device is not None:
            sentences.append(
                f"It began when {episode.edge_device} switched; one coincidence proves nothing,"
                " more switchings will tell."
            )
        elif not diagnosis.devices.names:
            sentences.append("No equipment is configured, so that no device can be named.")
    return sentences


def _compensation(diagnosis: Diagnosis, _at_s: float) -> list[str]:
    found = diagnosis.state.dependence
    if found is None:
        return []
    used = diagnosis.tank.probe.coefficient_pct_per_c
    sentences = [
        (
            f"Over {found.days:.1f} days and a swing of {found.swing_c:.1f} °C the reading follows"
            f" the water temperature by {found.psu_per_c:+.3f} per °C"
            f" (± {2 * found.standard_uncertainty_psu_per_c:.3f}, k = 2)."
        )
    ]
    if used is not None:
        sentences.append(
            f"The coefficient in use is {used:.2f} %/°C; {used - found.pct_per_c:.2f} %/°C would"
            f" fit (± {2 * found.uncertainty_pct_per_c:.2f})."
        )
    else:
        sentences.append(
            f"That is {found.pct_per_c:+.2f} %/°C of conductivity"
            f" (± {2 * found.uncertainty_pct_per_c:.2f})."
        )
    return sentences


def _drift(diagnosis: Diagnosis, at_s: float) -> list[str]:
    sentences = []
    slope, check = diagnosis.state.drift, diagnosis.state.check
    if slope is not None:
        sentences.append(
            f"Over {slope.days:.0f} days the reading moved {slope.psu_per_day:+.3f} a day"
            f" (± {2 * slope.standard_uncertainty_psu_per_day:.3f}, k = 2)."
        )
    if diagnosis.inflow.watched:
        sentences.append("The fresh water added does not explain it.")
    else:
        sentences.append(
            "Without metered top-off a slow loss of salt cannot be told from a drifting probe."
        )
    if check is not None:
        sentences.append(
            f"The reference check with {check.instrument} {(at_s - check.at_s) / 86400.0:.1f} days"
            f" ago differed by {check.difference_psu:+.2f} (E_n = {check.e_n:.1f})."
        )
    return sentences


def _plume(diagnosis: Diagnosis, at_s: float) -> list[str]:
    sentences = _departure(diagnosis)
    inflow = diagnosis.inflow.state
    if inflow.run_start_s is not None and diagnosis.inflow.active(at_s):
        sentences.append(
            f"Fresh water began to run in {(at_s - inflow.run_start_s) / 60.0:.0f} min ago and"
            " takes time to mix."
        )
    elif not diagnosis.inflow.watched:
        sentences.append("Nothing tells when fresh water runs in, so this stays a guess.")
    return sentences


def _exposed(diagnosis: Diagnosis, _at_s: float) -> list[str]:
    sentences = _departure(diagnosis)
    episode = diagnosis.episode
    if episode is not None and episode.deepest_psu < -1.0:
        left = 100.0 * max(episode.before_psu + episode.deepest_psu, 0.0) / episode.before_psu
        sentences.append(f"Only {left:.0f} % of the water's salinity is left in the reading.")
    level = diagnosis.balance.level_deviation()
    if level is not None and level < -2.0:  # noqa: PLR2004
        sentences.append(f"The level is {-level:.0f} times its usual swing below normal.")
    return sentences


def _water(diagnosis: Diagnosis, _at_s: float) -> list[str]:
    """Real change: the excursion, and what litres, level and pump say about the reason."""
    excursion, state = diagnosis.balance.excursion, diagnosis.balance.state
    sentences = []
    if excursion.size_psu > 0.0 and state.low_psu is not None and state.high_psu is not None:
        sentences.append(
            f"The water is {excursion.size_psu:.2f} outside its usual band of {state.low_psu:.2f}"
            f" to {state.high_psu:.2f}, reached in {excursion.hours:.1f} h; the plumbing can do"
            " that."
        )
    falling = excursion.dilution >= excursion.concentration
    sentences += _reason(diagnosis, falling=falling)
    return sentences or _departure(diagnosis)


def _reason(diagnosis: Diagnosis, *, falling: bool) -> list[str]:
    excursion, inflow = diagnosis.balance.excursion, diagnosis.inflow
    level = diagnosis.balance.level_deviation()
    sentences = []
    expected = excursion.expected_psu
    if expected is not None and falling:
        sentences.append(f"The fresh water added since then explains {-expected:.2f} of it.")
    running_s = inflow.running_s(inflow.state.at_s or 0.0)
    if falling and running_s > 0.0:
        sentences.append(f"The top-off pump has been on for {running_s / 60.0:.0f} min.")
    if level is not None:
        where = "above" if level > 2.0 else "below" if level < -2.0 else "at"  # noqa: PLR2004
        sentences.append(f"The level is {where} its usual swing.")
        if falling and where == "above":
            sentences.append("Likely: the top-off does not stop, or siphons.")
        elif falling:
            sentences.append(
                "Likely: salt water leaves (a skimmer that overflows, a leak) and fresh water"
                " replaces it, or a water change was mixed too weak."
            )
        elif where == "below":
            sentences.append("Likely: the reservoir is empty or the float is stuck.")
        else:
            sentences.append("Likely: a water change or dose that was too strong.")
    elif falling:
        sentences.append(
            "Likely: a top-off that does not stop, a leak or overflowing skimmer that top-off"
            " replaces, or a water change mixed too weak; a level sensor would tell them apart."
        )
    else:
        sentences.append(
            "Likely: top-off has stopped (empty reservoir, stuck float), or salt was added; a"
            " level sensor would tell them apart."
        )
    return sentences


def _stuck(_diagnosis: Diagnosis, _at_s: float) -> list[str]:
    return ["The number does not move at all, less than the sensor's own noise and resolution."]


def _silent(diagnosis: Diagnosis, at_s: float) -> list[str]:
    last_s = diagnosis.state.last_probe_s
    if last_s is None:
        return ["No usable reading has come yet."]
    return [f"The last usable reading came {at_s - last_s:.0f} s ago."]


def _invalid(_diagnosis: Diagnosis, _at_s: float) -> list[str]:
    return ["Messages arrive, but hold no usable number."]


_SENTENCES: Final[dict[Cause, Callable[[Diagnosis, float], list[str]]]] = {
    Cause.NONE: _none,
    Cause.BUBBLES: _bubbles,
    Cause.INTERFERENCE: _electric,
    Cause.ADJACENT_PROBE: _electric,
    Cause.COMPENSATION: _compensation,
    Cause.DRIFT: _drift,
    Cause.PLUME: _plume,
    Cause.EXPOSED: _exposed,
    Cause.STUCK: _stuck,
    Cause.SILENT: _silent,
    Cause.INVALID: _invalid,
    Cause.DILUTION: _water,
    Cause.CONCENTRATION: _water,
    Cause.UNEXPLAINED: lambda diagnosis, _at_s: _departure(diagnosis),
}
assert set(_SENTENCES) == set(Cause) == set(ACTIONS) == set(INDEX)  # noqa: S101 - a total table
