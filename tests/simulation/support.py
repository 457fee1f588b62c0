"""What the simulator's tests share: numbers of the probe, corrected by gsw alone."""

import re

import gsw
import numpy as np
from numpy.typing import NDArray

from bridge.core.settings import ProbeUnit, Reports
from bridge.simulation.scenario import Scenario

FloatArray = NDArray[np.float64]
NUMBER = re.compile(rb'^(?:\{"reading":\{"value":)?(-?\d+\.?\d*)')


def numbers(made: Scenario, topic: str) -> tuple[FloatArray, FloatArray]:
    """Arrival times and numbers of a topic, without anything that is not a number."""
    pairs = [
        (message.at_s, float(match.group(1)))
        for message in made
        if message.topic == topic and (match := NUMBER.match(message.payload))
    ]
    times_s, values = np.array(pairs).T
    return times_s, values


def seen_psu(made: Scenario) -> tuple[FloatArray, FloatArray]:
    """Practical salinity of each probe message, by the declared meaning; not for all forms."""
    times_s, values = numbers(made, "tank/probe")
    clock_s, celsius = numbers(made, "tank/water-c")
    if made.traits.thermometer_unit == "F":
        celsius = (celsius - 32.0) / 1.8
    elif made.traits.thermometer_unit == "K":
        celsius = celsius - 273.15
    at_c = np.interp(times_s, clock_s, celsius)
    probe = made.tank.probe
    scale = {ProbeUnit.US_CM: 1e-3, ProbeUnit.S_M: 10.0}.get(probe.unit, 1.0)
    declared = (probe.coefficient_pct_per_c or 0.0) / 100.0
    linear = 1.0 + declared * (at_c - probe.reference_temperature_c)
    match probe.reports:
        case Reports.CONDUCTIVITY:
            conductivity = values * scale
        case Reports.CONDUCTIVITY_LINEAR:
            conductivity = values * scale * linear
        case Reports.SALINITY_LINEAR:
            conductivity = (
                np.asarray(gsw.C_from_SP(values, probe.reference_temperature_c, 0.0)) * linear
            )
        case Reports.SALINITY:
            return times_s, values
        case _:
            raise NotImplementedError(probe.reports)
    return times_s, np.asarray(gsw.SP_from_C(conductivity, at_c, 0.0))


SIMPLE = {
    Reports.CONDUCTIVITY,
    Reports.CONDUCTIVITY_LINEAR,
    Reports.SALINITY_LINEAR,
    Reports.SALINITY,
}
