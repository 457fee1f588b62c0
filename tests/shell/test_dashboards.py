"""Dashboards are told only what is true, in the forms that the conventions allow."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.alarm_catalogue import CAUSE_ALARMS, PERMIT_ALARMS, PLANT_ALARMS, WATER_ALARMS
from bridge.core.findings import Cause
from bridge.core.outputs import Output, Publish, Record
from bridge.core.service import ServicePhase
from bridge.core.settings import Settings
from bridge.core.wire.commands import parse
from bridge.core.wire.instants import iso_utc
from bridge.shell.dashboards.memory import COLLECTION, Memory
from bridge.shell.dashboards.picture import EXPIRIES_S, slug
from bridge.shell.dashboards.settings import DashboardSettings
from bridge.shell.dashboards.translation import Translation
from tests.support.dashboards import HomieWatcher, check_config
from tests.support.history import START_S, document
from tests.support.live import SETTINGS

ALL = DashboardSettings(flat=True, homie=True, hub_prefix="hub")
TANK = "homie/5/tidegate-reef"
CONFIG = "hub/device/tidegate-reef/config"


class Box:
    """A store in memory."""

    def __init__(self) -> None:
        self.content: dict[str, Any] = {}

    def put(self, collection: str, key: str, data: Any) -> None:  # noqa: ANN401
        """Keep."""
        assert collection == COLLECTION
        self.content[key] = data

    def remove(self, collection: str, key: str) -> None:
        """Forget."""
        assert collection == COLLECTION
        del self.content[key]

    def entries(self, collection: str) -> dict[str, Any]:
        """Everything."""
        assert collection == COLLECTION
        return dict(self.content)


def translation(
    dashboards: DashboardSettings = ALL, settings: Settings = SETTINGS, box: Box | None = None
) -> Translation:
    """A translation that has seen nothing yet."""
    return Translation(settings, dashboards, service={}, memory=Memory(box or Box()), now_s=START_S)


def salinity(at_s: float = START_S, /, **changes: Any) -> Publish:  # noqa: ANN401
    """A salinity document."""
    return Publish(at_s, "tidegate/reef/salinity", orjson.dumps(document(at_s, **changes)))


def permit(state: str, at_s: float = START_S) -> Publish:
    """A permit document."""
    content = {"time": iso_utc(at_s), "state": state, "lease_s": 90.0}
    return Publish(at_s, "tidegate/reef/permit/top-off", orjson.dumps(content))


def alarm(name: str, **changes: Any) -> Publish:  # noqa: ANN401
    """An alarm document."""
    content = {
        "alarm": name,
        "state": "unacknowledged",
        "active": True,
        "acknowledged": False,
        "cause": "Gas on the electrodes.",
        "action": ["Look at the skimmer."],
    } | changes
    return Publish(START_S, f"tidegate/reef/alarm/{name}", orjson.dumps(content))


def shown(
    seen: Translation, outputs: Sequence[Output], now_s: float = START_S, *, ready: bool = True
) -> dict[str, str]:
    """What the broker holds after some outputs."""
    for output in outputs:
        if seen.picture.key(output) is not None:
            seen.picture.take(output)
    wanted = seen.permits(now_s, ready=ready) | seen.values()
    return {topic: each.payload.decode() for topic, each in wanted.items() if each.payload}


def test_values_are_told_in_every_form() -> None:
    """A document becomes properties and bare values; digits as they are, nothing added."""
    found = shown(translation(), [salinity(cause="bubbles", quality="uncertain")])

    assert found[f"{TANK}/water/salinity"] == "35.02"
    assert found[f"{TANK}/water/cause"] == "bubbles"
    assert found["tidegate/reef/flat/salinity"] == "35.02"
    assert found["tidegate/reef/flat/specific-gravity"] == "1.0264"
    assert found["tidegate/reef/flat/quality"] == "uncertain"


@pytest.mark.parametrize("value", [None, -0.1, 1e300])
def test_an_unknown_or_impossible_number_is_deleted(value: float | None) -> None:
    """An empty payload takes the old value away; no number is invented, and none forbidden."""
    found = shown(translation(), [salinity(), salinity(salinity=value)])

    assert f"{TANK}/water/salinity" not in found
    assert "tidegate/reef/flat/salinity" not in found


@pytest.mark.parametrize(
    ("state", "later_s", "ready", "expected"),
    [
        ("permit", 0, True, "permit"),
        ("permit", 89.9, True, "permit"),
        ("permit", 90, True, "hold"),
        ("permit", 0, False, "hold"),
        ("hold", 0, True, "hold"),
    ],
)
def test_a_permit_is_shown_only_while_it_lasts(
    state: str,
    later_s: float,
    ready: bool,  # noqa: FBT001 - parametrised
    expected: str,
) -> None:
    """The end of the lease or of the connection is a hold, without any further message."""
    found = shown(translation(), [permit(state)], START_S + later_s, ready=ready)

    assert found[f"{TANK}/permits/top-off"] == expected
    assert found["tidegate/reef/flat/permit-top-off"] == expected


def test_before_anything_is_known_permits_are_held() -> None:
    """Silence never means permit."""
    assert shown(translation(), [])[f"{TANK}/permits/top-off"] == "hold"


def test_a_permit_expires_on_the_broker_with_its_lease() -> None:
    """Should this process die, the broker forgets the permit when its lease ends."""
    seen = translation()
    shown(seen, [permit("permit")])

    wanted = seen.permits(START_S, ready=True)

    assert {each.end_s for each in wanted.values()} == {START_S + 90.0}


def test_alerts_stand_while_somebody_should_look() -> None:
    """An alert goes when the alarm is deleted, shelved or suppressed."""
    seen = translation()
    topic = f"{TANK}/$alert/bubbles"

    assert shown(seen, [alarm("bubbles")])[topic] == "Gas on the electrodes. Look at the skimmer."
    assert topic not in shown(seen, [alarm("bubbles", state="shelved")])
    assert topic in shown(seen, [alarm("bubbles", acknowledged=True)])
    assert topic not in shown(seen, [Publish(START_S, "tidegate/reef/alarm/bubbles", b"")])


def test_alarms_of_the_installation_belong_to_the_root_device() -> None:
    """They concern no tank."""
    told = Publish(START_S, "tidegate/alarm/storage-fault", alarm("storage-fault").payload)

    assert "homie/5/tidegate/$alert/storage-fault" in shown(translation(), [told])


def test_every_alarm_has_a_name_that_the_convention_accepts() -> None:
    """Alarm names become identifiers without any change."""
    names = [*CAUSE_ALARMS, *WATER_ALARMS, *PLANT_ALARMS]
    names += [name.replace("{permit}", "top-off") for name in PERMIT_ALARMS]
    watcher = HomieWatcher()

    for name in names:
        watcher.take(f"{TANK}/$alert/{name}", b"x")


def test_service_mode_is_remembered_and_followed() -> None:
    """What the engine saved is shown at the start, and each change afterwards."""
    seen = Translation(
        SETTINGS,
        ALL,
        service={"reef": ServicePhase.ACTIVE},
        memory=Memory(Box()),
        now_s=START_S,
    )

    assert shown(seen, [])[f"{TANK}/control/service"] == "active"
    settling = Record(START_S, "reef", "service", {"phase": "settling", "until_s": None})
    assert shown(seen, [settling])["tidegate/reef/flat/service"] == "settling"


def test_descriptions_and_config_topics_follow_the_rules() -> None:
    """The announcements pass the judges, and name everything that is published."""
    seen = translation()
    watcher = HomieWatcher()
    for topic, each in (seen.states("init") | seen.announcements()).items():
        if topic.startswith("homie/"):
            watcher.take(topic, each.payload)
    config = check_config(CONFIG, seen.announcements()[CONFIG].payload)

    assert set(config["components"]) >= {"salinity", "permit-top-off", "acknowledge", "alarm"}
    assert config["components"]["salinity"]["state_topic"] == "tidegate/reef/salinity"
    assert config["availability"][0]["topic"] == "tidegate/state"
    [root] = [t for t in watcher.held if t == "homie/5/tidegate/$description"]
    assert orjson.loads(watcher.held[root])["children"] == ["tidegate-reef"]


@pytest.mark.parametrize(("interval_s", "expiry_s"), [(1.0, 30), (10.0, 30), (60.0, 300)])
def test_values_expire_after_three_intervals_or_a_little_more(
    interval_s: float, expiry_s: int
) -> None:
    """The life is learned from the samples, in steps, and one outage does not lengthen it."""
    seen = translation()
    samples = [salinity(START_S + i * interval_s) for i in range(8)]
    outage = salinity(START_S + 8 * interval_s + 5000.0)

    def life() -> Any:  # noqa: ANN401
        config = orjson.loads(seen.announcements()[CONFIG].payload)
        return config["components"]["salinity"].get("expire_after")

    assert life() is None
    shown(seen, [*samples, outage])

    assert life() == expiry_s >= 3 * interval_s
    assert expiry_s in EXPIRIES_S


def test_a_stated_interval_is_known_at_once() -> None:
    """Nothing is learned that the keeper has said."""
    reef = SETTINGS.tanks["reef"]
    stated = replace(reef, probe=replace(reef.probe, interval_s=100.0))
    seen = translation(settings=replace(SETTINGS, tanks={"reef": stated}))

    config = orjson.loads(seen.announcements()[CONFIG].payload)

    assert config["components"]["salinity"]["expire_after"] == 300


def test_a_learned_life_survives_a_restart_and_can_be_unlearned() -> None:
    """A restart announces what was learned at once; a faster probe then shortens it."""
    box = Box()

    def life(seen: Translation) -> int | None:
        config = orjson.loads(seen.announcements()[CONFIG].payload)
        found: int | None = config["components"]["salinity"].get("expire_after")
        return found

    slow = translation(box=box)
    shown(slow, [salinity(START_S + i * 60.0) for i in range(8)])
    assert life(slow) == 300

    fast = translation(box=box)
    assert life(fast) == 300
    shown(fast, [salinity(START_S + i * 10.0) for i in range(8)])
    assert life(fast) == 30


def test_a_description_keeps_its_version_until_it_changes() -> None:
    """The same description has the same version over restarts; another one a higher version."""
    box = Box()

    def version(settings: Settings) -> int:
        seen = translation(settings=settings, box=box)
        return int(orjson.loads(seen.announcements()[f"{TANK}/$description"].payload)["version"])

    named = replace(SETTINGS, tanks={"reef": replace(SETTINGS.tanks["reef"], name="Hall")})

    first = version(SETTINGS)
    assert version(SETTINGS) == first
    assert version(named) > first


def test_requests_become_the_commands_of_the_interface() -> None:
    """Each is accepted by the engine's own parser."""
    seen = translation()
    shown(seen, [alarm("bubbles"), alarm("drift", acknowledged=True)])
    asked: list[tuple[str, bytes, str, dict[str, Any]]] = [
        (f"{TANK}/control/acknowledge/set", b"all", "acknowledge", {"alarm": "bubbles"}),
        ("tidegate/reef/dashboard/acknowledge", b"all", "acknowledge", {"alarm": "bubbles"}),
        (f"{TANK}/control/service/set", b"active", "service", {"phase": "start"}),
        (f"{TANK}/control/service/set", b"idle", "service", {"phase": "end"}),
        (f"{TANK}/control/reference-check/set", b"35.1", "reference-check", {"salinity": 35.1}),
    ]
    for topic, payload, name, keys in asked:
        commands = seen.requested(topic, payload)

        assert commands is not None
        [command] = commands
        assert (command.tank, command.name) == ("reef", name)
        parse(name, command.payload)
        assert orjson.loads(command.payload).items() >= keys.items()


