"""The water's salinity: exact where theory is exact, and hard to drag where bubbles pass."""

from collections.abc import Iterator
from math import exp, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from bridge.core import estimator
from bridge.core.densities import between, normal, one_sided, two_sided
from bridge.core.estimator import OUTLIER_DENSITY, Physics, Water, WaterState

PHYSICS = Physics(
    slope_psu_h=0.0146,
    slope_sd_psu_h=0.01,
    slope_min_psu_h=-1.0,
    slope_max_psu_h=1.0,
    wander_psu_root_h=0.008,
)
NOISE_PSU = 0.02


def settled(*, sd_psu: float = 0.005, shallow: float = 0.005, deep: float = 0.005) -> Water:
    """Water at 35 with little doubt."""
    state = WaterState(0.0, 35.0, 0.0146, sd_psu**2, 0.0, 1e-5)
    state.shallow_share, state.deep_share = shallow, deep
    return Water(PHYSICS, state)


# ---------------------------------------------------------------------- densities


@pytest.mark.parametrize("depth", [0.03, 0.1, 0.7, 4.0])
@pytest.mark.parametrize("sd", [0.005, 0.05, 0.5, 5.0, 50.0])
@pytest.mark.parametrize("z", [-30.0, -8.0, -3.0, -1.0, 0.0, 1.0, 4.0])
def test_the_one_sided_density_is_the_exponentially_modified_gaussian(
    z: float, sd: float, depth: float
) -> None:
    """Noise minus an exponential depth, as scipy has it mirrored, for any ratio of the two."""
    # scipy.stats.exponnorm is the sum of both with K = depth / sd.
    expected = stats.exponnorm.pdf(-z * sd, depth / sd, scale=sd)
    # Where scipy itself loses the tail, the convolution by quadrature decides.
    if not np.isfinite(expected) or expected < 1e-30:
        expected = integrate.quad(
            lambda u: exp(-u) * stats.norm.pdf(z + u * depth / sd) / sd,
            0.0,
            60.0,
            points=[min(max(-z * sd / depth, 0.0), 60.0)],
            limit=400,
        )[0]

    assert one_sided(z * sd, sd, depth) == pytest.approx(expected, rel=2e-4, abs=2e-12)


@pytest.mark.parametrize(("low", "high"), [(-1.0, 0.0), (-0.3, 0.1), (-0.001, 0.0)])
@pytest.mark.parametrize("deviation", [-1.5, -0.5, -0.1, 0.0, 0.05, 0.3])
def test_what_plumbing_can_do_is_uniform_seen_through_noise(
    deviation: float, low: float, high: float
) -> None:
    """The density is the convolution of a uniform change with the noise."""
    sd = 0.05
    expected = integrate.quad(
        lambda change: stats.norm.pdf(deviation - change, scale=sd) / (high - low), low, high
    )[0]

    # A change much narrower than the noise is taken at its middle.
    assert between(deviation, sd, low, high) == pytest.approx(expected, rel=2e-3, abs=2e-12)


@pytest.mark.parametrize(
    "density",
    [
        lambda x: normal(x, 0.05),
        lambda x: one_sided(x, 0.05, 0.3),
        lambda x: two_sided(x, 0.3),
        lambda x: between(x, 0.05, -0.8, 0.2),
    ],
)
def test_densities_integrate_to_one(density: object) -> None:
    """What is compared as evidence is normalised, else one explanation is favoured."""
    grid = np.linspace(-12.0, 12.0, 240_001)
    values = [density(float(x)) for x in grid]  # type: ignore[operator] # parametrised

    assert np.trapezoid(values, grid) == pytest.approx(1.0, abs=1e-3)


# ---------------------------------------------------------------------- exact limits


def _irregular(seed: int, count: int) -> Iterator[tuple[float, float]]:
    rng = np.random.default_rng(seed)
    water = 35.0
    at_s = 0.0
    for _ in range(count):
        step_s = float(rng.choice([1.0, 10.0, 60.0, 600.0, 7200.0]))
        at_s += step_s
        water += 0.02 * step_s / 3600.0 + rng.normal(0.0, 0.008 * sqrt(step_s / 3600.0))
        yield at_s, water + rng.normal(0.0, NOISE_PSU)


