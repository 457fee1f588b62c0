"""How one invented tank is built and run: every parameter drawn from a broad distribution.

The ranges are common practice without a source unless said otherwise; they are wide on purpose.
"""

from dataclasses import dataclass

import numpy as np

from bridge.core.settings import Counting, LevelUnit, ProbeUnit, Reports, VolumeUnit


@dataclass(slots=True, kw_only=True)
class DeviceTraits:
    """One switched device and how it tells its state."""

    kind: str
    watts: float | None
    """Power while on, when the state is sent in watts; None when sent as a word."""
    words: tuple[str, str]
    repeat_s: float | None
    """State is repeated this often; None when only sent on a change."""
    latency_s: float
    period_s: float = 0.0
    """Length of one on-off cycle, for devices that run on their own clock."""
    duty: float = 1.0
    phase: float = 0.0


@dataclass(slots=True, kw_only=True)
class Traits:
    """Everything about a tank and its probe that stays the same during a scenario."""

    # Water and room
    volume_l: float
    depth_m: float
    target_psu: float
    room_c: float
    room_swing_c: float
    humidity: float
    surface_factor: float
    air_speed_m_s: float
    light_evaporation: float
    """Extra evaporation factor while the lights (and their fans) are on."""
    set_point_c: float
    heater_band_c: float
    heater_c_h: float
    light_c_h: float
    cooling_h: float
    """Time constant with which the water follows the room."""
    light_on_h: float
    light_hours: float
    # Plumbing
    litres_per_mm: float
    drain_back_l: float
    top_off_l_h: float
    top_off_band_mm: float
    top_off_daily: bool
    mixing_s: float
    zone_share: float
    """Part of the volume that exchanges with the rest and holds the probe."""
    plume_share: float
    """Part of an addition that passes the probe before it mixes."""
    change_every_days: float
    change_share: float
    change_announced: bool
    # Probe
    interval_s: float
    jitter: float
    loss: float
    duplicates: float
    delay_s: float
    lag_s: float
    noise_psu: float
    resolution: float
    """In the unit that is sent."""
    reports: Reports
    unit: ProbeUnit
    device_coefficient: float
    declared_coefficient: float
    reference_c: float
    gravity_reference: str
    gain_error: float
    json: bool
    stamped: bool
    own_thermometer: bool
    """The device compensates with a sensor of its own, not the one that is published."""
    # Thermometer
    thermometer_interval_s: float
    thermometer_noise_c: float
    thermometer_resolution_c: float
    thermometer_offset_c: float
    thermometer_lag_s: float
    thermometer_unit: str
    # Optional inputs
    devices: dict[str, DeviceTraits]
    level_unit: LevelUnit | None
    level_noise_mm: float
    meter_unit: VolumeUnit | None
    meter_counting: Counting
    second_probe: bool
    tells_resolution: bool
    tells_interval: bool
    tells_pump: bool


ON_OFF_WORDS = (("on", "off"), ("1", "0"), ("true", "false"), ("ON", "OFF"), ("running", "idle"))


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw a value whose logarithm is uniform between the bounds."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def chance(rng: np.random.Generator, probability: float) -> bool:
    """Draw true with the given probability."""
    return bool(rng.random() < probability)


def _device(
    rng: np.random.Generator,
    kind: str,
    watts: float,
    *,
    period_s: float = 0.0,
    duty: float = 1.0,
) -> DeviceTraits:
    in_watts = chance(rng, 0.3)
    return DeviceTraits(
        kind=kind,
        watts=watts if in_watts else None,
        words=ON_OFF_WORDS[int(rng.integers(len(ON_OFF_WORDS)))],
        repeat_s=float(rng.choice([30.0, 60.0, 300.0])) if in_watts else None,
        latency_s=rng.uniform(0.0, 1.5),
        period_s=period_s,
        duty=duty,
        phase=float(rng.random()),
    )