@given(payload=st.binary(max_size=30) | st.sampled_from([b"nan", b"inf", b"1e9", b"settling"]))
def test_any_other_request_means_nothing(payload: bytes) -> None:
    """No payload raises, and none becomes a command that the engine would have to guess at."""
    seen = translation()
    for name in ("service", "reference-check", "salinity"):
        for command in seen.requested(f"{TANK}/control/{name}/set", payload) or []:
            parse(command.name, command.payload)
    assert seen.requested(f"{TANK}/water/salinity/set", payload) is None
    assert seen.requested("homie/5/other/control/service/set", b"active") is None


def test_the_buttons_of_the_hub_send_what_the_engine_accepts() -> None:
    """What a press sends is a command as it stands; a number fills the template."""
    components = orjson.loads(translation().announcements()[CONFIG].payload)["components"]
    start, check = components["service-start"], components["reference-check"]

    assert start["command_topic"] == "tidegate/reef/command/service"
    parse("service", start["payload_press"].encode())
    filled = check["command_template"].replace("{{ value }}", "35.2")
    parse("reference-check", filled.encode())


def test_with_a_secret_dashboards_only_look() -> None:
    """Nobody commands through a dashboard what the secret would keep from them."""
    seen = translation(settings=replace(SETTINGS, command_secret="eight or more"))  # noqa: S106

    components = orjson.loads(seen.announcements()[CONFIG].payload)["components"]
    description = orjson.loads(seen.announcements()[f"{TANK}/$description"].payload)

    assert {each["platform"] for each in components.values()} == {"sensor", "binary_sensor"}
    properties = description["nodes"]["control"]["properties"]
    assert properties == {"service": properties["service"]}
    assert not properties["service"]["settable"]
    assert not [each for each in seen.subscriptions if each.topic.endswith(("set", "acknowledge"))]


