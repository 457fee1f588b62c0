"""How the water is carried while the reading is off, and what brings the reading back."""

from collections.abc import Callable
from dataclasses import replace
from math import exp
from random import Random

import pytest

from bridge.core.cause_shares import NO_FAULTS
from bridge.core.diagnosis import Diagnosis
from bridge.core.findings import Cause
from bridge.core.settings import Equipment, EquipmentKind, Plumbing
from tests.core.engine_rig import PLAIN, START_S, Rig

NOISE_PSU = 0.01
PUMPED = replace(
    PLAIN, equipment={"pump": Equipment(topic="pump", kind=EquipmentKind.TOP_OFF_PUMP)}
)
"""A top-off that is timed and not metered."""
AIR_PSU = 1.0
"""What a cell out of the water reads."""


class Tank:
    """A diagnosis that is fed with readings at a steady pace."""

    def __init__(self, diagnosis: Diagnosis, *, interval_s: float = 10.0, seed: int = 1) -> None:
        self.diagnosis, self.interval_s = diagnosis, interval_s
        self.at_s = START_S
        self.rng = Random(seed)

    def feed(self, seconds: float, reading: float | Callable[[float], float]) -> set[Cause]:
        """Readings for so long; the causes told meanwhile."""
        told = set()
        start_s = self.at_s
        for _ in range(round(seconds / self.interval_s)):
            self.at_s += self.interval_s
            value = reading(self.at_s - start_s) if callable(reading) else reading
            value += self.rng.gauss(0.0, NOISE_PSU)
            self.diagnosis.probe(self.at_s, value, 25.0, NOISE_PSU, self.interval_s)
            told.add(self.diagnosis.conclude(self.at_s, NO_FAULTS))
        return told

    @property
    def salinity_psu(self) -> float:
        """The estimate."""
        found = self.diagnosis.estimate()
        assert found is not None
        return found[0]

    @property
    def sd_psu(self) -> float:
        """Its standard deviation."""
        found = self.diagnosis.estimate()
        assert found is not None
        return float(found[1] ** 0.5)


def quiet(tank: Tank, *, seconds: float = 7200.0) -> Tank:
    """Two hours of water at 35, in the band of which it then is."""
    tank.feed(seconds, 35.0)
    return tank


# ---------------------------------------------------------------------- carried water


@pytest.mark.parametrize(("rate_l_h", "expected_psu"), [(60.0, -2 * 35.0 * 4.0 / 404.0), (None, 0)])
def test_a_timed_run_lowers_the_carried_water_where_its_rate_is_known(
    rate_l_h: float | None, expected_psu: float
) -> None:
    """Twice four minutes at 60 l/h into 400 l; of an assumed rate nothing is taken."""
    tank = quiet(
        Tank(Diagnosis(replace(PUMPED, plumbing=Plumbing(top_off_l_h=rate_l_h, mixing_min=8.0))))
    )
    tank.diagnosis.equipment(tank.at_s, "pump", on=False)
    tank.feed(600.0, AIR_PSU)
    before = tank.salinity_psu
    for _ in range(2):
        tank.diagnosis.equipment(tank.at_s, "pump", on=True)
        tank.feed(240.0, AIR_PSU)
        tank.diagnosis.equipment(tank.at_s, "pump", on=False)
        tank.feed(4800.0, AIR_PSU)

    # Evaporation for three hours beside it.
    assert tank.salinity_psu - before == pytest.approx(expected_psu, abs=0.06)


def carried(prepare: Callable[[Diagnosis], None], *, hours: float = 24.0) -> float:
    """How high a water of 35 is carried above its band of 34.9 to 35.1 under a dry cell."""
    tank = quiet(Tank(Diagnosis(PUMPED), interval_s=60.0))
    band = tank.diagnosis.state.balance
    band.low_psu, band.high_psu = 34.9, 35.1
    prepare(tank.diagnosis)
    tank.feed(hours * 3600.0, AIR_PSU)
    return tank.salinity_psu - 35.1


def overdue(diagnosis: Diagnosis) -> None:
    """A top-off that came every four hours has not come for ten."""
    diagnosis.inflow.state.usual_gap_s = 4.0 * 3600.0
    diagnosis.inflow.state.last_addition_s = START_S - 8.0 * 3600.0


def missing(diagnosis: Diagnosis) -> None:
    """The level has been low for ten hours, and goes on telling so."""
    diagnosis.state.balance.low_since_s = START_S - 8.0 * 3600.0
    diagnosis.state.balance.level_at_s = START_S + 864_000.0


def test_a_carried_water_ends_its_climb_where_the_top_off_ends_it() -> None:
    """A day of evaporation would be 0.35: nothing says that the top-off, unseen, has failed."""
    assert carried(lambda _: None) < 0.02


@pytest.mark.parametrize("prepare", [overdue, missing])
def test_it_climbs_on_where_the_top_off_is_seen_to_stay_away(
    prepare: Callable[[Diagnosis], None],
) -> None:
    """Nobody takes back then what evaporates."""
    assert carried(prepare) > 0.1


# ---------------------------------------------------------------------- the reading comes back


