"""Whatever stands in a capture file: messages, or one sentence."""

import gzip
from pathlib import Path

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.cli import main
from bridge.core.events import Message
from bridge.shell.capture import CaptureError, CaptureReader
from bridge.shell.capture_line import line_of

LINES = b"".join(
    line_of(1_772_366_400.0 + n / 7, topic, payload, retain=n % 3 == 0)
    for n, (topic, payload) in enumerate(
        [("in/a", b"35.0"), ("in/b", b"\xff\x00"), ("µ/ü", b"{}"), ("in/a", b"")] * 6
    )
)
PACKED = {
    "": LINES,
    ".gz": gzip.compress(LINES, mtime=0),
    ".zst": zstandard.ZstdCompressor().compress(LINES),
}
values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inside: st.lists(inside, max_size=2) | st.dictionaries(st.text(), inside, max_size=2),
    max_leaves=4,
)
times = st.sampled_from(
    [
        *("2026-03-01T12:00:00Z", "2026-03-01T12:00:00+00:00", "2026-03-01", "12:00Z", "Z", ""),
        *("0001-01-01T00:00:00Z", "9999-12-31T23:59:59.999999Z", "2026-W09-7T12:00:00Z"),
        *("2026-03-01T12:00:00+23:59Z", "2026-03-01T12:00:00,5Z", "٢٠٢٦-03-01T12:00:00Z"),
    ]
)


def read(path: Path, content: bytes) -> list[Message] | str:
    """The messages, or what was said instead."""
    path.write_bytes(content)
    try:
        return list(CaptureReader(path))
    except CaptureError as refusal:
        return str(refusal)


def judge(path: Path, found: list[Message] | str) -> None:
    """Both outcomes are fine, if they are what they say."""
    if isinstance(found, str):
        assert path.name in found
        assert "\n" not in found
        return
    for before, message in zip([None, *found], found, strict=False):
        assert isinstance(message.topic, str)
        assert message.topic
        assert isinstance(message.payload, bytes)
        assert isinstance(message.retained, bool)
        assert message.at_s > -1e12
        assert before is None or before.at_s <= message.at_s


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """For the files."""
    return tmp_path_factory.mktemp("captures")


@settings(max_examples=150)
@given(suffix=st.sampled_from(list(PACKED)), content=st.binary(max_size=300))
def test_any_bytes(folder: Path, suffix: str, content: bytes) -> None:
    """Noise under any suffix."""
    path = folder / f"noise.jsonl{suffix}"

    judge(path, read(path, content))


@settings(max_examples=250)
@given(
    suffix=st.sampled_from(list(PACKED)),
    place=st.floats(0, 1),
    change=st.sampled_from(["cut", "flip", "insert", "repeat", "remove"]),
    byte=st.integers(0, 255),
)
def test_a_damaged_file(folder: Path, suffix: str, place: float, change: str, byte: int) -> None:
    """Cut off, a byte changed, something between: the first damage is told, or does no harm."""
    path = folder / f"damaged.jsonl{suffix}"
    whole = PACKED[suffix]
    at = min(int(place * len(whole)), len(whole) - 1)
    content = {
        "cut": whole[:at],
        "flip": whole[:at] + bytes([byte]) + whole[at + 1 :],
        "insert": whole[:at] + bytes([byte]) * 5 + whole[at:],
        "repeat": whole + whole[:at],
        "remove": whole[:at] + whole[at + 7 :],
    }[change]

    judge(path, read(path, content))


@settings(max_examples=250)
@given(
    st.dictionaries(
        st.sampled_from(["time", "topic", "payload", "payload_base64", "retain", "more"]), values
    )
    | st.fixed_dictionaries(
        {"time": times, "topic": st.text(max_size=5)},
        optional={"payload": values, "payload_base64": values, "retain": values},
    )
    | values
)
def test_any_document(folder: Path, document: object) -> None:
    """One line of JSON of any shape behind a good one."""
    import json  # noqa: PLC0415

    path = folder / "document.jsonl"
    good = line_of(0.0, "in/a", b"35", retain=False)

    judge(path, read(path, good + json.dumps(document).encode("utf-8", "surrogatepass")))


def test_a_damaged_gzip_is_told(folder: Path) -> None:
    """What zlib says of a stream inside a sound frame is no crash: a byte was changed here."""
    path = folder / "flipped.jsonl.gz"
    whole = bytearray(PACKED[".gz"])
    whole[int(0.75 * len(whole))] = 12

    assert isinstance(read(path, bytes(whole)), str)


@settings(max_examples=30)
@given(content=st.binary(max_size=80))
def test_the_command_says_so_too(folder: Path, content: bytes) -> None:
    """Exit code 0 or 2, and no output half written."""
    configuration = folder / "tank.toml"
    configuration.write_text(
        '[broker]\nhost = "x"\n[tanks.a]\nvolume_l = 1\n'
        'thermometer = { topic = "in/b" }\n'
        'probe = { topic = "in/a", unit = "psu", reports = "salinity" }\n'
    )
    source, output = folder / "source.jsonl", folder / "output.jsonl"
    source.write_bytes(LINES + content)
    output.unlink(missing_ok=True)
    words = ["--config", str(configuration), "--input", str(source), "--output", str(output)]
    code = main(["replay", *words])

    assert code in (0, 2)
    assert output.exists() is (code == 0)