finite = st.none() | st.floats(allow_nan=False, allow_infinity=False) | st.floats(0, 60)
documents = st.fixed_dictionaries(
    {
        "salinity": finite,
        "uncertainty": finite,
        "probe_salinity": finite,
        "temperature": finite,
        "conductivity_25c": finite,
        "specific_gravity": finite,
        "quality": st.sampled_from(["good", "uncertain", "bad"]),
        "cause": st.sampled_from([cause.value for cause in Cause]),
    }
)
outputs = st.one_of(
    documents.map(lambda changes: salinity(**changes)),
    st.sampled_from(["permit", "hold"]).map(permit),
    st.sampled_from(["bubbles", "drift"]).map(alarm),
    st.sampled_from(["shelved", "acknowledged"]).map(lambda state: alarm("bubbles", state=state)),
    st.just(Publish(START_S, "tidegate/reef/alarm/bubbles", b"")),
    st.sampled_from(ServicePhase).map(
        lambda phase: Record(START_S, "reef", "service", {"phase": phase.value})
    ),
    st.just(Publish(START_S, "tidegate/elsewhere/salinity", b"{")),
    st.just(Publish(START_S, "tidegate/reef/result/shelve", b"{}", retain=False)),
)


@given(history=st.lists(outputs, max_size=12))
def test_no_stream_of_outputs_breaks_the_convention(history: list[Output]) -> None:
    """Whatever the engine says, every value is valid for its property."""
    seen = translation()
    watcher = HomieWatcher()
    for wanted in (seen.states("init"), seen.announcements(), seen.states("ready")):
        for topic, each in wanted.items():
            watcher.take(topic, each.payload)
    for output in history:
        shown(seen, [output])
        for topic, each in (seen.permits(START_S, ready=True) | seen.values()).items():
            watcher.take(topic, each.payload)
    check_config(CONFIG, seen.announcements()[CONFIG].payload)


def test_everything_is_off_by_default() -> None:
    """Without a word in the configuration nothing more is published or heard."""
    seen = translation(DashboardSettings())

    assert not DashboardSettings().any_wanted
    assert [*seen.announcements(), *seen.values(), *seen.subscriptions] == []


@pytest.mark.parametrize(
    "keys",
    [
        {"homie_domain": "Homie"},
        {"hub_prefix": "hub/#"},
        {"hub_prefix": "hub/"},
        {"hub_prefix": "$hub"},
        {"hub_birth_topic": "hub/status"},
    ],
)
def test_topics_that_cannot_work_are_refused(keys: dict[str, str]) -> None:
    """The message names the key."""
    with pytest.raises(ValueError, match=next(iter(keys))):
        DashboardSettings(**keys)  # type: ignore[arg-type]


def test_a_base_topic_becomes_an_identifier() -> None:
    """Capitals, slashes and signs are not allowed in one."""
    assert slug("Home/Reef_1") == "home-reef-1"
