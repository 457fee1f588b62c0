"""Slow judgements from hourly blocks: does the reading follow the temperature, does it drift.

Both are ordinary least squares on a few hundred numbers, once an hour.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, inf, isfinite, pi
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from bridge.core.blocks import Block, quantile

FloatArray = npt.NDArray[np.floating[Any]]

PSU_PER_PCT_AT_35: Final = 0.394
"""Salinity per percent of conductivity at S = 35, 25 °C; computed from PSS-78."""
LEAST_HOURS: Final = 84
GROUPED_HOURS: Final = 3
DROP_PSU: Final = 0.12
DROP_PSU_PER_C: Final = 0.25
"""A drop within two hours that no coefficient within 0.6 %/C makes is a tooth's end."""
LEAST_OF_TOOTH: Final = 4
JUMP_PSU: Final = 0.3
RISE_PSU_H: Final = 0.05
"""A change from one hour to a later one that neither evaporation nor a coefficient makes: another
level, of water that was changed, or as the estimate of such a change was off."""
LEAST_SWING_C: Final = 0.4
MARKED_FALL_PSU: Final = 0.04
LEAST_DRIFT_DAYS: Final = 5
DAILY_WANDER_PSU: Final = 0.025
"""A healthy tank's own wander from day to day, with the weather and its top-off (assumed): a few
days in line prove no drift."""
HOURS_A_DAY: Final = 24


@dataclass(slots=True)
class TemperatureDependence:
    """How much of the reading follows the water temperature."""

    psu_per_c: float
    standard_uncertainty_psu_per_c: float
    pct_per_c: float
    """The same as an error of the linear coefficient; positive: the one in use is too high."""
    uncertainty_pct_per_c: float
    swing_c: float
    days: float

    @property
    def z(self) -> float:
        """Size in standard uncertainties."""
        return self.psu_per_c / self.standard_uncertainty_psu_per_c


@dataclass(slots=True)
class Drift:
    """A slow, one-way change of the undisturbed reading."""

    psu_per_day: float
    standard_uncertainty_psu_per_day: float
    days: float

    @property
    def z(self) -> float:
        """Size in standard uncertainties."""
        return self.psu_per_day / self.standard_uncertainty_psu_per_day

    @property
    def total_psu(self) -> float:
        """Change over the days looked at."""
        return self.psu_per_day * self.days


def _whitened(columns: FloatArray, values: FloatArray, rho: float) -> tuple[FloatArray, FloatArray]:
    return columns[1:] - rho * columns[:-1], values[1:] - rho * values[:-1]


