"""What the keeper relies on, one tank at a time, from messages to what is published."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from bridge.core.events import LinkDown, LinkUp
from bridge.core.outputs import NoticeKind
from bridge.core.settings import Level, Limits, Probe, ProbeUnit, Reports, TemperatureUnit
from tests.core.engine_rig import FULL, INTERVAL_S, PLAIN, Rig, settings


def ready(**changes: Any) -> Rig:  # noqa: ANN401 - passed on by name
    """A plain tank that has been watched for ten quiet minutes, dosing permitted."""
    rig = Rig(replace(PLAIN, **changes))
    rig.run(60)
    assert rig.permit("dosing")["state"] == "permit"
    return rig


# ---------------------------------------------------------------------- start


def test_the_start_holds_until_the_reading_has_settled() -> None:
    """Not before six good samples and a minute, and the minimum hold, is anything permitted."""
    rig = Rig()
    first = rig.run(5)
    assert {d["quality"] for d in first} == {"uncertain"}
    assert {d["qartod"] for d in first} == {2}
    assert rig.permit("dosing")["state"] == "hold"
    assert "starting" in rig.permit("dosing")["reasons"]

    rig.run(30)

    assert rig.salinity["quality"] == "good"
    assert rig.salinity["qartod"] == 1
    assert rig.salinity["ne107"] == "N"
    assert rig.permit("dosing")["state"] == "permit"


def test_without_a_thermometer_nothing_is_known() -> None:
    """A probe alone gives what it reported, and null for everything that needs a temperature."""
    rig = Rig()
    for _ in range(30):
        rig.read(35.0, None)

    document = rig.salinity
    assert document["reported"] == 35.0
    for key in ("salinity", "probe_salinity", "temperature", "conductivity_25c"):
        assert document[key] is None
    assert document["quality"] != "good"
    assert rig.permit("dosing")["state"] == "hold"


def test_healthy_water_is_followed_closely() -> None:
    """In quiet water the published salinity is within the noise of the truth and far steadier."""
    rig = ready()
    documents = rig.run(300, lambda n: 35.0 + 0.0146 * n / 360.0)
    off = [d["salinity"] - 35.0 - 0.0146 * n / 360.0 for n, d in enumerate(documents)]

    assert max(abs(value) for value in off) < 0.01
    assert {d["cause"] for d in documents} == {"none"}
    assert all(0.0 < d["uncertainty"] <= 0.25 for d in documents)


# ---------------------------------------------------------------------- bubbles


def test_a_burst_of_bubbles_is_named_within_three_samples_and_does_not_drag() -> None:
    """Dips of half a unit and more hold at once; the published salinity stays where it was."""
    rig = ready()
    before = rig.salinity["salinity"]

    first = rig.run(3, lambda n: 34.0 + 0.3 * (n % 2))
    burst = rig.run(60, lambda n: 35.0 - (0.3, 1.2, 0.0, 0.7, 0.05)[n % 5])

    assert first[-1]["cause"] == "bubbles"
    assert first[-1]["quality"] == "uncertain"
    assert rig.permit("dosing")["state"] == "hold"
    assert rig.permit("dosing")["reasons"][0] == "bubbles"
    assert all(abs(d["salinity"] - before) < 0.05 for d in [*first, *burst])
    assert min(d["probe_salinity"] for d in burst) < 34.0


def test_one_odd_sample_neither_names_a_cause_nor_holds() -> None:
    """A single dip moves nothing: no alarm fatigue from every passing bubble."""
    rig = ready()

    documents = [rig.read(33.5), *rig.run(10)]

    assert {d["cause"] for d in documents} == {"none"}
    assert all(abs(d["salinity"] - 35.0) < 0.01 for d in documents)


def test_after_the_bubbles_it_recovers_without_a_jump() -> None:
    """The episode ends some minutes after the last dip, and the permit comes back by itself."""
    rig = ready()
    rig.run(40, lambda n: 35.0 - (0.6 if n % 2 else 0.0))

    after = rig.run(240)

    steps = [abs(b["salinity"] - a["salinity"]) for a, b in pairwise(after)]
    assert max(steps) < 0.02
    assert after[-1]["cause"] == "none"
    assert rig.permit("dosing")["state"] == "permit"


def test_a_lodged_bubble_is_no_real_change_and_its_release_ends_it() -> None:
    """A step down that stays for hours is not followed, doubt grows, and the release ends it."""
    rig = ready()
    quiet = rig.salinity["uncertainty"]
    stuck = rig.run(6 * 60, 34.3, after_s=60.0)
    assert stuck[5]["cause"] == "bubbles"
    assert all(abs(d["salinity"] - 35.0) < 0.3 for d in stuck)
    assert stuck[-1]["uncertainty"] > quiet
    assert abs(stuck[-1]["salinity"] - 35.0) <= stuck[-1]["uncertainty"]

    released = rig.run(30, 35.08)

    assert released[-1]["cause"] == "none"
    assert released[-1]["salinity"] == pytest.approx(35.08, abs=0.05)


# ---------------------------------------------------------------------- exposure


def test_a_dry_probe_is_named_within_three_samples() -> None:
    """Near nothing is out of the water: bad quality, failure signal, hold, a high alarm."""
    rig = ready()

    dry = rig.run(3, 0.3, noise_psu=0.05)

    assert dry[-1]["cause"] == "exposed"
    assert (dry[-1]["quality"], dry[-1]["qartod"], dry[-1]["ne107"]) == ("bad", 4, "F")
    assert rig.permit("dosing")["state"] == "hold"
    assert dry[-1]["salinity"] == pytest.approx(35.0, abs=0.05)


def test_a_thermometer_in_the_air_is_exposure_and_does_not_shift_the_salinity() -> None:
    """Conductivity and held temperature still make 35; the cause is the dry thermometer."""
    probe = Probe(topic="probe", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY)
    rig = Rig(replace(PLAIN, probe=probe))
    for _ in range(60):
        # Sea water of 35 at 25 C conducts 53.071 mS/cm (UNESCO 44).
        rig.read(53.071 + rig.rng.gauss(0.0, 0.01))
    before = rig.salinity["salinity"]
    for _ in range(12):
        rig.read(53.071 + rig.rng.gauss(0.0, 0.01), 21.0)

    assert before == pytest.approx(35.0, abs=0.02)
    assert rig.cause == "exposed"
    assert rig.salinity["salinity"] == pytest.approx(before, abs=0.1)


# ---------------------------------------------------------------------- silence, garbage, stuck


def test_silence_is_noticed_by_time_alone() -> None:
    """Within a few expected intervals, by a tick, with every permit on hold and null in the end."""
    rig = ready()
    last_s = rig.now_s

    rig.until(last_s + 45.0)

    assert rig.cause == "silent"
    assert (rig.salinity["quality"], rig.salinity["qartod"]) == ("bad", 9)
    silent_s = next(p.at_s for p in rig.published if b'"cause":"silent"' in p.payload)
    assert silent_s - last_s <= 4.0 * INTERVAL_S
    assert rig.permit("dosing")["state"] == "hold"
    assert rig.diagnosis["tests"]["gap"] == 4


def test_doubt_grows_while_it_is_silent() -> None:
    """The first reading after a longer silence comes with more doubt."""
    rig = ready()
    doubts = []
    for hours in (1, 6, 48):
        rig.until(rig.now_s + 3600.0 * hours)
        document = rig.read(35.0)
        doubts.append(document["uncertainty"])
        rig.run(60)

    assert doubts == sorted(doubts)


def test_retained_messages_are_no_evidence_of_life() -> None:
    """The broker's memory neither starts the engine nor keeps it from noticing the silence."""
    rig = Rig()
    for _ in range(30):
        rig.send("water", 25.0, after_s=10.0, retained=True)
        rig.send("probe", 35.0, retained=True)
    assert rig.permit("dosing")["state"] == "hold"
    assert rig.salinity["reported"] is None

    rig = ready()
    for _ in range(10):
        rig.send("water", 25.0, after_s=10.0, retained=True)
        rig.send("probe", 35.0, retained=True)

    assert rig.cause == "silent"
    assert rig.permit("dosing")["state"] == "hold"


