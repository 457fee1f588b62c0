"""Another daemon on the same topics: both hold, whoever is right."""

from typing import Any

import orjson
import pytest

from bridge.core.events import Message
from bridge.core.outputs import Publish
from tests.core.engine_rig import PLAIN, Rig

HEARTBEAT = "tidegate/heartbeat"
PERMIT = "tidegate/reef/permit/top-off"


def permitting() -> Rig:
    """An engine that permits both groups."""
    rig = Rig()
    rig.run(60)
    assert rig.permit("top-off")["state"] == rig.permit("dosing")["state"] == "permit"
    return rig


def foreign(**changes: object) -> dict[str, Any]:
    """A permit document of somebody else."""
    return {"boot_id": "other", "state": "permit", "lease_s": 90, **changes}


def test_a_foreign_sign_of_life_holds_everything_at_once() -> None:
    """A heartbeat with another boot id on our own topic ends every permit in the same step."""
    rig = permitting()
    rig.send(HEARTBEAT, {"boot_id": "other", "count": 1})

    for name in PLAIN.permits:
        assert rig.permit(name)["state"] == "hold"
        assert rig.permit(name)["first_reason"] == "another-daemon"


def test_two_engines_that_hear_each_other_both_hold() -> None:
    """Neither wins: with each hearing the other's permits, no permit is left standing."""
    one, two = Rig(boot_id="one"), Rig(boot_id="two")
    for rig in (one, two):
        rig.run(60)
    said = {
        rig: [p for p in rig.published if p.topic.startswith("tidegate/reef/permit/")][-2:]
        for rig in (one, two)
    }
    for rig, other in ((one, two), (two, one)):
        for document in said[other]:
            rig.send(document.topic, document.payload)

    for rig in (one, two):
        assert {rig.permit(name)["state"] for name in PLAIN.permits} == {"hold"}


def test_two_that_hold_do_not_answer_each_other_for_ever() -> None:
    """A foreign hold is taken note of and not answered again, or two daemons would never end."""
    rig = permitting()
    rig.send(PERMIT, foreign(state="hold"))

    assert rig.permit()["first_reason"] == "another-daemon"
    assert rig.send(PERMIT, foreign(state="hold")) == []


def test_a_forged_permit_is_overwritten_each_time() -> None:
    """Whoever reads the topic finds our hold after each foreign permit, also while we hold."""
    rig = Rig()
    for _ in range(3):
        made = rig.send(PERMIT, foreign())
        said = [o for o in made if isinstance(o, Publish) and o.topic == PERMIT]
        assert [orjson.loads(o.payload)["state"] for o in said] == ["hold"]


@pytest.mark.parametrize("payload", [b"{}", b"permit", b'{"state":"permit"}', b"[1]", b"\xff"])
def test_whatever_somebody_else_writes_there_holds(payload: bytes) -> None:
    """What is not ours needs no boot id to be foreign on a permit topic."""
    rig = permitting()
    rig.send(PERMIT, payload)

    assert rig.permit()["first_reason"] == "another-daemon"


@pytest.mark.parametrize(
    ("topic", "payload", "retained"),
    [
        (HEARTBEAT, {"boot_id": "boot", "count": 2}, False),
        (HEARTBEAT, {"boot_id": "other", "count": 2}, True),
        (HEARTBEAT, b"no JSON", False),
        (HEARTBEAT, {"count": 2}, False),
        (PERMIT, foreign(), True),
        (PERMIT, foreign(boot_id="boot"), False),
        (PERMIT, foreign(boot_id="boot-guard", state="hold"), False),
        (PERMIT, foreign(boot_id="before-guard", state="hold"), False),
        (PERMIT, b"", False),
        ("tidegate/other/permit/top-off", foreign(), False),
    ],
)
def test_what_proves_nothing_changes_nothing(topic: str, payload: object, retained: bool) -> None:  # noqa: FBT001
    """Own messages, leftovers, a dead daemon's last will and other tanks are no second daemon."""
    rig = permitting()
    rig.step(
        Message(
            rig.now_s,
            topic,
            payload if isinstance(payload, bytes) else orjson.dumps(payload),
            retained,
        )
    )
    rig.run(3)

    assert rig.permit()["state"] == "permit"


def test_it_permits_again_when_the_other_is_gone() -> None:
    """A minute of quiet, then the usual way back; a permit is remembered for its lease."""
    rig = permitting()
    rig.send(HEARTBEAT, {"boot_id": "other"})
    rig.run(5)
    assert rig.permit()["reasons"] == ["another-daemon"]
    rig.run(12)
    assert rig.permit()["state"] == "permit"

    rig.send(PERMIT, foreign(lease_s=300))
    rig.run(25)
    assert "another-daemon" in rig.permit()["reasons"]
    rig.run(15)
    assert rig.permit()["state"] == "permit"


@pytest.mark.parametrize("lease_s", [1e300, -1, "90", None, True])
def test_a_foreign_lease_cannot_hold_for_ever(lease_s: object) -> None:
    """At most as long as the longest lease there is."""
    rig = permitting()
    rig.send(PERMIT, foreign(lease_s=lease_s))
    rig.run(105)

    assert rig.permit()["state"] == "permit"


def test_the_keeper_is_told_who_it_was() -> None:
    """One alarm of the installation, with the boot id and the topic, and one when it is over."""
    rig = permitting()
    rig.send(PERMIT, foreign(boot_id="0badcafe"))
    rig.run(2)
    told = [n for n in rig.notices if n.alarm == "another-daemon"]

    assert len(told) == 1
    assert "0badcafe" in told[0].body
    assert PERMIT in told[0].body
    assert any(p.topic == "tidegate/alarm/another-daemon" for p in rig.published)


def test_a_sign_of_life_is_no_input_of_a_capture() -> None:
    """A capture is replayed under another boot id: our own outputs in it must not hold it."""
    engine = Rig().engine

    assert HEARTBEAT not in engine.topics
    assert set(engine.watched_topics) == {HEARTBEAT, "tidegate/+/permit/+"}