def test_a_bubble_that_lets_go_after_hours_ends_its_episode() -> None:
    """Carried without top-off the water has climbed; the reading comes back to where it was."""
    tank = quiet(Tank(Diagnosis(PLAIN), interval_s=60.0))
    tank.diagnosis.state.balance.high_psu = 36.0
    tank.feed(20.0 * 3600.0, 34.7)
    assert tank.diagnosis.episode is not None
    # Half as far as the bubble was deep: no reading of a minute ago would be a return.
    assert tank.salinity_psu - 35.0 > 0.15

    told = tank.feed(3600.0, 35.0)

    assert tank.diagnosis.episode is None
    assert told <= {Cause.BUBBLES, Cause.NONE}
    assert tank.salinity_psu == pytest.approx(35.0, abs=0.03)


def off_its_band(reading_psu: float, seconds: float) -> Tank:
    """A water carried to 35.6, a band of 35.0 to 35.1, and a reading that jumps and rests."""
    tank = quiet(Tank(Diagnosis(PLAIN)))
    band = tank.diagnosis.state.balance
    band.low_psu, band.high_psu = 35.0, 35.1
    water = tank.diagnosis.state.water
    assert water is not None
    water.salinity_psu = 35.6
    tank.feed(seconds, reading_psu)
    return tank


def test_a_reading_that_rests_where_the_water_usually_is_is_believed_after_an_hour() -> None:
    """No fault just leads there: it is the water that was carried wrongly."""
    early, late = off_its_band(35.05, 3000.0), off_its_band(35.05, 4200.0)

    assert early.diagnosis.episode is not None
    assert early.salinity_psu > 35.4
    assert late.diagnosis.episode is None
    assert late.salinity_psu == pytest.approx(35.05, abs=0.03)


def test_a_reading_that_rests_anywhere_else_is_not() -> None:
    """Half a unit below the band: that is what bubbles and cables do."""
    tank = off_its_band(34.5, 3.0 * 3600.0)

    assert tank.diagnosis.episode is not None
    assert tank.salinity_psu > 35.4


def test_a_reading_on_its_way_back_moves_the_estimate_little_at_first() -> None:
    """The cell was in the air for hours, and is not wet all over yet."""
    tank = quiet(Tank(Diagnosis(PLAIN), interval_s=60.0))
    tank.feed(8.0 * 3600.0, AIR_PSU)
    carried_psu, doubt_psu = tank.salinity_psu, tank.sd_psu
    back_psu = carried_psu - 2.0 * doubt_psu

    tank.feed(tank.interval_s, back_psu)
    first = (tank.salinity_psu - carried_psu) / (back_psu - carried_psu)
    tank.feed(30.0 * tank.interval_s, back_psu)

    assert 0.0 < first < 0.4
    assert tank.salinity_psu == pytest.approx(back_psu, abs=0.03)


# ---------------------------------------------------------------------- water poured by hand

STILL = replace(PLAIN, plumbing=Plumbing(top_off_l_h=2.0, mixing_min=8.0))
"""A drip that moves 400 l by 0.2 an hour: nothing but a hand moves it faster."""


def poured(size_psu: float, seconds: float, *, mixing_s: float = 480.0) -> Callable[[float], float]:
    """What the probe sees of water that somebody pours for 20 minutes, as it mixes."""

    def mixed_s(since_s: float) -> float:
        return since_s - mixing_s * (1.0 - exp(-since_s / mixing_s)) if since_s > 0.0 else 0.0

    return lambda at_s: 35.0 + size_psu * (mixed_s(at_s) - mixed_s(at_s - seconds)) / seconds


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("interval_s", [5.0, 10.0, 30.0, 180.0])
@pytest.mark.parametrize(
    ("size_psu", "cause"), [(-1.2, Cause.DILUTION), (1.2, Cause.CONCENTRATION)]
)
def test_water_poured_by_hand_is_followed_and_told(
    size_psu: float, cause: Cause, interval_s: float, seed: int
) -> None:
    """A few buckets in twenty minutes, and then the tank is what it was made."""
    tank = quiet(Tank(Diagnosis(STILL), interval_s=interval_s, seed=seed))
    tank.feed(4800.0, poured(size_psu, 1200.0))

    assert tank.diagnosis.state.cause is cause
    assert tank.salinity_psu == pytest.approx(35.0 + size_psu, abs=0.05)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("interval_s", [10.0, 30.0, 60.0, 120.0])
@pytest.mark.parametrize("size_psu", [-1.2, -0.3, 0.3, 1.2])
def test_a_step_is_no_bucket_however_small(size_psu: float, interval_s: float, seed: int) -> None:
    """It came between two readings, before and after which all rests: the water stays."""
    tank = quiet(Tank(Diagnosis(STILL), interval_s=interval_s, seed=seed))
    told = tank.feed(4080.0, 35.0 + size_psu)

    assert told.isdisjoint({Cause.DILUTION, Cause.CONCENTRATION})
    assert tank.salinity_psu == pytest.approx(35.0, abs=0.1)


# ---------------------------------------------------------------------- a single reading


@pytest.mark.parametrize(("off_psu", "doubtful"), [(0.3, False), (-0.7, True), (0.7, True)])
def test_one_reading_far_off_is_doubted_before_it_has_a_name(
    off_psu: float, *, doubtful: bool
) -> None:
    """It may be a splash; until the next one tells nothing should be dosed by it."""
    rig = Rig(PLAIN)
    rig.run(400)
    assert (rig.salinity["quality"], rig.permit("dosing")["state"]) == ("good", "permit")

    document = rig.read(35.0 + off_psu)

    assert document["cause"] == "none"
    assert (document["quality"] == "uncertain") is doubtful
    assert (rig.permit("dosing")["state"] == "hold") is doubtful
    assert rig.read(35.0)["quality"] == "good"
