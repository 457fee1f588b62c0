"""What the engine has learned survives a restart, or is set aside; it never stops the start."""

import copy
import logging
from pathlib import Path

import pytest
import zstandard

from bridge.core.engine import Engine, EngineState
from bridge.core.events import LinkUp, Message
from bridge.shell.engine_state import packed, resumed
from tests.core.engine_rig import FULL, settings
from tests.support.live import SETTINGS

START_S = 1_772_366_400.0


def make(state: EngineState | None) -> Engine:
    """An engine of one tank."""
    return Engine(SETTINGS, boot_id="7f3a", at_s=START_S, state=state)


@pytest.mark.parametrize("messages", [0, 200])
def test_state_reads_back_as_it_was(tmp_path: Path, messages: int) -> None:
    """Whatever is in it, infinities included, right after the start as after a while."""
    engine = make(None)
    engine.step(LinkUp(START_S))
    for number in range(messages):
        at_s = START_S + 5.0 * number
        engine.step(Message(at_s, "home/water", b"25.0"))
        engine.step(Message(at_s, "home/probe", b"53.%d" % (number % 7)))

    seen: list[EngineState | None] = []
    before = copy.deepcopy(engine.state)

    def remembering(state: EngineState | None) -> Engine:
        seen.append(copy.deepcopy(state))
        return make(state)

    resumed(packed(engine.state), remembering, aside=tmp_path / "aside")

    assert seen == [before]
    assert not (tmp_path / "aside").exists()


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b'{"tanks":{"reef":{"sequence":"many"}}}'])
def test_memory_that_is_no_use_is_set_aside(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, data: bytes
) -> None:
    """Learning starts anew, one sentence says so, and the bytes are kept."""
    aside = tmp_path / "history.unusable-state.json"

    with caplog.at_level(logging.WARNING):
        engine = resumed(data, make, aside=aside)

    assert engine.state == make(None).state
    assert aside.read_bytes() == data
    (record,) = caplog.records
    assert "learning starts anew" in record.getMessage()
    assert str(aside) in record.getMessage()
    assert record.exc_info is None


def test_engine_that_stumbles_over_its_memory_starts_fresh(tmp_path: Path) -> None:
    """A state that validates and still breaks the start costs the memory, not the start."""

    def picky(state: EngineState | None) -> Engine:
        if state is not None:
            raise KeyError("a bug of ours")
        return make(None)

    data = packed(make(None).state)
    engine = resumed(data, picky, aside=tmp_path / "aside")

    assert engine.state == make(None).state
    assert (tmp_path / "aside").read_bytes() == data


def test_full_disk_does_not_stop_the_start(tmp_path: Path) -> None:
    """What cannot be kept aside is lost, and said to be."""
    engine = resumed(b"{", make, aside=tmp_path / "missing" / "aside")

    assert engine.state == make(None).state


def test_what_an_older_version_learned_is_kept() -> None:
    """A memory that was written in November 2026 is understood, whatever was added since."""
    older = Path(__file__).parents[1] / "data" / "history" / "state-2026-11.json.zst"
    data = zstandard.ZstdDecompressor().decompress(older.read_bytes())
    remembered: list[EngineState | None] = []

    def start(state: EngineState | None) -> Engine:
        remembered.append(state)
        return Engine(settings(FULL), boot_id="new", at_s=START_S + 70_000.0, state=state)

    engine = resumed(data, start, aside=Path("nowhere"))

    assert remembered[0] is not None
    assert engine.state.tanks["reef"].reference.checks[0].instrument == "bench"
    assert engine.state.tanks["reef"].probe_at_s == START_S + 59_990.0