def regress(columns: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares with first-order autocorrelated residuals (Cochrane-Orcutt).

    Args:
        columns: Regressors, shape (n, k).
        values: Response, shape (n,).

    Returns:
        Coefficients (k,) and their standard uncertainties (k,), infinite where undetermined.

    Source: D. Cochrane and G. H. Orcutt 1949, J. Am. Stat. Assoc. 44, 32 (from memory).
    """
    coefficients = np.linalg.lstsq(columns, values, rcond=None)[0]
    used_columns, used_values = columns, values
    for _ in range(4):
        residuals = values - columns @ coefficients
        power = float(residuals[:-1] @ residuals[:-1])
        rho = float(residuals[1:] @ residuals[:-1]) / power if power > 0.0 else 0.0
        rho = min(max(rho, 0.0), 0.98)
        used_columns, used_values = _whitened(columns, values, rho)
        coefficients = np.linalg.lstsq(used_columns, used_values, rcond=None)[0]
    residuals = used_values - used_columns @ coefficients
    freedom = len(used_values) - columns.shape[1]
    normal = used_columns.T @ used_columns
    if freedom <= 0 or np.linalg.cond(normal) > 1e12:  # noqa: PLR2004
        return coefficients, np.full(columns.shape[1], inf)
    variance = float(residuals @ residuals) / freedom
    return coefficients, np.sqrt(np.maximum(np.diag(np.linalg.inv(normal)) * variance, 1e-18))


def _jumped(before: Block, block: Block) -> bool:
    """Whether the reading went to another level between two hours."""
    change = block.probe_psu - before.probe_psu
    warmer_c = abs(block.temperature_c - before.temperature_c)
    usual = JUMP_PSU + before.step_psu + DROP_PSU_PER_C * warmer_c
    return not -usual <= change <= usual + RISE_PSU_H * (block.hour - before.hour)


def _alive(blocks: Sequence[Block]) -> list[Block]:
    """The hours whose number may be the water's.

    A number that stands while the device's own compensation should have moved it by more than a
    step and its noise is stuck; what is undone of the compensation then feigns a dependence.
    """
    alive: list[Block] = []
    run: list[Block] = []
    for block in [*blocks, Block(0, moved=True)]:
        if run and (block.moved or block.number != run[0].number):
            temperatures = [b.temperature_c for b in run]
            moved_psu = abs(run[0].undone_psu_per_c) * (max(temperatures) - min(temperatures))
            if moved_psu <= run[0].step_psu + 2.0 * run[0].noise_psu:
                alive += run
            run = []
        if block.moved or block.number is None:
            alive.append(block)
        else:
            run.append(block)
    return alive[:-1]


def _rounding_psu_per_c(blocks: Sequence[Block], swing_c: float, tooth_psu: float) -> float:
    """What the rounding of the number sent can feign. [psu/°C].

    The rounding error is a function of the number before rounding, so that it follows the
    temperature by as much as that does (slope k). While it moves by less than a step (q), the error
    undoes k, or a crossing makes up for a whole step: k in the root mean square, to a tenth or two.
    Over many steps the error averages out, as the square of the number of steps. Noise of standard
    deviation s leaves exp(-2 (pi s / q)^2) of the error's first harmonic, a saw-tooth sinc(tooth/q)
    (characteristic functions of the normal and the uniform distribution). Falls that
    are no larger than steps may be made by these, and count for nothing: ``tooth_psu`` is 0 then.
    """
    step_psu = max(b.step_psu for b in blocks)
    slope = abs(sum(b.undone_psu_per_c for b in blocks)) / len(blocks)
    if step_psu <= 0.0 or slope <= 0.0:
        return 0.0
    noise_psu = quantile([b.noise_psu for b in blocks], 0.5)
    left = exp(-2.0 * (pi * noise_psu / step_psu) ** 2) * abs(float(np.sinc(tooth_psu / step_psu)))
    return slope * left * min(1.0, (step_psu / (slope * swing_c)) ** 2)


def _grouped(blocks: Sequence[Block]) -> tuple[FloatArray, ...]:
    """Hours, temperature, reading, falls, light, drops and level of a few hours each.

    From one hour to the next a thermometer's steps and noise are as large as the water's own
    change; that would dilute the slope towards nothing (errors in the regressor).
    """
    groups: dict[int, list[Block]] = {}
    drops: dict[int, float] = {}
    for before, block, after in zip(blocks, blocks[1:], blocks[2:], strict=False):
        if after.hour - before.hour != 2:  # noqa: PLR2004
            continue
        drop = before.probe_psu - after.probe_psu
        warmer_c = abs(after.temperature_c - before.temperature_c)
        if drop > DROP_PSU + block.step_psu + DROP_PSU_PER_C * warmer_c:
            drops[block.hour // GROUPED_HOURS] = drop
    levels: dict[int, float] = {}
    level = 0.0
    for before, block in zip((blocks[0], *blocks), blocks, strict=False):
        key = block.hour // GROUPED_HOURS
        if _jumped(before, block):
            if key in levels:
                # Part of these hours is on either side: they stay alone.
                levels[key] = level + 0.5
            level += 1.0
        levels.setdefault(key, level)
    for block in blocks:
        groups.setdefault(block.hour // GROUPED_HOURS, []).append(block)
    rows = [
        (
            sum(b.hour for b in group) / len(group),
            sum(b.temperature_c for b in group) / len(group),
            sum(b.probe_psu for b in group) / len(group),
            sum(b.fallen_psu for b in group),
            sum(b.lit_share for b in group) / len(group),
            drops.get(key, 0.0),
            levels[key],
        )
        for key, group in groups.items()
    ]
    return tuple(np.array(rows, dtype=float).T)


def temperature_dependence(
    blocks: Sequence[Block], salinity_psu: float
) -> TemperatureDependence | None:
    """Residual dependence of the undisturbed reading on the water temperature.

    The saw-tooth of evaporation and top-off has a daily rhythm too. Where its teeth are small,
    they bound what it can feign, and that bound goes into the uncertainty. Where they are large,
    the falls are added back and the evaporation is fitted along, with the parts of it that warm
    water and light can drive.

    Args:
        blocks: Undisturbed hours, oldest first.
        salinity_psu: About where the tank is, to express it in %/C.

    Returns:
        None when the hours or the swing do not suffice, or do not determine it.
    """
    blocks = _alive(blocks)
    if len(blocks) < LEAST_HOURS:
        return None
    hours, temperature, probe, falls, lit, drops, levels = _grouped(blocks)
    hours -= hours[0]
    swing_c = quantile(temperature.tolist(), 0.95) - quantile(temperature.tolist(), 0.05)
    if swing_c < LEAST_SWING_C or hours[-1] < LEAST_HOURS:
        return None
    marked_psu = max(MARKED_FALL_PSU, *(b.step_psu for b in blocks))
    teeth_fell = (falls > marked_psu) | (drops > 0.0)
    marked = np.maximum(falls, drops)[teeth_fell]
    tooth_psu = float(marked.mean()) if len(marked) else marked_psu / 4.0
    teeth = np.cumsum(teeth_fell)
    days = hours[-1] / HOURS_A_DAY
    dropped = drops[drops > 0.0]
    # Only a saw-tooth that comes again and again spreads the number evenly over a step.
    dropped_psu = float(dropped.mean()) if len(dropped) >= max(0.5 * days, 2.0) else 0.0
    long_teeth = 0 < teeth[-1] <= 1.5 * days + 1.0
    # Long teeth: each has its own level, so that what the falls were known to does not count.
    keep = ~teeth_fell if long_teeth else np.ones(len(hours), dtype=bool)
    level = levels + (teeth if long_teeth else 0.0)
    own = [
        (level == each).astype(float)
        for each in np.unique(level)
        if np.count_nonzero(keep & (level == each)) >= LEAST_OF_TOOTH
    ]
    if not own:
        return None
    keep &= np.sum(own, axis=0) > 0.0
    if np.count_nonzero(keep) < LEAST_HOURS / GROUPED_HOURS / 2.0:
        return None
    hours, temperature, probe = hours[keep], temperature[keep], probe[keep]
    lit, falls = lit[keep], falls[keep]
    warm = temperature - temperature.mean()
    steps = np.diff(hours, prepend=hours[0] - float(GROUPED_HOURS))
    columns = [*(each[keep] for each in own), hours - hours.mean(), warm]
    at = len(columns) - 1
    systematic = 0.2 * tooth_psu / swing_c
    if long_teeth:
        systematic = 0.03 * tooth_psu / swing_c
    elif len(marked):
        # What was seen to fall is added back, in the measure in which that explains the reading:
        # noise and rounding make falls that never were.
        columns.append(0.5 * falls - np.cumsum(falls))
        # What neither warm water nor a known light explains of the daily evaporation.
        systematic = 0.1 * tooth_psu / swing_c
    if len(marked):
        columns.append(np.cumsum(warm * steps))
        if float(lit.std()) > 0.1:  # noqa: PLR2004
            columns.append(np.cumsum((lit - lit.mean()) * steps))
    coefficients, uncertainties = regress(np.column_stack(columns), probe)
    if not isfinite(uncertainties[at]):
        return None
    slope = float(coefficients[at])
    rounding = _rounding_psu_per_c(blocks, swing_c, dropped_psu)
    uncertainty = hypot(float(uncertainties[at]), systematic, rounding)
    per_pct = PSU_PER_PCT_AT_35 * salinity_psu / 35.0
    return TemperatureDependence(
        psu_per_c=slope,
        standard_uncertainty_psu_per_c=uncertainty,
        pct_per_c=slope / per_pct,
        uncertainty_pct_per_c=uncertainty / per_pct,
        swing_c=swing_c,
        days=float(hours[-1]) / HOURS_A_DAY,
    )


def drift(blocks: Sequence[Block], dependence: TemperatureDependence | None) -> Drift | None:
    """Slope of the daily means of the undisturbed reading.

    Args:
        blocks: Undisturbed hours, oldest first.
        dependence: Taken out beforehand when it is known, so that a season is not a drift.

    Returns:
        None when there are fewer than five days, or they do not determine it.
    """
    days: dict[int, list[float]] = {}
    mean_c = sum(b.temperature_c for b in blocks) / max(len(blocks), 1)
    per_c = dependence.psu_per_c if dependence is not None and abs(dependence.z) > 3.0 else 0.0  # noqa: PLR2004
    for block in blocks:
        value = block.probe_psu - per_c * (block.temperature_c - mean_c)
        days.setdefault(block.hour // HOURS_A_DAY, []).append(value)
    means = [(day, sum(v) / len(v)) for day, v in days.items() if len(v) >= 8]  # noqa: PLR2004
    if len(means) < LEAST_DRIFT_DAYS:
        return None
    when = np.array([m[0] for m in means], dtype=float)
    values = np.array([m[1] for m in means])
    columns = np.column_stack([np.ones_like(when), when - when.mean()])
    coefficients, uncertainties = regress(columns, values)
    if not isfinite(uncertainties[1]):
        return None
    return Drift(
        psu_per_day=float(coefficients[1]),
        standard_uncertainty_psu_per_day=hypot(
            float(uncertainties[1]),
            DAILY_WANDER_PSU / float(np.sqrt(np.sum((when - when.mean()) ** 2))),
        ),
        days=float(when[-1] - when[0]),
    )