def test_garbage_is_counted_named_and_stops_nothing() -> None:
    """Three messages without a usable number are invalid; good ones in between are answered."""
    rig = ready()
    for payload in (b"n/a", b"", b"nan"):
        rig.send("probe", payload, after_s=10.0)
    assert rig.cause == "invalid"
    assert rig.diagnosis["tests"]["syntax"] == 4
    assert rig.permit("dosing")["state"] == "hold"

    rig.run(40)

    assert rig.cause == "none"
    assert rig.permit("dosing")["state"] == "permit"


def test_a_sentinel_is_no_reading() -> None:
    """-999 and the like are no salinity of anything, and leave the estimate alone."""
    rig = ready()
    for _ in range(4):
        rig.send("water", 25.0, after_s=10.0)
        rig.send("probe", -999.0)

    assert rig.cause == "invalid"
    assert rig.salinity["salinity"] == pytest.approx(35.0, abs=0.02)


def test_a_number_that_never_moves_is_stuck() -> None:
    """After thousands of lively readings, half an hour of equal ones fails."""
    rig = Rig()
    rig.run(1200)

    for _ in range(180):
        rig.read(35.0, 25.0 + rig.rng.gauss(0.0, 0.01))

    assert rig.cause == "stuck"
    assert (rig.salinity["quality"], rig.salinity["ne107"]) == ("bad", "F")
    assert rig.permit("dosing")["state"] == "hold"


