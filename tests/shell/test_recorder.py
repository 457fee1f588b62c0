"""A recording holds what the daemon would have taken, byte for byte, and takes no part."""

import threading
import time
from pathlib import Path

import pytest

from bridge.core.events import Message
from bridge.shell.capture import CaptureReader, CaptureWriter
from bridge.shell.clock import EngineClock
from bridge.shell.recorder import Recorder
from tests.support.listener import Listener
from tests.support.live import broker_settings
from tests.support.mosquitto import Mosquitto


@pytest.mark.broker
def test_recording(broker: Mosquitto, tmp_path: Path) -> None:
    """Stored, live, binary and command messages are written with their flags, in order."""
    path = tmp_path / "c.jsonl.zst"
    recorder = Recorder(
        broker_settings(broker.port),
        base_topic="tidegate",
        topics=("home/#", "tidegate/reef/command/+"),
        clock=EngineClock(),
    )
    with Listener(broker.port) as listener:
        listener.publish("home/stored", b"1", retain=True)
        listener.forget()
        with CaptureWriter(path, keep_partial=True) as writer:
            thread = threading.Thread(target=recorder.run, args=[writer])
            thread.start()
            deadline = time.monotonic() + 5.0
            while not (recorder.connected and recorder.counters.messages_received):
                assert time.monotonic() < deadline
                time.sleep(0.01)
            listener.publish("home/live", b"2", retain=True)
            listener.publish("home/binary", b"\xff\x00")
            listener.publish("tidegate/reef/command/bypass", b"{}")
            listener.publish("elsewhere", b"3")
            time.sleep(0.2)
            recorder.stop()
            thread.join(5.0)
            assert not thread.is_alive()
        own = [each.topic for each in listener.heard]
    read = list(CaptureReader(path))

    assert [(m.topic, m.payload, m.retained) for m in read] == [
        ("home/stored", b"1", True),
        ("home/live", b"2", False),
        ("home/binary", b"\xff\x00", False),
        ("tidegate/reef/command/bypass", b"{}", False),
    ]
    assert not [topic for topic in own if topic.startswith("tidegate/state")], "it keeps silent"
    assert all(isinstance(m, Message) and abs(m.at_s - time.time()) < 60 for m in read)
