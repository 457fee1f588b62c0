"""Captures keep every message exactly, and say plainly what is wrong with a bad line."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.events import Message
from bridge.shell.capture import CaptureError, CaptureReader, CaptureWriter
from bridge.shell.capture_line import line_of

SUFFIXES = ["", ".gz", ".zst"]

messages = st.lists(
    st.builds(
        Message,
        # Microseconds are what a capture keeps.
        st.integers(0, 4_000_000_000_000_000).map(lambda us: us / 1e6),
        st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30),
        st.binary(max_size=80) | st.text(max_size=40).map(lambda text: text.encode()),
        st.booleans(),
    ),
    max_size=20,
).map(lambda drawn: sorted(drawn, key=lambda message: message.at_s))


def write(path: Path, drawn: list[Message]) -> bytes:
    """Write messages; the file's bytes."""
    with CaptureWriter(path) as writer:
        for message in drawn:
            writer.write(message.at_s, message.topic, message.payload, retain=message.retained)
    return path.read_bytes()


@given(messages)
def test_round_trip(tmp_path_factory: pytest.TempPathFactory, drawn: list[Message]) -> None:
    """Any topic and any bytes come back as they were, and the same messages give the same file."""
    for suffix in SUFFIXES:
        path = tmp_path_factory.mktemp("capture") / f"c.jsonl{suffix}"
        content = write(path, drawn)

        read = list(CaptureReader(path))

        assert [(m.topic, m.payload, m.retained) for m in read] == [
            (m.topic, m.payload, m.retained) for m in drawn
        ]
        assert [m.at_s for m in read] == pytest.approx([m.at_s for m in drawn], abs=2e-6)
        assert write(path, read) == content


def test_line_follows_the_contract() -> None:
    """Keys, their order and the form of the time are fixed."""
    assert (
        line_of(1772366400.25, "reef/probe", b"34.1", retain=False)
        == b'{"time":"2026-03-01T12:00:00.250000Z","topic":"reef/probe","payload":"34.1",'
        b'"retain":false}\n'
    )
    assert b'"payload_base64":"/w=="' in line_of(0.0, "t", b"\xff", retain=True)


def test_reader_takes_what_the_contract_allows(tmp_path: Path) -> None:
    """Seconds or fractions, extra keys, empty lines and a missing retain are all fine."""
    path = tmp_path / "c.jsonl"
    path.write_text(
        '{"time": "2026-03-01T12:00:00Z", "topic": "a", "payload": "1", "more": [1]}\n'
        "\n"
        '{"time": "2026-03-01T12:00:00.5+00:00", "topic": "b", "payload": "", "retain": true}\n',
        encoding="utf-8",
    )

    assert list(CaptureReader(path)) == [
        Message(1772366400.0, "a", b"1", retained=False),
        Message(1772366400.5, "b", b"", retained=True),
    ]


GOOD = '{"time":"2026-03-01T12:00:00Z","topic":"a","payload":"1","retain":false}'


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        ("{", "not JSON"),
        ("[1]", "not a JSON object"),
        ('{"topic":"a","payload":"1"}', "time is null; ISO 8601"),
        ('{"time":"yesterday","topic":"a","payload":"1"}', 'time is "yesterday"; ISO 8601'),
        ('{"time":"2026-03-01T12:00:00","topic":"a","payload":"1"}', "does not end in Z"),
        ('{"time":"2026-03-01T12:00:00+01:00","topic":"a","payload":"1"}', "does not end in Z"),
        ('{"time":5,"topic":"a","payload":"1"}', "time is 5; ISO 8601"),
        ('{"time":"2026-03-01T12:00:00Z","payload":"1"}', "topic is null; a text"),
        ('{"time":"2026-03-01T12:00:00Z","topic":"","payload":"1"}', 'topic is ""'),
        ('{"time":"2026-03-01T12:00:00Z","topic":"a","payload":34.1}', "payload is 34.1; a text"),
        ('{"time":"2026-03-01T12:00:00Z","topic":"a"}', "payload is null; a text"),
        ('{"time":"2026-03-01T12:00:00Z","topic":"a","payload_base64":"?"}', "base64"),
        ('{"time":"2026-03-01T12:00:00Z","topic":"a","payload":"1","retain":1}', "retain is 1"),
        ('{"time":"2026-03-01T11:59:58Z","topic":"a","payload":"1"}', "2 s before"),
    ],
)
def test_bad_line_is_named(tmp_path: Path, line: str, complaint: str) -> None:
    """One sentence: file, line number, what is there and what is accepted."""
    path = tmp_path / "c.jsonl"
    path.write_text(f"{GOOD}\n{line}\n", encoding="utf-8")

    with pytest.raises(CaptureError) as caught:
        list(CaptureReader(path))

    assert str(caught.value).startswith(f"{path}, line 2: ")
    assert complaint in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_damaged_file_is_named(tmp_path: Path, suffix: str) -> None:
    """A file that is not what its suffix says, or was cut off, is one sentence, no traceback."""
    path = tmp_path / f"c.jsonl{suffix}"
    path.write_text(GOOD, encoding="utf-8")
    with pytest.raises(CaptureError, match="cannot be read"):
        list(CaptureReader(path))
    drawn = [Message(float(number), "t", b"%d" % number) for number in range(5000)]
    path.write_bytes(write(path, drawn)[:-50])
    with pytest.raises(CaptureError, match="cannot be read"):
        list(CaptureReader(path))


def test_joined_files_are_one_capture(tmp_path: Path) -> None:
    """Compressed captures may be put one behind the other, as the formats allow."""
    for suffix in (".gz", ".zst"):
        path = tmp_path / f"c.jsonl{suffix}"
        first = write(path, [Message(1.0, "t", b"1")])
        second = write(path, [Message(2.0, "t", b"2")])
        path.write_bytes(first + second)

        assert [message.payload for message in CaptureReader(path)] == [b"1", b"2"]


def test_missing_file_is_named(tmp_path: Path) -> None:
    """A wrong name is the keeper's to mend."""
    with pytest.raises(CaptureError, match="No such file"):
        list(CaptureReader(tmp_path / "nothing"))
    with (
        pytest.raises(CaptureError, match="cannot be written"),
        CaptureWriter(tmp_path / "no" / "where"),
    ):
        pass
    with pytest.raises(CaptureError, match="directory"), CaptureWriter(tmp_path):
        pass


def write_and_fail(writer: CaptureWriter) -> None:
    """A crash after one message."""
    with writer:
        writer.write(0.0, "t", b"1", retain=False)
        raise RuntimeError


def test_output_appears_only_when_complete(tmp_path: Path) -> None:
    """An error leaves an older output as it was, and no half file beside it."""
    path = tmp_path / "c.jsonl"
    path.write_text("old", encoding="utf-8")
    with pytest.raises(RuntimeError):
        write_and_fail(CaptureWriter(path))

    assert path.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_recording_survives_an_error(tmp_path: Path) -> None:
    """What was recorded before a crash is still there, under its provisional name."""
    path = tmp_path / "c.jsonl"
    with pytest.raises(RuntimeError):
        write_and_fail(CaptureWriter(path, keep_partial=True))

    assert [m.payload for m in CaptureReader(tmp_path / "c.jsonl.partial")] == [b"1"]