def test_a_coarse_but_healthy_number_is_not_stuck() -> None:
    """A display in tenths rests for a quarter of an hour by nature."""
    rig = Rig()
    causes, longest, run, before = set(), 0, 0, 0.0
    for n in range(2500):
        water = 35.0 + 0.0146 * n / 120.0
        document = rig.read(round(water + rig.rng.gauss(0.0, 0.03), 1), after_s=30.0)
        run = run + 1 if document["reported"] == before else 0
        longest, before = max(longest, run), document["reported"]
        causes.add(document["cause"])

    assert longest > 30

    assert causes == {"none"}


# ---------------------------------------------------------------------- real change


def test_a_pump_that_does_not_stop_is_dilution_before_it_is_deep() -> None:
    """60 l/h into 400 l: found before the tank has fallen by 0.3; good quality, top-off held."""
    rig = ready()
    found = None
    for n in range(1, 120):
        water = 35.0 - 35.0 * 60.0 / 400.0 * n / 360.0
        document = rig.read(water + rig.rng.gauss(0.0, 0.01))
        if document["cause"] == "dilution":
            found = 35.0 - water
            break

    assert found is not None
    assert found < 0.3
    assert rig.salinity["quality"] == "good"
    assert rig.permit("top-off")["state"] == "hold"
    assert rig.salinity["salinity"] == pytest.approx(35.0 - found, abs=0.03)


def test_the_saw_tooth_of_top_off_is_healthy() -> None:
    """Two days of climbing and falling by a tenth name nothing and hold nothing."""
    patient = {name: replace(p, stale_after_s=None) for name, p in PLAIN.permits.items()}
    rig = Rig(replace(PLAIN, permits=patient))
    causes = set()
    for n in range(2 * 24 * 60):
        climbed = 0.0146 * (n % 400) / 60.0
        causes.add(rig.run(1, 35.0 + climbed, after_s=60.0)[0]["cause"])

    assert causes == {"none"}
    assert len([r for r in rig.records("permit") if r.data["permit"] == "top-off"]) == 1


# ---------------------------------------------------------------------- second probe


def two_probes(*pairs: tuple[float, float]) -> Rig:
    """A tank with two probes, the second of them 0.12 high, ten quiet minutes and what follows."""
    second = Probe(topic="second", unit=ProbeUnit.PSU, reports=Reports.SALINITY)
    rig = Rig(replace(PLAIN, second_probe=second))
    for first, other in [(35.0, 35.0)] * 60 + list(pairs):
        rig.send("second", round(other + 0.12 + rig.rng.gauss(0.0, 0.01), 4), after_s=10.0)
        rig.send("water", 25.0)
        rig.send("probe", round(first + rig.rng.gauss(0.0, 0.01), 4))
    return rig


def test_a_disturbance_of_one_probe_is_not_a_change_of_the_water() -> None:
    """The first steps down and stays; the second carries the estimate on where the water goes."""
    rig = two_probes(*((34.0, 35.0 - 0.003 * n) for n in range(60)))

    assert rig.cause not in {"dilution", "none"}
    assert rig.salinity["salinity"] == pytest.approx(35.0 - 0.003 * 59, abs=0.05)
    assert "neighbour" in rig.diagnosis["tests"]


def test_a_fall_that_both_probes_see_is_the_water() -> None:
    """Both fall at the pump's pace: dilution, and the estimate follows."""
    rig = two_probes(*((35.0 - 0.0146 * n, 35.0 - 0.0146 * n) for n in range(60)))

    assert rig.cause == "dilution"
    assert rig.salinity["salinity"] == pytest.approx(35.0 - 0.0146 * 59, abs=0.05)


