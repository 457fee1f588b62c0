"""A tank, its devices and its sensors, drawn at random within what is common in the trade."""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

HOUR_S = 3600.0
DAY_S = 86400.0

INPUTS = ("full", "equipment", "level", "bare")
"""What is configured besides probe and thermometer: all; devices; level and litres; nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """An electrical device and when it switches.

    ``switches_s`` are seconds since the start, (n,), rising; it is off before the first and on
    after it, off after the second, and so on.
    """

    name: str
    kind: str
    switches_s: FloatArray

    def is_on(self, at_s: FloatArray) -> NDArray[np.bool_]:
        """Whether it is on at each of the times, (n,)."""
        on: NDArray[np.bool_] = np.searchsorted(self.switches_s, at_s, side="right") % 2 == 1
        return on


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """What measures conductivity, how it reports, and how well."""

    reports: str
    unit: str
    cadence_s: float
    jitter_s: float
    step: float  # of the published number, in its own unit
    step_psu: float
    white_psu: float
    wander_psu: float
    wander_s: float
    lag_s: float
    bias_psu: float
    stated_pct_per_c: float  # in the configuration
    device_pct_per_c: float  # in the device
    gravity_reference: str

    @property
    def noise_psu(self) -> float:
        """Standard deviation of white and slow noise and of rounding together."""
        return float(np.sqrt(self.white_psu**2 + self.wander_psu**2 + self.step_psu**2 / 12.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermometer:
    """The thermometer beside the probe."""

    cadence_s: float
    step_c: float
    noise_c: float
    bias_c: float
    lag_s: float
    with_probe: bool  # one device sends both


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """One installation; everything that does not change during a scenario."""

    volume_l: float
    salinity_psu: float
    evaporation_pct_day: float
    top_off_l_h: float
    hysteresis_l: float
    drain_back_l: float
    litres_per_mm: float
    level_noise_mm: float
    mixing_s: float
    temperature_c: float
    room_c: float
    swing_c: float
    loss_s: float
    heater_c_h: float
    lights_on_h: float
    lights_for_h: float
    inputs: str
    probe: Probe
    thermometer: Thermometer
    devices: tuple[Device, ...]

    def device(self, kind: str) -> Device | None:
        """The first device of a kind."""
        return next((each for each in self.devices if each.kind == kind), None)

    @property
    def told_devices(self) -> bool:
        """Whether the states of the equipment are published and configured."""
        return self.inputs in {"full", "equipment"}

    @property
    def told_level(self) -> bool:
        """Whether level and litres are published and configured."""
        return self.inputs in {"full", "level"}


def log_uniform(rng: Generator, low: float, high: float) -> float:
    """A number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def between(rng: Generator, low: float, high: float) -> float:
    """A uniform number as a plain float."""
    return float(rng.uniform(low, high))


def pick(rng: Generator, *choices: str) -> str:
    """One of the words."""
    return choices[int(rng.integers(len(choices)))]


def cycle(rng: Generator, span_s: float, on_s: float, off_s: float, spread: float) -> FloatArray:
    """Switching times, (n,), of a device that runs and rests in turn, not quite regularly."""
    at_s = between(rng, 0.0, off_s)
    switches: list[float] = []
    while at_s < span_s:
        switches.append(at_s)
        long_s = on_s if len(switches) % 2 else off_s
        at_s += long_s * max(0.3, 1.0 + spread * float(rng.standard_normal()))
    return np.array(switches)


def always(span_s: float, pauses: list[tuple[float, float]]) -> FloatArray:
    """Switching times of a device that always runs, except during the pauses."""
    switches = [-1.0]
    for begin_s, end_s in sorted(pauses):
        if begin_s < span_s:
            switches += [begin_s, end_s]
    return np.array(switches)


