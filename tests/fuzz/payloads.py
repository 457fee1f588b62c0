"""Payloads that no sensor, hub or keeper should send."""

import random
from collections.abc import Callable

import orjson

NUMBERS = ["35", "-0", "1e999", "-1e999", "NaN", "1e-320", "0x10", "1_000", "٣٥", "35,0", "+.5e1"]
KEYS = [
    *("id", "time", "instrument", "reading", "unit", "salinity", "standard", "value", "phase"),
    *("litres", "alarm", "minutes", "permit", "reason", "secret", "note", "temperature_c"),
]
VALUES: list[object] = [
    *(None, True, False, 0, -1, 35.0, 1e308, -1e308, 2**63, -(2**63), 10**30 * 1.0),
    *("", "x", "start", "end", "top-off", "bubbles", "psu", "\ud7ff", "a" * 5000, "\u0000"),
    *("2026-03-01T12:00:00Z", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z", "yesterday"),
    *([], {}, [[]], {"id": {}}, ["x"] * 50),
]


def payload(rng: random.Random) -> bytes:
    """One of them."""
    if rng.random() < 0.001:
        return rng.choice(RARE)
    return rng.choice(KINDS)(rng)


def _document(rng: random.Random) -> bytes:
    """A document that is nearly a command or a reading."""
    keys = rng.sample(KEYS, rng.randrange(0, 8))
    return orjson.dumps({key: rng.choice(VALUES) for key in keys})


def _torn(rng: random.Random) -> bytes:
    """A document that was cut off, or had one byte changed."""
    whole = bytearray(_document(rng))
    if rng.random() < 0.5:
        return bytes(whole[: rng.randrange(len(whole))])
    whole[rng.randrange(len(whole))] = rng.randrange(256)
    return bytes(whole)


KINDS: list[Callable[[random.Random], bytes]] = [
    lambda rng: rng.randbytes(rng.randrange(0, 400)),
    lambda rng: rng.choice(NUMBERS).encode(),
    lambda rng: orjson.dumps({"sensors": {"value": rng.choice(VALUES), "at": rng.choice(VALUES)}}),
    lambda rng: b"9" * rng.randrange(1, 5000),
    lambda rng: b"[" * 2000 + b"]" * rng.randrange(2000),
    _document,
    _document,
    _torn,
]
RARE: list[bytes] = [
    b"x" * 1_000_000,
    b"[" * 60_000,
    orjson.dumps({"sensors": [{"value": number} for number in range(4000)]}),
]