# ---------------------------------------------------------------------- link


def test_a_lost_link_holds_and_a_new_one_says_everything_again() -> None:
    """Nothing is permitted without the broker; on reconnect state and permits come at once."""
    rig = ready()
    rig.step(LinkDown(rig.now_s))
    quiet = len(rig.outputs)
    rig.run(12)
    assert not any(
        "/permit/" in p.topic and b'"state":"permit"' in p.payload
        for p in rig.published
        if p in rig.outputs[quiet:]
    )

    made = rig.step(LinkUp(rig.now_s))

    topics = {getattr(output, "topic", "") for output in made}
    assert {f"tidegate/reef/{t}" for t in ("salinity", "diagnosis", "permit/dosing")} <= topics
    assert rig.permit("dosing")["state"] == "hold"
    rig.run(20)
    assert rig.permit("dosing")["state"] == "permit"


# ---------------------------------------------------------------------- units and forms


@pytest.mark.parametrize(
    ("probe", "payload"),
    [
        # S = 35 at 25 C: 42.914 r_t(25 C) = 53.071 mS/cm (UNESCO 44); 1.026374 at 25/25 (TEOS-10).
        (Probe(topic="probe", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY), b"53.071"),
        (Probe(topic="probe", unit=ProbeUnit.US_CM, reports=Reports.CONDUCTIVITY), b"53071"),
        (Probe(topic="probe", unit=ProbeUnit.S_M, reports=Reports.CONDUCTIVITY), b"5.3071"),
        (
            Probe(
                topic="probe",
                unit=ProbeUnit.MS_CM,
                reports=Reports.CONDUCTIVITY_LINEAR,
                coefficient_pct_per_c=2.1,
            ),
            b"53.071",
        ),
        (Probe(topic="probe", unit=ProbeUnit.PPT, reports=Reports.SALINITY), b"35.0"),
        (
            Probe(topic="probe", unit=ProbeUnit.PSU, reports=Reports.SALINITY, path="a.b"),
            b'{"a":{"b":35.0}}',
        ),
    ],
)
def test_every_unit_and_form_comes_to_the_same_salinity(probe: Probe, payload: bytes) -> None:
    """Whatever the device sends, it is the same water."""
    rig = Rig(replace(PLAIN, probe=probe))
    for _ in range(20):
        rig.send("water", 25.0, after_s=10.0)
        rig.send("probe", payload)

    assert rig.salinity["probe_salinity"] == pytest.approx(35.0, abs=0.002)
    assert rig.salinity["salinity"] == pytest.approx(35.0, abs=0.002)
    assert rig.salinity["specific_gravity"] == pytest.approx(1.026374, abs=2e-5)
    assert rig.salinity["conductivity_25c"] == pytest.approx(53.071, abs=0.01)
    assert rig.salinity["reported_unit"] == probe.unit.value


@pytest.mark.parametrize(
    ("unit", "value"), [(TemperatureUnit.F, 77.0), (TemperatureUnit.K, 298.15)]
)
def test_the_thermometer_may_speak_any_unit(unit: TemperatureUnit, value: float) -> None:
    """77 F and 298.15 K are 25 C."""
    rig = Rig(replace(PLAIN, thermometer=replace(PLAIN.thermometer, unit=unit)))
    rig.send("water", value)
    rig.send("probe", 35.0)

    assert rig.salinity["temperature"] == pytest.approx(25.0, abs=1e-6)


def test_a_time_stamp_from_the_payload_is_the_measurements_time() -> None:
    """A reading that was long under way is dated by its stamp, and one from the future by now."""
    rig = Rig(replace(PLAIN, probe=replace(PLAIN.probe, path="v", time_path="t")))
    for _ in range(30):
        rig.send("water", 25.0, after_s=10.0)
        rig.send("probe", {"v": 35.0, "t": rig.now_s - 100.0})
    assert rig.permit("dosing")["state"] == "hold"
    assert "stale" in rig.permit("dosing")["reasons"]

    for _ in range(30):
        rig.send("water", 25.0, after_s=10.0)
        rig.send("probe", {"v": 35.0 + rig.rng.gauss(0.0, 0.01), "t": rig.now_s + 1e6})
    assert rig.permit("dosing")["state"] == "permit"