def test_without_bubbles_it_is_a_kalman_filter(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the linear-Gaussian limit mean and covariance equal statsmodels' Kalman filter.

    The same process, a random walk with a slope that reverts to its mean, is written down as a
    time-varying state-space model and given to ``statsmodels.tsa.statespace``.
    """
    monkeypatch.setattr(estimator, "OUTLIER_DENSITY", 0.0)
    readings = list(_irregular(3, 300))
    times = np.array([0.0, *(at_s for at_s, _ in readings)])
    hours = np.diff(times) / 3600.0
    fade = np.exp(-hours / PHYSICS.slope_memory_h)
    count = len(readings)

    # statsmodels steps after each observation, so the first state is that of the first reading.
    transition = np.zeros((2, 2, count))
    intercept = np.zeros((2, count))
    spread = np.zeros((2, 2, count))
    for index in range(count):
        h, f = (hours[index + 1], fade[index + 1]) if index + 1 < count else (0.0, 1.0)
        transition[:, :, index] = [[1.0, h], [0.0, f]]
        intercept[1, index] = PHYSICS.slope_psu_h * (1.0 - f)
        spread[0, 0, index] = PHYSICS.wander_psu_root_h**2 * h
        spread[1, 1, index] = PHYSICS.slope_sd_psu_h**2 * (1.0 - f * f)
    h, f = hours[0], fade[0]
    first = np.array([[1.0, h], [0.0, f]])
    covariance = first @ np.diag([0.05**2, PHYSICS.slope_sd_psu_h**2]) @ first.T
    covariance += np.diag(
        [PHYSICS.wander_psu_root_h**2 * h, PHYSICS.slope_sd_psu_h**2 * (1.0 - f * f)]
    )
    kalman = KalmanFilter(k_endog=1, k_states=2, k_posdef=2)
    kalman.bind(np.array([reading for _, reading in readings]))
    kalman["design"] = np.array([[1.0, 0.0]])
    kalman["obs_cov"] = np.array([[NOISE_PSU**2]])
    kalman["transition"], kalman["state_intercept"] = transition, intercept
    kalman["selection"], kalman["state_cov"] = np.eye(2), spread
    kalman.initialize_known(
        np.array([35.0 + PHYSICS.slope_psu_h * h, PHYSICS.slope_psu_h]), covariance
    )
    expected = kalman.filter()

    water = Water.starting(PHYSICS, 0.0, 35.0, 0.05)
    water.state.shallow_share = water.state.deep_share = 0.0
    for index, (at_s, reading) in enumerate(readings):
        water.predict(at_s)
        water.observe(reading, NOISE_PSU, learn_gas=False)
        state = water.state
        mean, spread_now = (
            expected.filtered_state[:, index],
            expected.filtered_state_cov[:, :, index],
        )
        assert state.salinity_psu == pytest.approx(mean[0], abs=1e-6)
        assert state.slope_psu_h == pytest.approx(mean[1], abs=1e-6)
        assert state.salinity_variance == pytest.approx(spread_now[0, 0], rel=1e-4)
        assert state.covariance == pytest.approx(spread_now[0, 1], rel=1e-3, abs=1e-10)
        assert state.slope_variance == pytest.approx(spread_now[1, 1], rel=1e-4)


@pytest.mark.parametrize("deviation", [-3.0, -1.0, -0.4, -0.15, -0.06, -0.02, 0.0, 0.03, 0.06])
@pytest.mark.parametrize(("shallow", "deep"), [(0.005, 0.005), (0.4, 0.1), (0.6, 0.3)])
def test_mean_and_variance_are_the_exact_moments_of_the_posterior(
    deviation: float, shallow: float, deep: float
) -> None:
    """Prior times one-sided mixture, integrated by quadrature, has just these two moments.

    This is also the check of the first and second derivative of the log marginal density, by
    which the filter moves.
    """
    sd, noise = 0.03, 0.02
    water = settled(sd_psu=sd, shallow=shallow, deep=deep)
    state = water.state
    grid = np.linspace(35.0 - 8.0 * sd, 35.0 + 8.0 * sd, 4001)
    reading = 35.0 + deviation
    off = reading - grid
    likelihood = (
        (1.0 - shallow - deep) * stats.norm.pdf(off, scale=noise)
        + shallow * stats.exponnorm.pdf(-off, state.shallow_psu / noise, scale=noise)
        + deep * stats.exponnorm.pdf(-off, state.deep_psu / noise, scale=noise)
        + OUTLIER_DENSITY
    )
    posterior = stats.norm.pdf(grid, 35.0, sd) * likelihood
    posterior /= np.trapezoid(posterior, grid)
    mean = np.trapezoid(posterior * grid, grid)
    variance = np.trapezoid(posterior * (grid - mean) ** 2, grid)

    water.observe(reading, noise, learn_gas=False)

    assert state.salinity_psu == pytest.approx(mean, abs=2e-6)
    # An ambiguous sample widens the doubt by half at most.
    assert state.salinity_variance == pytest.approx(min(variance, 1.5 * sd * sd), rel=2e-3)


# ---------------------------------------------------------------------- promises


@given(st.floats(min_value=0.2, max_value=30.0))
def test_a_lone_dip_moves_the_water_by_almost_nothing(depth: float) -> None:
    """One sample that is low by any amount moves settled water by under a thousandth."""
    water = settled()

    water.observe(35.0 - depth, NOISE_PSU)

    assert abs(water.state.salinity_psu - 35.0) < 0.001


def test_bubbles_do_not_drag_the_water_along() -> None:
    """Two samples of three low by an exponential depth move it far less than their median."""
    rng = np.random.default_rng(5)
    water = settled(shallow=0.4, deep=0.1)
    water.doubt_at_least(0.02)
    readings = []
    for index in range(600):
        gas = rng.exponential(0.3) if rng.random() < 0.65 else 0.0
        readings.append(35.0 + rng.normal(0.0, NOISE_PSU) - gas)
        water.predict(10.0 * (index + 1))
        water.observe(readings[-1], NOISE_PSU)

    assert np.median(readings) < 34.92
    assert water.state.salinity_psu == pytest.approx(35.0, abs=0.02)


def test_a_real_slow_change_is_followed() -> None:
    """Evaporation at twice the expected pace is followed within the noise, and its pace learned."""
    rng = np.random.default_rng(6)
    water = settled()
    for index in range(1, 24 * 60):
        water.predict(60.0 * index)
        water.observe(35.0 + 0.03 * index / 60.0 + rng.normal(0.0, NOISE_PSU), NOISE_PSU)

    assert water.state.salinity_psu == pytest.approx(35.0 + 0.03 * 24.0, abs=0.02)
    assert water.state.slope_psu_h == pytest.approx(0.03, abs=0.006)


def test_doubt_grows_while_nothing_is_observed_and_ends_with_the_next_readings() -> None:
    """A gap of any length widens the doubt; five readings after it are enough again."""
    for gap_h in (1.0, 24.0, 24.0 * 30, 24.0 * 400):
        water = settled()
        before = water.state.salinity_variance
        water.predict(gap_h * 3600.0)
        widened = water.state.salinity_variance
        found = water.state.salinity_psu - 1.5 * sqrt(widened)
        for index in range(1, 6):
            water.predict(gap_h * 3600.0 + 10.0 * index)
            water.observe(found, NOISE_PSU)

        assert widened > before
        assert water.state.salinity_psu == pytest.approx(found, abs=0.02)


def test_a_known_addition_moves_mean_and_doubt() -> None:
    """Metered litres lower the water by what they make, with the stated doubt about it."""
    water = settled()

    water.predict(0.0, change_psu=-0.1, change_sd_psu=0.05)

    assert water.state.salinity_psu == pytest.approx(34.9)
    assert water.state.salinity_variance == pytest.approx(0.005**2 + 0.05**2)


def test_unmetered_fresh_water_is_followed_down_but_not_beyond_the_pump() -> None:
    """A fall the pump can do is followed at once; one that it cannot is followed to its limit."""
    possible, beyond = settled(), settled()

    weight = possible.observe_fall(34.9, NOISE_PSU, 0.15, 0.5)
    beyond.observe_fall(34.0, NOISE_PSU, 0.15, 0.5)

    assert weight > 0.95
    assert possible.state.salinity_psu == pytest.approx(34.9, abs=0.02)
    assert beyond.state.salinity_psu >= 35.0 - 0.15


@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.5, 10.0, 600.0, 1e5, 1e9]),
            st.floats(min_value=0.0, max_value=50.0),
            st.sampled_from([0.001, 0.02, 0.5]),
            st.booleans(),
        ),
        max_size=40,
    )
)
def test_any_sequence_leaves_a_finite_state_with_positive_variance(
    steps: list[tuple[float, float, float, bool]],
) -> None:
    """Whatever is read, and whenever, the state stays finite and its covariance proper."""
    water = Water.starting(PHYSICS, 0.0, 35.0, 0.5)
    at_s = 0.0
    for after_s, reading, noise, falls in steps:
        at_s += after_s
        water.predict(at_s)
        if falls:
            weight = water.observe_fall(reading, noise, 0.2, 0.3)
            assert 0.0 <= weight <= 1.0
        else:
            water.observe(reading, noise)
        state = water.state
        assert all(
            np.isfinite(value)
            for value in (state.salinity_psu, state.slope_psu_h, state.covariance, state.deep_psu)
        )
        assert state.salinity_variance > 0.0
        assert state.slope_variance > 0.0
        assert 0.0 < water.gas_share < 1.0
        assert PHYSICS.slope_min_psu_h <= state.slope_psu_h <= PHYSICS.slope_max_psu_h
