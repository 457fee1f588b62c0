"""The simulated water obeys conservation and the published evaporation."""

import csv
from pathlib import Path

import numpy as np
import pytest

from bridge.simulation.air import evaporation_kg_m2_h
from bridge.simulation.catalogue import healthy_recipe
from bridge.simulation.draft import Draft, lay_out, pour
from bridge.simulation.water import salt_share

DATA = Path(__file__).parents[1] / "data"
FOOT_PER_MINUTE = 0.00508  # m/s


def laid_out(seed: int, days: float = 2.0) -> Draft:
    """A healthy tank that has not been carried yet."""
    rng = np.random.default_rng(seed)
    traits = healthy_recipe(rng, days).traits
    traits.change_every_days = 0.0
    return lay_out(rng, traits, duration_s=days * 86400.0)


def test_evaporation_follows_carrier_and_ashrae() -> None:
    """Every row of the Carrier/ASHRAE table is met within 2 % (another vapour-pressure formula)."""
    with (DATA / "evaporation_rate.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))

    assert len(rows) > 20
    for row in rows:
        rate = evaporation_kg_m2_h(
            water_c=float(row["Tw"]),
            air_c=float(row["Ta"]),
            humidity=float(row["RH"]),
            air_speed_m_s=float(row["air_ft_min"]) * FOOT_PER_MINUTE,
            factor=float(row["factor"]),
        )
        assert rate == pytest.approx(float(row["kg_m2_h"]), rel=0.02), row


def test_salinity_rises_as_salt_is_conserved() -> None:
    """Evaporating 0.25 to 2 % raises S as the table of exact masses says."""
    with (DATA / "evaporation_mass_balance.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))

    checked = 0
    for start_psu in (33.0, 35.0):
        draft = laid_out(5, days=2.5)
        draft.traits.target_psu = start_psu
        draft.traits.depth_m = 0.3
        draft.traits.surface_factor = 1.0
        draft.plan.top_off_blocked[:] = True
        draft.plan.first_level_mm = 0.0
        draft.carry()
        trace = draft.water()
        # The table's percentage is of the mass of water and salt together.
        mass_kg = trace.salt_kg[0] / salt_share(float(trace.salinity_psu[0]))
        lost = -100.0 * trace.water_moved_kg / mass_kg
        for row in rows:
            percent = float(row["evap_pct_of_volume"])
            if float(row["S0"]) == start_psu and percent < lost[-1]:
                rise = float(trace.salinity_psu[int(np.searchsorted(lost, percent))]) - start_psu
                expected = float(row["S_after_exact_mass"]) - start_psu
                # The table may take fresh or sea water for the per cent: 3 % of the rise.
                assert rise == pytest.approx(expected, rel=0.03), row
                checked += 1
    assert checked >= 4


@pytest.mark.parametrize("seed", range(3))
def test_salt_and_water_are_conserved(seed: int) -> None:
    """What is in the tank is what was there, plus what came, minus what went."""
    draft = laid_out(seed)
    middle_s = draft.start_s + 1.2 * 86400.0
    pour(
        draft, at_s=middle_s, litres=0.1 * draft.traits.volume_l, salinity_psu=30.0, announced=False
    )
    draft.plan.leak_l_h[draft.span(middle_s + 20000, middle_s + 60000)] = 1.0
    draft.carry()
    trace = draft.water()

    first_salt_kg = trace.salt_kg - trace.salt_moved_kg
    assert np.ptp(first_salt_kg) < 1e-9 * first_salt_kg[0]
    mass_kg = trace.salt_kg / salt_share(1.0) / trace.salinity_psu
    first_mass_kg = mass_kg - trace.water_moved_kg
    assert np.ptp(first_mass_kg) < 1e-8 * first_mass_kg[0]


@pytest.mark.parametrize("seed", range(3))
def test_top_off_keeps_level_and_salinity(seed: int) -> None:
    """Level-driven top-off brings back what evaporates, so S stays in a narrow saw-tooth."""
    draft = laid_out(seed + 20)
    draft.traits.top_off_daily = False
    draft.carry()
    trace = draft.water()

    assert trace.fresh_l[-1] > 0.0
    balance_l = trace.fresh_l[-1] - trace.evaporated_l[-1]
    assert abs(balance_l) < 0.006 * draft.traits.volume_l
    assert np.ptp(trace.salinity_psu) < 0.4


@pytest.mark.parametrize("seed", range(3))
def test_probe_zone_relaxes_to_the_mixed_water(seed: int) -> None:
    """A dip at the probe recovers with the mixing time, without changing the salt."""
    draft = laid_out(seed + 40)
    traits = draft.traits
    draft.plan.top_off_blocked[:] = True
    draft.plan.return_pump[:] = True
    at = 20000
    zone_l = traits.zone_share * traits.volume_l
    draft.plan.siphon_l_h[at] = 0.02 * zone_l / draft.plan.step_s * 3600.0
    draft.plan.plume_share[at] = 1.0
    draft.carry()
    trace = draft.water()

    away = trace.zone_psu - trace.salinity_psu
    assert away[at] == pytest.approx(-0.02 * traits.target_psu, rel=0.1)
    later = at + round(traits.mixing_s / draft.plan.step_s)
    assert away[later] / away[at] == pytest.approx(np.exp(-1.0), rel=0.05)