def daily(rng: Generator, span_s: float, begin_h: float, for_h: float) -> FloatArray:
    """Switching times of something on a clock timer; the scenario starts at midnight."""
    switches: list[float] = []
    for day in range(int(span_s // DAY_S) + 1):
        begin_s = day * DAY_S + begin_h * HOUR_S + between(rng, 0.0, 20.0)
        switches += [begin_s, begin_s + for_h * HOUR_S]
    return np.array(switches)


def draw_tank(
    rng: Generator,
    span_s: float,
    *,
    cadence_s: float,
    inputs: str,
    reports: str,
    swing_c: float,
    coefficient_error_pct: float,
) -> Tank:
    """Draw an installation.

    Args:
        rng: Source of randomness.
        span_s: Length of the scenario. [s]
        cadence_s: Between probe readings. [s]
        inputs: One of :data:`INPUTS`.
        reports: As in the configuration of the probe.
        swing_c: Daily range of the water's temperature. [C]
        coefficient_error_pct: Of the device less that of the configuration. [% per C]
    """
    volume_l = log_uniform(rng, 40.0, 4000.0)
    evaporation = between(rng, 0.5, 2.0)
    lights_on_h, lights_for_h = between(rng, 7.0, 12.0), between(rng, 8.0, 12.0)
    # Within the band that is normal by default, by day as well.
    temperature_c = between(rng, 23.5, min(27.0, 28.3 - swing_c))
    room_c = temperature_c - between(rng, 2.5, 6.0)
    loss_s = between(rng, 8.0, 20.0) * HOUR_S
    together = bool(rng.random() < 0.6)
    return Tank(
        volume_l=volume_l,
        salinity_psu=between(rng, 33.6, 36.2),
        evaporation_pct_day=evaporation,
        top_off_l_h=volume_l * log_uniform(rng, 0.015, 0.15),
        hysteresis_l=volume_l * log_uniform(rng, 0.0006, 0.006),
        drain_back_l=volume_l * between(rng, 0.01, 0.04),
        litres_per_mm=volume_l * log_uniform(rng, 0.0003, 0.0012),
        level_noise_mm=between(rng, 0.15, 0.6),
        mixing_s=log_uniform(rng, 90.0, 1500.0),
        temperature_c=temperature_c,
        room_c=room_c,
        swing_c=swing_c,
        loss_s=loss_s,
        # Strong enough for a cold night, and not much more.
        heater_c_h=between(rng, 1.5, 2.4) * (temperature_c - room_c + 1.0) / (loss_s / HOUR_S),
        lights_on_h=lights_on_h,
        lights_for_h=lights_for_h,
        inputs=inputs,
        probe=_draw_probe(rng, cadence_s, reports, coefficient_error_pct),
        thermometer=Thermometer(
            cadence_s=cadence_s if together else max(cadence_s, 30.0),
            with_probe=together,
            step_c=(0.01, 0.02, 0.05, 0.0625, 0.1)[int(rng.integers(5))],
            noise_c=log_uniform(rng, 0.004, 0.02),
            bias_c=float(np.clip(rng.normal(0.0, 0.04), -0.1, 0.1)),
            lag_s=log_uniform(rng, 5.0, 60.0),
        ),
        devices=_draw_devices(rng, span_s, lights_on_h, lights_for_h),
    )


def _draw_probe(rng: Generator, cadence_s: float, reports: str, error_pct: float) -> Probe:
    stated = round(between(rng, 1.85, 2.25), 2)
    step_psu = (0.01, 0.01, 0.02, 0.05, 0.1)[int(rng.integers(5))]
    if reports == "specific-gravity-linear":
        unit, step = "sg", (1e-5, 5e-5, 1e-4)[int(rng.integers(3))]
        step_psu = step * 1320.0
    elif reports.startswith("conductivity"):
        # 0.1 % of conductivity is 0.039 in salinity (DOMAIN, section 2).
        unit = pick(rng, "mS/cm", "uS/cm")
        step = step_psu * (1.35 if unit == "mS/cm" else 1350.0)
        step = round(step, 3 if unit == "mS/cm" else 0)
    else:
        unit, step = pick(rng, "psu", "ppt"), step_psu
    return Probe(
        reports=reports,
        unit=unit,
        cadence_s=cadence_s,
        jitter_s=cadence_s * between(rng, 0.005, 0.08),
        step=step,
        step_psu=step_psu,
        white_psu=log_uniform(rng, 0.004, 0.05),
        wander_psu=log_uniform(rng, 0.002, 0.015),
        wander_s=log_uniform(rng, 60.0, 3600.0),
        lag_s=log_uniform(rng, 1.0, 25.0),
        bias_psu=0.0 if rng.random() < 0.5 else float(np.clip(rng.normal(0, 0.08), -0.18, 0.18)),
        stated_pct_per_c=stated,
        device_pct_per_c=stated + error_pct,
        gravity_reference=pick(rng, "20/20", "25/25", "60F/60F"),
    )


def _draw_devices(
    rng: Generator, span_s: float, lights_on_h: float, lights_for_h: float
) -> tuple[Device, ...]:
    feedings: list[tuple[float, float]] = []
    for day in range(int(span_s // DAY_S) + 1):
        for hour in rng.choice(
            [8.0, 12.5, 18.0, 20.0], size=int(rng.integers(0, 3)), replace=False
        ):
            begin_s = day * DAY_S + float(hour) * HOUR_S + between(rng, 0.0, 900.0)
            feedings.append((begin_s, begin_s + between(rng, 300.0, 1200.0)))
    if rng.random() < 0.5:
        skimmer = always(span_s, [(b, e + between(rng, 0.0, 1800.0)) for b, e in feedings])
    else:
        skimmer = cycle(rng, span_s, between(rng, 1200.0, 9000.0), between(rng, 900.0, 5400.0), 0.1)
    wave_s = log_uniform(rng, 60.0, 1800.0)
    other_s = log_uniform(rng, 300.0, 3600.0)
    return (
        Device(name="return", kind="return-pump", switches_s=always(span_s, feedings)),
        Device(name="foam", kind="skimmer", switches_s=skimmer),
        Device(
            name="lamp",
            kind="light",
            switches_s=daily(rng, span_s, lights_on_h, lights_for_h),
        ),
        Device(
            name="stream",
            kind="wave-pump",
            switches_s=cycle(rng, span_s, wave_s, wave_s * between(rng, 0.6, 1.6), 0.05),
        ),
        Device(
            name="ph",
            kind="other-probe",
            switches_s=cycle(rng, span_s, other_s, other_s * between(rng, 0.6, 1.6), 0.08),
        ),
        Device(
            name="drops",
            kind="doser",
            switches_s=cycle(
                rng, span_s, between(rng, 10.0, 60.0), between(rng, 1.0, 5.0) * HOUR_S, 0.15
            ),
        ),
        Device(
            name="filter",
            kind="other",
            switches_s=cycle(
                rng, span_s, log_uniform(rng, 600.0, 7200.0), log_uniform(rng, 600.0, 7200.0), 0.3
            ),
        ),
    )
