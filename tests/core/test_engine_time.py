"""Engine time never steps; what others read follows the wall clock."""

from dataclasses import replace
from typing import Any

import orjson
import pytest

from bridge.core.engine import CLOCK_SETTLING_S, Engine
from bridge.core.events import ClockStepped, LinkDown, LinkUp, Message
from bridge.core.outputs import Output, Publish, Record
from bridge.core.wire.instants import iso_utc, unix_s
from bridge.shell.stepping import feed
from tests.support.live import SETTINGS

START_S = 1_772_366_400.0
PERMIT = "tidegate/reef/permit/top-off"
REEF = SETTINGS.tanks["reef"]
STAMPED = replace(
    SETTINGS,
    tanks={"reef": replace(REEF, probe=replace(REEF.probe, path="value", time_path="time"))},
)


class Bench:
    """An engine that hears its sensors every five seconds."""

    def __init__(self, *, stamped: bool = False) -> None:
        self.engine = Engine(
            STAMPED if stamped else SETTINGS, boot_id="7f3a", at_s=START_S, state=None
        )
        self.stamped = stamped
        self.wall_ahead_s = 0.0
        self.now_s = START_S
        self.take(LinkUp(START_S))

    def take(self, event: Any) -> list[Output]:  # noqa: ANN401 # any event
        """An event, after the ticks before it."""
        outputs = feed(self.engine, event, since_s=self.now_s)
        self.now_s = event.at_s
        return outputs

    def listen(self, seconds: float) -> list[Output]:
        """Go on for a while."""
        outputs: list[Output] = []
        for number in range(int(seconds / 5)):
            at_s = self.now_s + 5.0
            outputs += self.take(Message(at_s, "home/water", b"25.0%d" % (number % 3)))
            value = f"53.0{number % 7}"
            if self.stamped:
                moment = iso_utc(at_s + self.wall_ahead_s)
                value = f'{{"value": {value}, "time": "{moment}"}}'
            outputs += self.take(Message(at_s, "home/probe", value.encode()))
        return outputs

    def set_clock(self, step_s: float) -> list[Output]:
        """The wall clock is set; sensors and readers have the right time."""
        self.wall_ahead_s += step_s
        return self.take(ClockStepped(self.now_s, step_s))


def documents(outputs: list[Output], topic: str) -> list[dict[str, Any]]:
    """What was published on a topic."""
    return [
        orjson.loads(output.payload)
        for output in outputs
        if isinstance(output, Publish) and output.topic == topic
    ]


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_documents_and_records_follow_the_wall_clock(step_s: float) -> None:
    """After a step every stated moment is the new clock's; what decides on sending is not."""
    bench = Bench()
    bench.listen(200.0)
    bench.set_clock(step_s)
    outputs = bench.listen(CLOCK_SETTLING_S + 120.0)

    permits = documents(outputs, PERMIT)
    assert permits[-1]["state"] == "permit"
    assert permits[-1]["clock_steps"] == 1
    for topic in (PERMIT, "tidegate/reef/salinity"):
        newest = unix_s(documents(outputs, topic)[-1]["time"])
        assert 0.0 <= bench.now_s + step_s - newest <= 31.0
    assert unix_s(permits[-1]["evidence"]) <= unix_s(permits[-1]["time"])
    samples = [each for each in outputs if isinstance(each, Record) and each.kind == "sample"]
    assert samples[-1].at_s == pytest.approx(bench.now_s + step_s)
    assert unix_s(samples[-1].data["time"]) == pytest.approx(samples[-1].at_s, abs=1e-3)
    assert all(
        abs(each.at_s - bench.now_s) < 200.0 for each in outputs if isinstance(each, Publish)
    )


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_stamps_of_sensors_are_read_by_the_new_clock(step_s: float) -> None:
    """A sensor that states its own time is neither stale nor from the future after a step."""
    bench = Bench(stamped=True)
    bench.listen(200.0)
    bench.set_clock(step_s)
    outputs = bench.listen(CLOCK_SETTLING_S + 120.0)

    assert documents(outputs, PERMIT)[-1]["state"] == "permit"
    evidence_s = unix_s(documents(outputs, PERMIT)[-1]["evidence"])
    assert bench.now_s + step_s - evidence_s <= 30.1


