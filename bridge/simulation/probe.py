"""The probe and the thermometer: from the water around them to the number that is sent."""

from dataclasses import dataclass, field

import gsw
import numpy as np

from bridge.core.settings import ProbeUnit, Reports
from bridge.simulation.draft import Draft
from bridge.simulation.traits import Traits
from bridge.simulation.truth import BoolArray, FloatArray

CONDUCTIVITY_35_AT_25 = 53.07
"""Sea water of S = 35 at 25 °C [mS/cm] (PSS-78)."""

PSU_PER_SHARE = 39.4
"""Change of S per relative change of conductivity at S = 35 and 25 °C (PSS-78)."""


NEGLIGIBLE = 0.01
"""A lag that carries over less than this from sample to sample is left out."""


@dataclass(slots=True, kw_only=True)
class Readings:
    """Samples of one probe; arrays have the shape ``(n,)``. Faults change them in place."""

    times_s: FloatArray
    """When each sample was taken."""
    salinity_psu: FloatArray
    """Of the water around the probe."""
    water_c: FloatArray
    """At the probe."""
    thermometer_c: FloatArray
    """What the thermometer (the one the device uses) feels; faults may warm or cool it."""
    gas: FloatArray
    """Volume fraction of gas in the cell."""
    wetted: FloatArray
    """Conductivity relative to a fully immersed cell, for an exposed probe."""
    gain: FloatArray
    pick_up_ms_cm: FloatArray
    extra_noise_ms_cm: FloatArray
    sent: BoolArray
    frozen_since: dict[int, int] = field(default_factory=dict)
    """First index of each frozen span and the index after its last."""
    garbage: dict[int, bytes] = field(default_factory=dict)


def maxwell(gas: FloatArray) -> FloatArray:
    """Conductivity of water with insulating spheres, relative to clean water.

    Source: Maxwell (1873), A Treatise on Electricity and Magnetism, article 314.
    """
    return (1.0 - gas) / (1.0 + gas / 2.0)


def gas_for_dip(dip_psu: float) -> float:
    """Gas fraction that lowers a reading near S = 35 by this much (Maxwell, inverted)."""
    ratio = max(0.02, 1.0 - dip_psu / PSU_PER_SHARE)
    return (1.0 - ratio) / (1.0 + ratio / 2.0)


def smooth(values: FloatArray, times_s: FloatArray, lag_s: float) -> FloatArray:
    """A first-order lag over irregular samples."""
    keep = np.exp(-np.diff(times_s) / lag_s)
    if float(np.max(keep, initial=0.0)) < NEGLIGIBLE:
        return values
    smoothed = values.tolist()
    state = smoothed[0]
    for index, share in enumerate(keep.tolist(), start=1):
        state = smoothed[index] + (state - smoothed[index]) * share
        smoothed[index] = state
    return np.array(smoothed)


def take_samples(draft: Draft, rng: np.random.Generator) -> Readings:
    """Choose sample times and look up the water around the probe at each of them."""
    traits = draft.traits
    count = int(draft.duration_s / traits.interval_s)
    times_s = draft.start_s + traits.interval_s * (
        np.arange(count, dtype=np.float64) + rng.random()
    )
    times_s += traits.jitter * traits.interval_s * (rng.random(count) - 0.5)
    times_s = np.sort(times_s[times_s < draft.times_s[-1]])
    count = len(times_s)
    trace = draft.water()
    water_c = np.interp(times_s, draft.times_s, trace.temperature_c)
    # A thermometer that lags by a time constant trails a slow change by that time.
    felt_c = np.interp(times_s - traits.thermometer_lag_s, draft.times_s, trace.temperature_c)
    return Readings(
        times_s=times_s,
        salinity_psu=np.interp(times_s, draft.times_s, trace.zone_psu),
        water_c=water_c,
        thermometer_c=felt_c + traits.thermometer_offset_c,
        gas=np.zeros(count),
        wetted=np.ones(count),
        gain=np.full(count, 1.0 + traits.gain_error),
        pick_up_ms_cm=np.zeros(count),
        extra_noise_ms_cm=np.zeros(count),
        sent=rng.random(count) >= traits.loss,
    )


