"""Plain ways to judge a probe, built on reference libraries, for the benchmark to compare with.

Both are given the reading already compensated and calibrated, which is more than such tools
usually have, and the limits that the keeper configured. Neither can name a cause.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd
from ioos_qc import qartod
from numpy.typing import NDArray

from bridge.core.findings import Cause
from bridge.core.settings import Tank
from bridge.simulation.timeline import Observed

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

WINDOW = "15min"
UNCERTAINTY_PSU = 0.2
SUSPECT, FAIL, MISSING = 3, 4, 9

STALE_S = 900.0
"""Silence after which a baseline, too, holds."""


def running_median(times_s: FloatArray, probe_psu: FloatArray, tank: Tank) -> Observed:
    """A causal running median over 15 minutes by pandas, alarmed by the configured limits."""
    index = pd.to_datetime(times_s, unit="s")
    median = pd.Series(probe_psu, index=index).rolling(WINDOW).median().to_numpy()
    limits = tank.limits
    bad = ~((median > limits.low_psu) & (median < limits.high_psu))
    return _observed(times_s, median, bad)


def qartod_tests(times_s: FloatArray, probe_psu: FloatArray, tank: Tank) -> Observed:
    """QARTOD tests by ioos_qc with customary thresholds; the last passing value is held."""
    # The library wants whole, rising seconds; closer samples are left out, as its users do.
    whole = np.floor(times_s)
    keep = np.concatenate(([True], np.diff(whole) >= 1.0)) & np.isfinite(probe_psu)
    times_s, probe_psu, whole = times_s[keep], probe_psu[keep], whole[keep]
    stamps = whole.astype("datetime64[s]")
    limits = tank.limits
    flags = [
        qartod.gross_range_test(
            probe_psu, fail_span=(2.0, 42.0), suspect_span=(limits.low_psu, limits.high_psu)
        ),
        qartod.spike_test(probe_psu, suspect_threshold=0.2, fail_threshold=0.5),
        # Per second; 5 an hour is about the fastest that customary plumbing can do.
        qartod.rate_of_change_test(probe_psu, stamps, threshold=5.0 / 3600.0 + 0.02),
        qartod.flat_line_test(
            probe_psu, stamps, suspect_threshold=7200, fail_threshold=21600, tolerance=0.0001
        ),
    ]
    worst = np.zeros(len(probe_psu), dtype=np.int64)
    for each in flags:
        found = np.ma.filled(each, MISSING).astype(np.int64)
        worst = np.maximum(worst, np.where(found == MISSING, SUSPECT, found))
    bad = worst >= SUSPECT
    last_good = pd.Series(np.where(bad, np.nan, probe_psu)).ffill().to_numpy()
    return _observed(times_s, last_good, bad)


def _observed(times_s: FloatArray, values: FloatArray, bad: BoolArray) -> Observed:
    observed = Observed(samples=len(times_s))
    for name in ("top-off", "salinity-dosing"):
        observed.permit(times_s[0], name, permitted=False)
    before_s = times_s[0]
    for at_s, value, wrong in zip(times_s.tolist(), values.tolist(), bad.tolist(), strict=True):
        if at_s - before_s > STALE_S:
            stale_s = before_s + STALE_S
            observed.sample(stale_s, observed.salinity_psu[-1], UNCERTAINTY_PSU, Cause.UNEXPLAINED)
            for name in observed.permits:
                observed.permit(stale_s, name, permitted=False)
        before_s = at_s
        observed.sample(at_s, value, UNCERTAINTY_PSU, Cause.UNEXPLAINED if wrong else Cause.NONE)
        for name in observed.permits:
            observed.permit(at_s, name, permitted=not wrong)
    return observed


BASELINES: dict[str, Callable[[FloatArray, FloatArray, Tank], Observed]] = {
    "running median, limits": running_median,
    "QARTOD by ioos_qc": qartod_tests,
}