def test_a_step_holds_until_the_clock_has_settled() -> None:
    """Nothing is permitted for a minute, and a lease is not lengthened."""
    bench = Bench()
    assert documents(bench.listen(200.0), PERMIT)[-1]["state"] == "permit"

    held = documents(bench.set_clock(-3600.0), PERMIT)
    assert [each["state"] for each in held] == ["hold"]
    assert held[0]["first_reason"] == "clock"
    states = {each["state"] for each in documents(bench.listen(CLOCK_SETTLING_S - 5.0), PERMIT)}
    assert states <= {"hold"}


def test_link_that_is_up_again_says_every_permit_anew() -> None:
    """With or without a word about the break, and although nothing else has changed."""
    bench = Bench()
    bench.listen(200.0)

    told = documents(bench.take(LinkUp(bench.now_s)), PERMIT)
    assert [each["state"] for each in told] == ["hold"]
    bench.listen(120.0)
    bench.take(LinkDown(bench.now_s))
    told = documents(bench.take(LinkUp(bench.now_s)), PERMIT)
    assert [each["state"] for each in told] == ["hold"]
    assert documents(bench.listen(120.0), PERMIT)[-1]["state"] == "permit"


def command(name: str, text: str) -> Message:
    """A command at the start."""
    return Message(START_S, f"tidegate/reef/command/{name}", text.encode())


CHANGE = '{"id": "1", "litres": 30, "salinity": 34}'


def acted(outputs: list[Output], kind: str) -> int:
    """How many records of a kind there are."""
    return sum(isinstance(each, Record) and each.kind == kind for each in outputs)


def test_second_copy_of_a_command_is_answered_and_not_carried_out() -> None:
    """A redelivery within ten seconds gets the same answer; later it is a new command."""
    bench = Bench()
    bench.listen(200.0)
    now_s = bench.now_s
    topic = "tidegate/reef/result/water-change"

    first = bench.take(command("water-change", CHANGE)._replace(at_s=now_s))
    again = bench.take(command("water-change", CHANGE)._replace(at_s=now_s + 10.0))
    other = bench.take(
        command("water-change", CHANGE.replace("1", "2", 1))._replace(at_s=now_s + 10.0)
    )
    later = bench.take(command("water-change", CHANGE)._replace(at_s=now_s + 30.0))

    assert [acted(each, "water-change") for each in (first, again, other, later)] == [1, 0, 1, 1]
    assert documents(first, topic) == documents(again, topic)
    assert documents(first, topic)[0]["ok"] is True


def test_copies_are_remembered_over_a_restart_and_without_the_secret() -> None:
    """What is kept on disk holds the command, but not the shared secret."""
    settings = replace(SETTINGS, command_secret="hush-hush")  # noqa: S106 # for the test
    engine = Engine(settings, boot_id="7f3a", at_s=START_S)
    text = CHANGE.replace("}", ', "secret": "hush-hush"}')
    assert acted(engine.step(command("water-change", text)), "water-change") == 1

    again = Engine(settings, boot_id="7f3b", at_s=START_S, state=engine.state)

    assert acted(again.step(command("water-change", text)), "water-change") == 0
    assert "hush" not in str(engine.state)


def test_memory_of_commands_is_bounded() -> None:
    """A keeper who clicks all day fills no memory."""
    engine = Engine(SETTINGS, boot_id="7f3a", at_s=START_S)
    for number in range(50):
        engine.step(command("water-change", CHANGE.replace("1", str(number), 1)))

    assert len(engine.state.tanks["reef"].answered) <= 8