def test_a_stamp_of_long_ago_is_no_reading() -> None:
    """A device whose clock was never set is invalid, and carries the water nowhere."""
    rig = Rig(replace(PLAIN, probe=replace(PLAIN.probe, path="v", time_path="t")))
    for n in range(6):
        rig.send("water", 25.0, after_s=10.0)
        rig.send("probe", {"v": 35.0, "t": 10.0 * n + 1.0})
    assert rig.cause == "invalid"

    for _ in range(30):
        rig.send("water", 25.0, after_s=10.0)
        rig.send("probe", {"v": 35.0 + rig.rng.gauss(0.0, 0.01), "t": rig.now_s})

    assert rig.cause == "none"
    assert rig.salinity["salinity"] == pytest.approx(35.0, abs=0.02)


def test_a_cumulative_meter_counts_differences_and_survives_its_reset() -> None:
    """The first number is only a start, a fall is a reset, and the rest are litres."""
    rig = Rig(FULL)
    for millilitres in (100_000.0, 101_500.0, 101_500.0, 200.0, 700.0):
        rig.send("litres", millilitres, after_s=60.0)

    assert [r.data["litres"] for r in rig.records("litres")] == pytest.approx([1.5, 0.5])


def test_out_of_the_normal_band_is_said_and_still_good() -> None:
    """Water far above the keeper's band is the water's own: suspect by range, not a bad reading."""
    rig = Rig(replace(PLAIN, limits=Limits(target_psu=35.0, low_psu=34.5, high_psu=35.5)))
    rig.run(60, 38.0)

    assert rig.salinity["qartod"] == 3
    assert rig.salinity["ne107"] == "S"
    assert rig.permit("dosing")["state"] == "hold"
    assert "out-of-band" in rig.permit("dosing")["reasons"]


def test_too_much_doubt_is_published_as_null() -> None:
    """Past the configured uncertainty the salinity is null, and the uncertainty still told."""
    rig = Rig(replace(PLAIN, limits=Limits(largest_uncertainty_psu=0.1)))
    rig.run(60)

    assert rig.salinity["salinity"] is None
    assert rig.salinity["specific_gravity"] is None
    assert rig.salinity["uncertainty"] > 0.1
    assert "uncertain" in rig.permit("dosing")["reasons"]


# ---------------------------------------------------------------------- commands


def test_an_announced_water_change_is_no_fault() -> None:
    """The water falls by half a unit in minutes, as said; nothing is named, and it is followed."""
    rig = ready()
    answer = rig.command("water-change", phase="start", litres=80, salinity=32.5)
    assert answer == {"id": "test", "ok": True}
    rig.run(30, lambda n: 35.0 - 0.5 * n / 30.0)
    answer = rig.command("water-change", phase="end")
    assert answer["ok"]
    after = rig.run(300, 34.5)

    causes = [d["cause"] for d in after]
    assert causes.count("none") >= 0.95 * len(causes)
    assert after[-1]["salinity"] == pytest.approx(34.5, abs=0.03)
    assert len(rig.records("water-change")) == 2


def test_a_water_change_says_what_it_should_make() -> None:
    """40 of 400 l at 30 lower the tank by half a unit."""
    rig = ready()

    answer = rig.command("water-change", litres=40, salinity=30)

    assert answer["expected_change"] == pytest.approx(-0.5, abs=0.01)


def test_an_end_without_a_start_is_refused() -> None:
    """The answer says what is wrong and what is accepted."""
    answer = ready().command("water-change", phase="end")

    assert answer["ok"] is False
    assert "start" in answer["error"]


@pytest.mark.parametrize(
    ("name", "keys", "word"),
    [
        ("reference-check", {"instrument": "refractometer"}, "reading"),
        ("reference-check", {"instrument": "x", "salinity": "35"}, "salinity"),
        ("calibration", {"standard": "tap-water"}, "standard"),
        ("water-change", {"litres": -3, "salinity": 35}, "litres"),
        ("acknowledge", {}, "alarm"),
        ("shelve", {"alarm": "silent", "minutes": -1}, "minutes"),
        ("bypass", {"permit": "nothing", "minutes": 5, "reason": "x"}, "permit"),
        ("bypass", {"permit": "dosing", "minutes": 600, "reason": "x"}, "minutes"),
        ("service", {"phase": "pause"}, "phase"),
        ("service", {"phase": "end"}, "start"),
        ("service", {"phase": "start", "colour": "red"}, "colour"),
        ("nonsense", {}, "nonsense"),
    ],
)
def test_a_wrong_command_is_answered_in_plain_words(
    name: str, keys: dict[str, Any], word: str
) -> None:
    """The answer echoes the id where there is a command, and names what is at fault."""
    answer = ready().command(name, **keys)

    assert answer["ok"] is False
    assert word in answer["error"]
    assert answer["id"] in {"test", None}


