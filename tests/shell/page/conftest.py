"""A page that is told the first hours of the story."""

import shutil
import socket
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from selenium.webdriver import Chrome, ChromeOptions, ChromeService
from starlette.testclient import TestClient

from bridge.shell.page.server import serve
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


CHROMIUM, CHROMEDRIVER = shutil.which("chromium"), shutil.which("chromedriver")


def free_port() -> int:
    """A port of this machine that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def served(told: Told) -> Iterator[str]:
    """Serve a page for the length of the block."""
    settings = replace(told.loaded.configuration.page, port=free_port())
    stop = serve(told.page, settings)
    try:
        yield f"http://127.0.0.1:{settings.port}"
    finally:
        stop()


@contextmanager
def open_browser() -> Iterator[Chrome]:
    """A real browser without a window, and without a past."""
    if CHROMIUM is None or CHROMEDRIVER is None:
        pytest.skip("the programs chromium and chromedriver are not installed")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = ChromeOptions()
        options.binary_location = CHROMIUM
        for argument in (
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={profile}",
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        driver = Chrome(options=options, service=ChromeService(CHROMEDRIVER))
        driver.set_page_load_timeout(20)
        driver.set_script_timeout(30)
        try:
            yield driver
        finally:
            driver.quit()


@pytest.fixture(scope="module")
def browser() -> Iterator[Chrome]:
    """A browser for the tests of a module."""
    with open_browser() as driver:
        yield driver
