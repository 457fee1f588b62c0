"""Slow judgements from hourly blocks: does the reading follow the temperature, does it drift.

Both are ordinary least squares on a few hundred numbers, once an hour.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, isfinite, sqrt
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


def _grouped(blocks: Sequence[Block]) -> tuple[FloatArray, ...]:
    """Hours, temperature, reading, falls and light of a few hours each.

    From one hour to the next a thermometer's steps and noise are as large as the water's own
    change; that would dilute the slope towards nothing (errors in the regressor).
    """
    groups: dict[int, list[Block]] = {}
    drops: dict[int, float] = {}
    for before, block, after in zip(blocks, blocks[1:], blocks[2:], strict=False):
        if after.hour - before.hour != 2:  # noqa: PLR2004
            continue
        drop = before.probe_psu - after.probe_psu
        if drop > DROP_PSU + DROP_PSU_PER_C * abs(after.temperature_c - before.temperature_c):
            drops[block.hour // GROUPED_HOURS] = drop
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
    if len(blocks) < LEAST_HOURS:
        return None
    hours, temperature, probe, falls, lit, drops = _grouped(blocks)
    hours -= hours[0]
    swing_c = quantile(temperature.tolist(), 0.95) - quantile(temperature.tolist(), 0.05)
    if swing_c < LEAST_SWING_C or hours[-1] < LEAST_HOURS:
        return None
    teeth_fell = (falls > MARKED_FALL_PSU) | (drops > 0.0)
    marked = np.maximum(falls, drops)[teeth_fell]
    tooth_psu = float(marked.mean()) if len(marked) else MARKED_FALL_PSU / 4.0
    teeth = np.cumsum(teeth_fell)
    days = hours[-1] / HOURS_A_DAY
    if 0 < teeth[-1] <= 1.5 * days + 1.0:
        # Long teeth: each has its own level, so that what the falls were known to does not count.
        keep = ~teeth_fell
        hours, temperature, probe = hours[keep], temperature[keep], probe[keep]
        lit, teeth = lit[keep], teeth[keep]
        columns = [
            (teeth == tooth).astype(float)
            for tooth in np.unique(teeth)
            if np.count_nonzero(teeth == tooth) >= LEAST_OF_TOOTH
        ]
        inside = np.sum(columns, axis=0) > 0.0
        hours, temperature, probe = hours[inside], temperature[inside], probe[inside]
        lit, columns = lit[inside], [column[inside] for column in columns]
        if len(hours) < LEAST_HOURS / GROUPED_HOURS / 2.0:
            return None
        warm = temperature - temperature.mean()
        steps = np.diff(hours, prepend=hours[0] - float(GROUPED_HOURS))
        columns += [warm, hours - hours.mean(), np.cumsum(warm * steps)]
        at = len(columns) - 3
        if float(lit.std()) > 0.1:  # noqa: PLR2004
            columns.append(np.cumsum((lit - lit.mean()) * steps))
        systematic = 0.03 * tooth_psu / swing_c
    else:
        warm = temperature - temperature.mean()
        steps = np.diff(hours, prepend=hours[0] - float(GROUPED_HOURS))
        columns, at = [np.ones_like(hours), hours - hours.mean(), warm], 2
        systematic = 0.2 * tooth_psu / swing_c
        if len(marked) and tooth_psu > MARKED_FALL_PSU:
            probe = probe + np.cumsum(falls) - 0.5 * falls
            columns.append(np.cumsum(warm * steps))
            if float(lit.std()) > 0.1:  # noqa: PLR2004
                columns.append(np.cumsum((lit - lit.mean()) * steps))
            # What neither warm water nor a known light explains of the daily evaporation.
            systematic = 0.1 * tooth_psu / swing_c
    coefficients, uncertainties = regress(np.column_stack(columns), probe)
    if not isfinite(uncertainties[at]):
        return None
    slope = float(coefficients[at])
    uncertainty = sqrt(float(uncertainties[at]) ** 2 + systematic**2)
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