@pytest.mark.parametrize("payload", [b"", b"{", b"[]", b"null", b"\xff", b'{"phase":"start"}'])
def test_a_command_that_is_none_is_answered_too(payload: bytes) -> None:
    """Not JSON, not an object, or without an id: refused, with what is accepted."""
    rig = ready()
    rig.send("tidegate/reef/command/service", payload)

    answer = rig.newest("result/service")
    assert answer["ok"] is False
    assert answer["error"]


def test_a_retained_command_is_refused() -> None:
    """It would be carried out again at every start."""
    rig = ready()
    rig.send(
        "tidegate/reef/command/bypass",
        {"id": "old", "permit": "dosing", "minutes": 30, "reason": "left behind"},
        retained=True,
    )

    answer = rig.newest("result/bypass")
    assert (answer["id"], answer["ok"]) == ("old", False)
    assert "retain" in answer["error"]
    assert rig.permit("dosing")["bypass_until"] is None


def test_a_secret_is_asked_for_when_one_is_configured() -> None:
    """Without it nothing is done and nothing is learned about the keys."""
    rig = Rig(settings(PLAIN, command_secret="invented"))  # noqa: S106 # invented
    rig.run(60)

    refused = rig.command("service", phase="start")
    wrong = rig.command("service", phase="start", secret="guess")  # noqa: S106 # invented
    done = rig.command("service", phase="start", secret="invented")  # noqa: S106 # invented

    assert (refused["ok"], wrong["ok"], done["ok"]) == (False, False, True)
    assert all(b"invented" not in p.payload for p in rig.published)


def test_service_holds_and_settles_before_it_lets_go() -> None:
    """Hands in the water: check signal, hold, readings are no evidence; then it settles first."""
    rig = ready()
    assert rig.command("service", phase="start", minutes=30)["ok"]
    assert rig.permit("dosing")["state"] == "hold"
    during = rig.run(30, lambda n: 20.0 + n)
    assert {d["ne107"] for d in during} == {"C"}
    assert all(d["quality"] != "good" for d in during)
    assert all(abs(d["salinity"] - 35.0) < 0.05 for d in during)

    assert rig.command("service", phase="end")["ok"]
    rig.run(10)
    assert rig.permit("dosing")["state"] == "hold"
    assert "settling" in rig.permit("dosing")["reasons"]
    rig.run(80)

    assert rig.permit("dosing")["state"] == "permit"
    assert len(rig.records("service")) == 3


def test_a_forgotten_service_ends_by_itself() -> None:
    """After its minutes and the settling the watch goes on."""
    rig = ready()
    rig.command("service", phase="start", minutes=5)
    rig.run(130)

    assert rig.salinity["ne107"] == "N"
    assert rig.permit("dosing")["state"] == "permit"


def test_a_bypass_permits_in_spite_of_bubbles_for_its_time_only() -> None:
    """The document says so and until when; afterwards the hold is back."""
    rig = ready()
    rig.run(20, lambda n: 35.0 - 0.8 * (n % 2))
    assert rig.permit("dosing")["state"] == "hold"

    assert rig.command("bypass", permit="dosing", minutes=3, reason="checked by hand")["ok"]
    during = rig.permit("dosing")
    rig.run(24, lambda n: 35.0 - 0.8 * (n % 2))
    after = rig.permit("dosing")

    assert during["state"] == "permit"
    assert during["bypass_until"] is not None
    assert "bubbles" in during["bypassed"]
    assert after["state"] == "hold"
    assert after["bypass_until"] is None


def test_a_bypass_never_covers_silence() -> None:
    """Without readings nothing is permitted, bypass or not."""
    rig = ready()
    rig.command("bypass", permit="dosing", minutes=30, reason="drawn")
    rig.until(rig.now_s + 120.0)

    assert rig.permit("dosing")["state"] == "hold"


