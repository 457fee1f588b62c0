"""The measurements themselves: they run, and what they count is right. Nothing here is timed."""

import pytest

from tests.performance.__main__ import main
from tests.performance.offline import by_history, by_tanks, parts, readings, replay
from tests.performance.wire import Wire, latencies_s, publish_packet, throughput
from tests.support.mosquitto import Mosquitto


@pytest.mark.broker
@pytest.mark.parametrize("qos", [0, 1])
def test_every_message_that_comes_back_is_counted_once(broker: Mosquitto, qos: int) -> None:
    """A client that hears its own messages counts as many answers as it sent."""
    wire = Wire(broker.port, "load", ("own/#",), qos=qos)
    packets = [
        publish_packet(f"own/{number % 7}", b"x" * 200, qos=qos, number=number)
        for number in range(1, 301)
    ]

    one_by_one = latencies_s(wire, packets, (b"own/",), rate_hz=500.0, count=20)
    together = throughput(wire, packets, (b"own/",), window=50, for_s=0.5)
    left = 0
    while found := wire.topics(0.3):
        left += len(found)
    wire.close()

    assert len(one_by_one) == 20
    assert together > 50
    assert left <= 50


@pytest.mark.broker
def test_daemon_and_echo_are_measured_side_by_side(capsys: pytest.CaptureFixture[str]) -> None:
    """One command at a small scale prints both columns."""
    assert main(["--quick", "--only", "live"]) == 0

    told = capsys.readouterr().out
    assert "| quality of service 0 | bare echo | daemon | ratio |" in told
    assert "| quality of service 1 | bare echo | daemon | ratio |" in told


def test_readings_come_in_order_and_in_turn() -> None:
    """What is replayed is as many messages as asked for, half of them of the probe."""
    found = list(readings(400, tanks=2))

    assert len(found) == 400
    assert [m.at_s for m in found] == sorted(m.at_s for m in found)
    assert sum(m.topic.endswith("/probe") for m in found) == 200


def test_what_needs_no_broker_runs_at_a_small_scale() -> None:
    """Every section gives a figure."""
    assert replay(200).messages == 200
    assert sum(parts(2_000).values()) > 0.0
    assert [each.size for each in by_tanks((1, 3), 600)] == [1, 3]
    assert [each.size for each in by_history((1,))] == [1]