def natural_factor(temperature_c: FloatArray) -> FloatArray:
    """Ratio of conductivity at 25 °C to that at the given temperature, natural water.

    Source: the viscosity relation behind ISO 7888:1985, kappa25 = kappa f25 with
    f25 = (1 - a) + a (eta/eta25)^n; a = 0.962144, n = 0.965078, and log10 of the viscosity
    ratio to 20 °C (A (20-t) - B (20-t)^2) / (t + C), A = 1.1709, B = 0.001827, C = 89.93
    (from memory; within 0.001 of the printed table between 16 and 34 °C).
    """

    def viscosity(t: FloatArray) -> FloatArray:
        log = (1.1709 * (20.0 - t) - 0.001827 * (t - 20.0) ** 2) / (t + 89.93)
        return np.asarray(10.0**log)

    ratio = viscosity(temperature_c) / viscosity(np.array(25.0))
    return (1.0 - 0.962144) + 0.962144 * ratio**0.965078


def specific_gravity(salinity_psu: FloatArray, reference: str) -> FloatArray:
    """Specific gravity at atmospheric pressure, by TEOS-10."""
    sample_c = {"20/20": 20.0, "25/25": 25.0, "60F/60F": 15.5556}[reference]
    absolute = np.maximum(salinity_psu, 0.0) * 35.16504 / 35.0
    conservative = gsw.CT_from_t(absolute, sample_c, 0.0)
    pure = gsw.rho(0.0, gsw.CT_from_t(0.0, sample_c, 0.0), 0.0)
    return np.asarray(gsw.rho(absolute, conservative, 0.0) / pure)


def device_number(
    traits: Traits, conductivity_ms_cm: FloatArray, temperature_c: FloatArray
) -> FloatArray:
    """What the device makes of a conductivity at the temperature that it believes in."""
    slope = traits.device_coefficient / 100.0
    reference_c = traits.reference_c
    linear = conductivity_ms_cm / (1.0 + slope * (temperature_c - reference_c))
    match traits.reports:
        case Reports.CONDUCTIVITY:
            number = conductivity_ms_cm
        case Reports.CONDUCTIVITY_LINEAR:
            number = linear
        case Reports.CONDUCTIVITY_NATURAL:
            number = conductivity_ms_cm * natural_factor(temperature_c)
        case Reports.SALINITY_LINEAR | Reports.SALINITY:
            return np.asarray(gsw.SP_from_C(np.maximum(linear, 0.0), reference_c, 0.0))
        case Reports.SPECIFIC_GRAVITY_LINEAR:
            salinity = np.asarray(gsw.SP_from_C(np.maximum(linear, 0.0), reference_c, 0.0))
            return specific_gravity(salinity, traits.gravity_reference)
    scale = {ProbeUnit.US_CM: 1000.0, ProbeUnit.S_M: 0.1}.get(traits.unit, 1.0)
    return number * scale


def read_probe(
    draft: Draft, readings: Readings, rng: np.random.Generator, calibrated_at_c: float
) -> FloatArray:
    """Numbers that the device shows, quantised to its resolution; shape ``(n,)``.

    A device whose coefficient differs from the declared one was calibrated in its own tank at
    ``calibrated_at_c``, so that it is right there and wrong away from it.
    """
    traits = draft.traits
    clean = np.asarray(gsw.C_from_SP(readings.salinity_psu, readings.water_c, 0.0))
    seen = clean * maxwell(readings.gas) * readings.wetted
    seen = smooth(seen, readings.times_s, traits.lag_s) * readings.gain
    noise_ms_cm = traits.noise_psu / PSU_PER_SHARE * CONDUCTIVITY_35_AT_25
    seen = (
        seen
        + readings.pick_up_ms_cm
        + (noise_ms_cm * np.minimum(1.0, readings.wetted) + readings.extra_noise_ms_cm)
        * rng.standard_normal(len(seen))
    )
    seen = np.maximum(seen, 0.0)
    error = (traits.device_coefficient - traits.declared_coefficient) / 100.0
    if error:
        away_c = calibrated_at_c - traits.reference_c
        seen = seen * (1.0 + traits.device_coefficient / 100.0 * away_c)
        seen = seen / (1.0 + traits.declared_coefficient / 100.0 * away_c)
    believed_c = readings.thermometer_c
    if traits.own_thermometer:
        believed_c = believed_c + 0.01 * rng.standard_normal(len(seen))
    else:
        believed_c = quantise(
            believed_c + traits.thermometer_noise_c * rng.standard_normal(len(seen)),
            traits.thermometer_resolution_c,
        )
    number = quantise(device_number(traits, seen, believed_c), traits.resolution)
    for first, after in readings.frozen_since.items():
        number[first:after] = number[max(0, first - 1)]
    return number


def quantise(values: FloatArray, step: float) -> FloatArray:
    """Round to the nearest multiple of a resolution."""
    return np.asarray(np.round(values / step) * step)