def silent_rig() -> Rig:
    """A tank whose probe has been silent long enough for its alarm."""
    rig = ready()
    rig.until(rig.now_s + 3600.0)
    assert rig.documents("alarm/silent")
    return rig


def test_an_alarm_is_raised_acknowledged_and_deleted() -> None:
    """It tells cause, consequence and action, and goes when it is acknowledged and over."""
    rig = silent_rig()
    raised = rig.documents("alarm/silent")[0]
    assert (raised["state"], raised["active"]) == ("unacknowledged", True)
    assert raised["consequence"]
    assert raised["action"]
    assert any(n.kind is NoticeKind.RAISED and n.alarm == "silent" for n in rig.notices)

    assert rig.command("acknowledge", alarm="silent")["ok"]
    assert rig.newest("alarm/silent")["state"] == "acknowledged"
    rig.run(400)

    assert rig.newest("alarm/silent") == {}


def test_an_alarm_is_shelved_for_its_time() -> None:
    """Shelved it is quiet; it is back when the time is over and it is still active."""
    rig = silent_rig()
    assert rig.command("shelve", alarm="silent", minutes=10)["ok"]
    assert rig.newest("alarm/silent")["state"] == "shelved"

    rig.until(rig.now_s + 601.0)

    assert rig.newest("alarm/silent")["state"] == "unacknowledged"


def test_a_reference_check_that_agrees_needs_nothing() -> None:
    """Agreement is judged by E_n, answered with advice, recorded, and changes nothing."""
    rig = ready()
    before = rig.salinity["salinity"]

    answer = rig.command("reference-check", instrument="laboratory", salinity=35.02)

    assert answer["ok"]
    assert abs(answer["e_n"]) <= 1.0
    assert len(rig.records("check")) == 1
    rig.run(10)
    assert rig.cause == "none"
    assert rig.salinity["salinity"] == pytest.approx(before, abs=0.02)


def test_a_reference_check_that_contradicts_flags_drift_and_corrects_nothing() -> None:
    """A laboratory that finds half a unit less makes drift the cause, not the salinity other."""
    rig = ready()

    answer = rig.command("reference-check", instrument="laboratory", salinity=34.4)
    rig.run(10)

    assert abs(answer["e_n"]) > 1.0
    assert rig.cause == "drift"
    assert rig.salinity["ne107"] == "M"
    assert rig.salinity["salinity"] == pytest.approx(35.0, abs=0.03)
    (drift,) = [c for c in rig.diagnosis["causes"] if c["cause"] == "drift"]
    assert any("laboratory" in sentence for sentence in drift["evidence"])


def test_a_calibration_is_applied_and_can_be_undone() -> None:
    """The device read 34.5 in a 35 standard: the daemon corrects it, and takes it back."""
    probe = Probe(topic="probe", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY)
    rig = Rig(replace(PLAIN, probe=probe))
    for _ in range(60):
        rig.read(52.4 + rig.rng.gauss(0.0, 0.01))
    raw = rig.salinity["salinity"]
    keys = {"standard": "seawater", "value": 35, "unit": "psu", "temperature_c": 25}
    answer = rig.command("calibration", **keys, reading_before=52.4, apply=True, confirm=True)
    assert answer["ok"], answer
    for _ in range(60):
        rig.read(52.4 + rig.rng.gauss(0.0, 0.01))
    corrected = rig.salinity["salinity"]
    assert rig.records("calibration")

    assert rig.command("undo", calibration=1)["ok"]
    for _ in range(60):
        rig.read(52.4 + rig.rng.gauss(0.0, 0.01))

    assert corrected == pytest.approx(35.0, abs=0.02)
    assert rig.salinity["salinity"] == pytest.approx(raw, abs=0.02)


def test_a_command_that_comes_twice_is_done_once() -> None:
    """MQTT delivers at least once: the copy gets the same answer and changes nothing."""
    rig = ready()
    first = rig.command("water-change", litres=40, salinity=30)
    second = rig.command("water-change", litres=40, salinity=30)

    assert first == second
    assert len(rig.records("water-change")) == 1


# ---------------------------------------------------------------------- level


def test_a_level_that_never_came_holds_what_needs_it() -> None:
    """A configured level sensor that says nothing is not a normal level."""
    rig = Rig(replace(PLAIN, level=Level(topic="level")))
    rig.run(60)

    assert rig.permit("top-off")["reasons"] == ["level-silent"]