def draw_devices(  # noqa: C901 - one branch per kind of device
    rng: np.random.Generator, *, everything: bool
) -> dict[str, DeviceTraits]:
    """Draw the devices of a tank; with ``everything`` none of the kinds is left out."""

    def present(probability: float) -> bool:
        return everything or chance(rng, probability)

    devices: dict[str, DeviceTraits] = {}
    if present(0.9):
        devices["return-pump"] = _device(rng, "return-pump", rng.uniform(20, 150))
    if present(0.85):
        # Some skimmers rest every few hours; most only stop at feeding time.
        rests = chance(rng, 0.4)
        devices["skimmer"] = _device(
            rng,
            "skimmer",
            rng.uniform(10, 60),
            period_s=log_uniform(rng, 3600, 43200) if rests else 0.0,
            duty=rng.uniform(0.5, 0.9) if rests else 1.0,
        )
    for number in range(int(rng.integers(1, 4)) if present(0.8) else 0):
        devices[f"wave-{number + 1}"] = _device(
            rng,
            "wave-pump",
            rng.uniform(5, 60),
            period_s=log_uniform(rng, 60, 3600),
            duty=rng.uniform(0.3, 0.7),
        )
    if present(0.85):
        devices["heater"] = _device(rng, "heater", rng.uniform(50, 400))
    if present(0.9):
        devices["light"] = _device(rng, "light", rng.uniform(60, 400))
    if present(0.7):
        devices["top-off-pump"] = _device(rng, "top-off-pump", rng.uniform(5, 30))
    if present(0.5):
        devices["doser"] = _device(
            rng,
            "doser",
            rng.uniform(2, 10),
            period_s=log_uniform(rng, 1800, 21600),
            duty=0.0,
        )
        devices["doser"].duty = rng.uniform(10, 60) / devices["doser"].period_s
    if present(0.35):
        period_s = log_uniform(rng, 300, 3600)
        devices["ph-probe"] = _device(
            rng, "other-probe", 1.0, period_s=period_s, duty=rng.uniform(0.1, 0.5)
        )
    if present(0.3):
        devices["fan"] = _device(
            rng, "other", rng.uniform(5, 30), period_s=log_uniform(rng, 600, 14400), duty=0.5
        )
    return devices


def _draw_probe_form(
    rng: np.random.Generator,
) -> tuple[Reports, ProbeUnit, float]:
    """Draw what the probe reports, its unit and its resolution in that unit."""
    reports = Reports(
        rng.choice(
            [
                Reports.CONDUCTIVITY,
                Reports.CONDUCTIVITY_LINEAR,
                Reports.CONDUCTIVITY_NATURAL,
                Reports.SALINITY_LINEAR,
                Reports.SALINITY,
                Reports.SPECIFIC_GRAVITY_LINEAR,
            ],
            p=[0.22, 0.25, 0.08, 0.3, 0.07, 0.08],
        )
    )
    if reports in {Reports.SALINITY_LINEAR, Reports.SALINITY}:
        unit = ProbeUnit(rng.choice([ProbeUnit.PSU, ProbeUnit.PPT]))
        return reports, unit, float(rng.choice([0.001, 0.01, 0.05, 0.1]))
    if reports is Reports.SPECIFIC_GRAVITY_LINEAR:
        return reports, ProbeUnit.SG, float(rng.choice([0.00001, 0.0001]))
    unit = ProbeUnit(rng.choice([ProbeUnit.MS_CM, ProbeUnit.US_CM, ProbeUnit.S_M]))
    step_ms_cm = float(rng.choice([0.001, 0.01, 0.05, 0.1]))
    return reports, unit, step_ms_cm * {"mS/cm": 1.0, "uS/cm": 1000.0, "S/m": 0.1}[unit]


