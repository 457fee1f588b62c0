"""The access list for the broker lets everyone do their work, and nobody another's."""

import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import SimpleNamespace

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from bridge.shell.config import load
from tests.support.mosquitto import Mosquitto

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
CONFIGURATION = DEPLOY / "mosquitto" / "mosquitto.conf"
ACCESS_LIST = DEPLOY / "mosquitto" / "acl"
NAMES = re.findall(r"(?m)^user (.+)$", ACCESS_LIST.read_text(encoding="utf-8"))
NOT_AUTHORISED = 0x87

pytestmark = pytest.mark.broker


@pytest.fixture(scope="module")
def passwords(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the script of the deployment makes."""
    directory = tmp_path_factory.mktemp("secrets")
    subprocess.run(  # noqa: S603 # the script is ours
        [shutil.which("bash") or "bash", str(DEPLOY / "make-passwords.sh"), str(directory)],
        check=True,
        capture_output=True,
        env={**os.environ, "PATH": f"{os.environ.get('PATH', '')}:/usr/bin:/usr/sbin"},
    )
    return directory


@pytest.fixture
def guarded(make_broker: Callable[..., Mosquitto], passwords: Path) -> Mosquitto:
    """A broker with the configuration of the deployment, on the loopback interface."""
    lines = [
        line.replace("/mosquitto/config/passwords", str(passwords / "passwords")).replace(
            "/mosquitto/config/acl", str(ACCESS_LIST)
        )
        for line in CONFIGURATION.read_text(encoding="utf-8").splitlines()
        # These stand in the fixture's own file.
        if not re.match(r"listener |log_|allow_anonymous |max_connections ", line)
    ]
    broker = make_broker(extra="\n".join(lines), anonymous=False)
    broker.start()
    return broker


@contextmanager
def connected(broker: Mosquitto, name: str | None, password: str = "") -> Iterator[SimpleNamespace]:
    """A client of that name, with what it hears and what the broker answered."""
    heard: list[MQTTMessage] = []
    answers: list[int] = []
    answered = threading.Condition()

    def note(value: int) -> None:
        with answered:
            answers.append(value)
            answered.notify_all()

    def answer(timeout_s: float = 5.0) -> int:
        with answered:
            assert answered.wait_for(lambda: bool(answers), timeout_s), "the broker did not answer"
            return answers.pop(0)

    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    if name is not None:
        client.username_pw_set(name, password)
    client.on_connect = lambda _c, _u, _f, reason, _p: note(reason.value)
    client.on_publish = lambda _c, _u, _mid, reason, _p: note(reason.value)
    client.on_subscribe = lambda _c, _u, _mid, reasons, _p: note(reasons[0].value)
    client.on_message = lambda _c, _u, message: heard.append(message)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        yield SimpleNamespace(client=client, heard=heard, answer=answer)
    finally:
        client.disconnect()
        client.loop_stop()


def test_there_is_a_password_for_everyone(passwords: Path) -> None:
    """Each has one of its own, the broker gets only hashes, and others cannot enter the folder."""
    plain = [(passwords / name).read_text(encoding="utf-8").strip() for name in NAMES]
    hashed = (passwords / "passwords").read_text(encoding="utf-8")

    assert len(set(plain)) == len(NAMES) >= 4
    assert [line.split(":")[0] for line in hashed.splitlines()] == NAMES
    assert all(len(password) >= 32 and password not in hashed for password in plain)
    assert passwords.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(("name", "password"), [(None, ""), ("tidegate", "wrong"), ("you", "x")])
def test_strangers_are_refused(guarded: Mosquitto, name: str | None, password: str) -> None:
    """Without a name, with a wrong password or an unknown name nobody gets in."""
    with connected(guarded, name, password) as stranger:
        assert stranger.answer() == NOT_AUTHORISED


OUTPUTS = [
    "tidegate/state",
    "tidegate/heartbeat",
    "tidegate/reef/salinity",
    "tidegate/reef/permit/top-off",
    "tidegate/reef/diagnosis",
    "tidegate/reef/alarm/bubbles",
    "tidegate/reef/result/bypass",
    "tidegate/alarm/another-daemon",
]
FORBIDDEN = [
    *(("sensors", topic) for topic in OUTPUTS),
    *(("actuator", topic) for topic in OUTPUTS),
    *(("hub", topic) for topic in OUTPUTS),
    ("sensors", "tidegate/reef/command/bypass"),
    ("actuator", "tidegate/reef/command/bypass"),
    ("actuator", "sump/salinity"),
    ("hub", "sump/salinity"),
    ("hub", "hub/device/tidegate/config"),
    ("hub", "homie/5/tidegate/$state"),
    ("sensors", "tidegate/command/acknowledge"),
    ("actuator", "hub/status"),
    ("tidegate", "sump/salinity"),
]


@pytest.mark.parametrize(("name", "topic"), FORBIDDEN)
def test_nobody_speaks_for_another(
    guarded: Mosquitto, passwords: Path, name: str, topic: str
) -> None:
    """What is not one's own to say is refused, permits before all."""
    password = (passwords / name).read_text(encoding="utf-8").strip()
    with connected(guarded, name, password) as client:
        assert client.answer() == 0
        client.client.publish(topic, b"{}", qos=1)
        assert client.answer() == NOT_AUTHORISED


ALLOWED = [
    ("sensors", "sump/salinity"),
    ("hub", "tidegate/reef/command/acknowledge"),
    ("hub", "tidegate/command/acknowledge"),
    ("hub", "tidegate/reef/dashboard/acknowledge"),
    ("hub", "homie/5/tidegate-reef/control/service/set"),
    ("hub", "hub/status"),
    ("tidegate", "hub/device/tidegate-reef/config"),
    ("tidegate", "homie/5/tidegate-reef/$description"),
    ("actuator", "tidegate/reef/gate/top-off"),
    ("actuator", "sump/equipment/top-off-pump"),
]


@pytest.mark.parametrize(("name", "topic"), ALLOWED)
def test_everyone_says_what_they_are_there_for(
    guarded: Mosquitto, passwords: Path, name: str, topic: str
) -> None:
    """Readings, commands and reports of actuators get through."""
    password = (passwords / name).read_text(encoding="utf-8").strip()
    with connected(guarded, name, password) as client:
        assert client.answer() == 0
        client.client.publish(topic, b"{}", qos=1)
        assert client.answer() in (0, 0x10)


def test_the_list_fits_the_minimal_configuration() -> None:
    """The sensors' topics of the minimal configuration are those of the list."""
    [tank] = load(str(ROOT / "config" / "minimal.toml")).tanks.values()

    assert tank.probe.topic.startswith("sump/")
    assert tank.thermometer.topic.startswith("sump/")


def test_the_daemon_works_with_these_rights(
    guarded: Mosquitto, passwords: Path, tmp_path: Path
) -> None:
    """With the least rights it gets ready, answers a reading, and says goodbye."""
    environment = {
        **{key: value for key, value in os.environ.items() if not key.startswith("TIDEGATE_")},
        "TIDEGATE_BROKER__HOST": "127.0.0.1",
        "TIDEGATE_BROKER__PORT": str(guarded.port),
        "TIDEGATE_BROKER__USERNAME": "tidegate",
        "TIDEGATE_BROKER__PASSWORD_FILE": str(passwords / "tidegate"),
    }
    words = ["run", "--config", str(ROOT / "config" / "minimal.toml"), "--health-file", "health"]
    daemon = subprocess.Popen(  # noqa: S603 # our own program
        [sys.executable, "-c", "import sys; from bridge.cli import main; sys.exit(main())", *words],
        cwd=tmp_path,
        env={**environment, "PYTHONPATH": str(ROOT)},
        stderr=subprocess.PIPE,
        text=True,
    )
    hub_password = (passwords / "hub").read_text(encoding="utf-8").strip()
    sensor_password = (passwords / "sensors").read_text(encoding="utf-8").strip()
    try:
        with (
            connected(guarded, "hub", hub_password) as hub,
            connected(guarded, "sensors", sensor_password) as sensors,
        ):
            assert hub.answer() == sensors.answer() == 0
            came = threading.Condition()

            def note(_client: object, _userdata: object, message: MQTTMessage) -> None:
                with came:
                    hub.heard.append((message.topic, bytes(message.payload)))
                    came.notify_all()

            hub.client.on_message = note
            hub.client.subscribe("tidegate/#", qos=1)

            def wait_for(topic: str, part: bytes) -> None:
                with came:
                    assert came.wait_for(
                        lambda: any(
                            heard == topic and part in payload for heard, payload in hub.heard
                        ),
                        timeout=10.0,
                    ), f"{part!r} was not heard on {topic}: {hub.heard[-5:]}"

            wait_for("tidegate/state", b"ready")
            sensors.client.publish("sump/temperature", b"25.4", qos=1)
            sensors.client.publish("sump/salinity", b"34.9", qos=1)
            wait_for("tidegate/reef/salinity", b'"reported":34.9')
            hub.client.publish("tidegate/reef/command/acknowledge", b'{"id":"here"}', qos=1)
            wait_for("tidegate/reef/result/acknowledge", b'"id":"here"')
            daemon.terminate()
            wait_for("tidegate/state", b"disconnected")
            assert daemon.wait(6.0) == 0
    finally:
        with suppress(ProcessLookupError):
            daemon.kill()
        daemon.communicate()


def test_the_broker_lets_in_only_who_has_a_name() -> None:
    """The line that this rests on is in the file itself, not only in the fixture above."""
    assert "\nallow_anonymous false\n" in CONFIGURATION.read_text(encoding="utf-8")
