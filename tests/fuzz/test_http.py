"""Whatever a browser, a program or a stranger sends to the page: an answer, never a failure.

The page has no API description that a tool could read the routes from; they stand here.
"""

from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from bridge.shell.page import gatekeeper
from bridge.shell.page_settings import PageSettings
from tests.shell.page.conftest import HOME, stamp, visitor
from tests.support.page import TANK, Told

NAMES = [TANK, "nobody", "", "..", "%2e%2e", "%00", "x" * 300, "réef", "{tank}", "a/b", "<script>"]
COMMANDS = [
    *("reference-check", "acknowledge", "shelve", "service", "undo", "water-change", "bypass"),
    *("calibration", "fit", "nothing", "../bypass", "%ff"),
]
names, commands = st.sampled_from(NAMES), st.sampled_from(COMMANDS)
paths = st.one_of(
    st.sampled_from(["/", "/login", "/logout", "/settings", "//", "/favicon.ico", "/static/"]),
    st.builds(
        "/static/{}".format, st.sampled_from(["page.css", "../app.py", "%2e%2e/app.py", ".."])
    ),
    st.builds("/tank/{}".format, names),
    st.builds("/tank/{}/{}".format, names, st.sampled_from(["series.json", "records"])),
    st.builds("/tank/{}/enter/{}".format, names, commands),
    st.builds("/tank/{}/give/{}".format, names, commands),
    st.builds(
        "/tank/{}/answer/{}".format, names, st.sampled_from(["0", "1", "-1", "9" * 40, "x", "²"])
    ),
)
values = st.one_of(
    st.sampled_from(
        [
            *("", "0", "-1", "35", "35,1", "1e999", "-1e999", "nan", "inf", "1e308", "9" * 400),
            *("2026-03-01", "2026-03-01T12:00", "9999-12-31T23:59", "0001-01-01", "x" * 5000),
            *("start", "end", "top-off", "bubbles", "psu", "sg", "other", "٣٥", "\x00", "\ud800"),
        ]
    ).map(lambda text: text.encode("utf-8", "replace").decode()),
    st.text(max_size=20).map(lambda text: text.encode("utf-8", "replace").decode()),
)
QUERY = ["from", "to", "points", "width", "page", "kind", "days", "hours", "next", "span"]
FIELDS = [
    *("instrument", "unit", "readings", "reading", "salinity", "sample_temperature_c", "note"),
    *("minutes_ago", "expanded_uncertainty", "litres", "phase", "minutes", "permit", "reason"),
    *("alarm", "record", "token", "stamp", "more"),
]
HEADERS = {
    "origin": [HOME, "null", "http://elsewhere.example", "x"],
    "cookie": ["tidegate=", "tidegate=x; tidegate=y", "=;=;", "x" * 3000],
    "content-type": ["application/json", "multipart/form-data", "text/plain", "x/y; charset=q"],
    "accept-language": ["", "x" * 3000],
    "x-forwarded-for": ["127.0.0.1", "x", "127.0.0.1, ::1"],
    "content-length": ["-1", "x", "999999999"],
    "range": ["bytes=5-1"],
}
headers = st.dictionaries(st.sampled_from(list(HEADERS)), st.integers(0, 9), max_size=2).map(
    lambda chosen: {name: HEADERS[name][i % len(HEADERS[name])] for name, i in chosen.items()}
)
methods = st.sampled_from(
    ["GET", "GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "TRACE", "XYZ"]
)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Told]:
    """A page in the midst of bubbles."""
    made = Told(tmp_path_factory.mktemp("fuzzed"), PageSettings(enabled=True), until_h=6.6)
    yield made
    made.close()


@pytest.fixture(scope="module")
def client(told: Told) -> Iterator[TestClient]:
    """Somebody at this computer, who may do everything, and whom no rate limit ends."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("WRITES", "READS", "CHARTS", "LOG_INS", "ALL_LOG_INS"):
            patch.setattr(gatekeeper, name, (1_000_000, 1.0))
        yield visitor(told)


def judge(answer: object) -> None:
    """An answer that a page may give; an exception in the program would have come through."""
    status: int = answer.status_code  # type: ignore[attr-defined]
    assert status < 500, answer.text  # type: ignore[attr-defined]


@settings(max_examples=250)
@given(
    method=methods,
    path=paths,
    query=st.dictionaries(st.sampled_from(QUERY), values, max_size=3),
    sent=headers,
)
def test_any_request(
    client: TestClient, method: str, path: str, query: dict[str, str], sent: dict[str, str]
) -> None:
    """Methods, paths, queries and headers in any combination."""
    judge(client.request(method, path, params=query, headers=sent, follow_redirects=False))


@settings(max_examples=250)
@given(command=commands, fields=st.dictionaries(st.sampled_from(FIELDS), values, max_size=8))
def test_any_form(client: TestClient, command: str, fields: dict[str, str]) -> None:
    """A form of ours with anything in it, from somebody who may give commands."""
    fields["stamp"] = _stamp(client)
    judge(client.post(f"/tank/{TANK}/give/{command}", data=fields, follow_redirects=False))


@settings(max_examples=150)
@given(body=st.binary(max_size=300), sent=headers, path=paths)
def test_any_body(client: TestClient, body: bytes, sent: dict[str, str], path: str) -> None:
    """Bytes that are no form at all."""
    judge(client.post(path, content=body, headers=sent, follow_redirects=False))


def _stamp(client: TestClient) -> str:
    return stamp(client.get(f"/tank/{TANK}").text)