def draw_traits(
    rng: np.random.Generator, *, everything: bool = False, bare: bool = False
) -> Traits:
    """Draw a tank.

    Args:
        rng: Source of randomness.
        everything: Configure every optional input (equipment, level, meter).
        bare: Configure none of them.
    """
    volume_l = log_uniform(rng, 40, 4000)
    depth_m = rng.uniform(0.3, 0.7)
    interval_s = float(
        rng.choice(
            [1, 2, 5, 10, 15, 30, 60, 120, 300, 600],
            p=[0.04, 0.04, 0.12, 0.25, 0.1, 0.15, 0.15, 0.05, 0.06, 0.04],
        )
    )
    reports, unit, resolution = _draw_probe_form(rng)
    coefficient = rng.uniform(1.8, 2.4)
    if reports is Reports.SALINITY:
        # A device that compensates well: close to sea water's own coefficient.
        coefficient = rng.uniform(1.94, 1.99)
    surface_m2 = volume_l / 1000.0 / depth_m
    # The compartment in which the level moves is part of the whole surface.
    litres_per_mm = surface_m2 * rng.uniform(0.12, 0.4)
    has_level = everything or (not bare and chance(rng, 0.55))
    has_meter = everything or (not bare and chance(rng, 0.45))
    zone_share = log_uniform(rng, 0.003, 0.08)
    mixing_s = log_uniform(rng, 60, 1200)
    biased = chance(rng, 0.5)
    json = chance(rng, 0.4)
    devices = {} if bare else draw_devices(rng, everything=everything)
    if not bare and not everything:
        devices = {name: device for name, device in devices.items() if chance(rng, 0.85)}
    if not bare and not everything and chance(rng, 0.2):
        devices = {}
    top_off_share_h = log_uniform(rng, 0.03, 0.3)
    # Sharing out the additions so that a well-placed hose dips the probe by less than 0.03.
    steady_dip = 35.0 * top_off_share_h / 3600.0 * mixing_s / zone_share
    plume_share = min(zone_share, rng.uniform(0.0, 0.03) / steady_dip)
    room_c = rng.uniform(18.0, 25.0)
    room_swing_c = rng.uniform(0.3, 2.5)
    set_point_c = rng.uniform(23.5, 27.0)
    # Evaporative cooling and the heat of the pumps are lumped into this exchange with the room.
    cooling_h = rng.uniform(8.0, 15.0) * (volume_l / 300.0) ** 0.25
    coldest_loss_c_h = (set_point_c - room_c + room_swing_c) / cooling_h
    return Traits(
        volume_l=volume_l,
        depth_m=depth_m,
        target_psu=float(np.clip(rng.normal(34.8, 0.6), 33.4, 36.4)),
        room_c=room_c,
        room_swing_c=room_swing_c,
        humidity=rng.uniform(0.3, 0.7),
        surface_factor=rng.uniform(0.4, 1.0),
        air_speed_m_s=rng.uniform(0.0, 0.2),
        light_evaporation=rng.uniform(1.0, 1.6),
        set_point_c=set_point_c,
        heater_band_c=rng.uniform(0.1, 0.6),
        heater_c_h=max(0.3, coldest_loss_c_h * rng.uniform(1.3, 3.0)),
        light_c_h=rng.uniform(0.0, 0.35),
        cooling_h=cooling_h,
        light_on_h=rng.uniform(7.0, 13.0),
        light_hours=rng.uniform(7.0, 12.0),
        litres_per_mm=litres_per_mm,
        drain_back_l=volume_l * rng.uniform(0.02, 0.06),
        top_off_l_h=volume_l * top_off_share_h,
        top_off_band_mm=volume_l * rng.uniform(0.0005, 0.004) / litres_per_mm,
        top_off_daily=chance(rng, 0.2),
        mixing_s=mixing_s,
        zone_share=zone_share,
        plume_share=plume_share,
        change_every_days=float(rng.choice([0.0, 7.0, 14.0], p=[0.4, 0.35, 0.25])),
        change_share=rng.uniform(0.05, 0.2),
        change_announced=chance(rng, 0.8),
        interval_s=interval_s,
        jitter=float(rng.choice([0.0, 0.02, 0.1, 0.3])),
        loss=float(rng.choice([0.0, 0.001, 0.003, 0.006])),
        duplicates=float(rng.choice([0.0, 0.0, 0.001, 0.01])),
        delay_s=log_uniform(rng, 0.01, 2.0),
        lag_s=log_uniform(rng, 0.5, 30.0),
        noise_psu=log_uniform(rng, 0.002, 0.05),
        resolution=resolution,
        reports=reports,
        unit=unit,
        device_coefficient=coefficient,
        declared_coefficient=coefficient,
        reference_c=25.0 if chance(rng, 0.85) else 20.0,
        gravity_reference=str(rng.choice(["20/20", "25/25", "60F/60F"])),
        # k = 2 for 0.2 psu at S = 35 is the default calibration uncertainty of the settings.
        gain_error=rng.normal(0.0, 0.1) / 35.0 if biased else 0.0,
        json=json,
        stamped=json and chance(rng, 0.5),
        own_thermometer=chance(rng, 0.3),
        thermometer_interval_s=max(interval_s, float(rng.choice([10, 30, 60]))),
        thermometer_noise_c=log_uniform(rng, 0.003, 0.03),
        thermometer_resolution_c=float(rng.choice([0.01, 0.0625, 0.1], p=[0.5, 0.3, 0.2])),
        thermometer_offset_c=rng.normal(0.0, 0.07) if biased else 0.0,
        thermometer_lag_s=log_uniform(rng, 5.0, 90.0),
        thermometer_unit=str(rng.choice(["C", "F", "K"], p=[0.8, 0.15, 0.05])),
        devices=devices,
        level_unit=LevelUnit(rng.choice(list(LevelUnit), p=[0.5, 0.25, 0.25]))
        if has_level
        else None,
        level_noise_mm=log_uniform(rng, 0.2, 3.0),
        meter_unit=VolumeUnit(rng.choice(list(VolumeUnit))) if has_meter else None,
        meter_counting=Counting(rng.choice(list(Counting))),
        second_probe=not bare and chance(rng, 0.12),
        tells_resolution=chance(rng, 0.3),
        tells_interval=chance(rng, 0.5),
        tells_pump=chance(rng, 0.7),
    )
