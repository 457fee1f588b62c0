"""A page that is told the first hours of the story."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from bridge.shell.page_settings import PageSettings
from tests.support.page import TOKEN, Told

HOME = "http://127.0.0.1:9786"


@pytest.fixture
def make_told(tmp_path: Path) -> Iterator[Callable[..., Told]]:
    """Makes pages that are told the story."""
    made: list[Told] = []

    def make(page: PageSettings | None = None, **options: object) -> Told:
        folder = tmp_path / f"page-{len(made)}"
        folder.mkdir()
        told = Told(folder, page, **options)  # type: ignore[arg-type] # passed through
        made.append(told)
        return told

    yield make
    for told in made:
        told.close()


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Told]:
    """A page in the midst of bubbles, for tests that only look."""
    told = Told(tmp_path_factory.mktemp("looked-at"), until_h=6.6)
    yield told
    told.close()


def visitor(told: Told, *, peer: str = "127.0.0.1", base_url: str = HOME) -> TestClient:
    """A browser without scripts."""
    return TestClient(told.page.app(), base_url=base_url, client=(peer, 50000))


def keeper(told: Told, *, peer: str = "192.168.1.9", base_url: str = HOME) -> TestClient:
    """A browser that has logged in."""
    client = visitor(told, peer=peer, base_url=base_url)
    form = {"stamp": stamp(client.get("/login").text), "token": TOKEN}
    assert client.post("/login", data=form, follow_redirects=False).status_code == 303
    return client


def stamp(text: str) -> str:
    """The stamp in a page's forms."""
    _, found, rest = text.partition('name="stamp" value="')
    assert found, "there is no form"
    return rest.partition('"')[0]
