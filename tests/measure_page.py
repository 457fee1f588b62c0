"""Measures the page: ``python -m tests.measure_page``; minutes long, no part of the tests.

Writes one tank-year of a sample each 10 s, serves the page over it, and looks at it with a real
browser that keeps nothing. The numbers stand in docs/page.md. A folder given as argument
keeps the year for the next time.
"""

import os
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from urllib.request import urlopen

from bridge.core.outputs import Record
from bridge.shell.history_writer import HistoryWriter
from bridge.shell.page.app import Page
from bridge.shell.page.server import serve
from bridge.shell.page_settings import PageSettings
from bridge.shell.storage_settings import StorageSettings
from tests.measure_history import DAY_S, HOUR_S, batches, say
from tests.shell.page.conftest import free_port, open_browser
from tests.support.history import START_S, sample
from tests.support.page import STORY, TANK, loaded

END_S = START_S + 365 * DAY_S
CHARTS = 9
VIEWS = 10
"""Of which the first, in which the browser itself wakes up, does not count."""
VIEW = """
const all = performance.getEntriesByType("navigation")
  .concat(performance.getEntriesByType("resource"))
  .filter((e) => !e.name.endsWith("/live"));
return [
  all[0].responseEnd,
  performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? NaN,
  Math.max(...all.map((e) => e.responseEnd)),
  all.reduce((sum, e) => sum + e.transferSize, 0),
]
"""


def write_a_year(path: Path) -> None:
    """Samples, and what happens besides: top-offs, switching, a check a week."""
    writer = HistoryWriter(StorageSettings(path=str(path)))
    for hour, batch in enumerate(batches(365, HOUR_S)):
        at_s = START_S + hour * HOUR_S
        events = [
            Record(at_s + 60, TANK, "litres", {"litres": 0.3}),
            Record(at_s + 50, TANK, "equipment", {"name": "top-off-pump", "on": True}),
            Record(at_s + 80, TANK, "equipment", {"name": "top-off-pump", "on": False}),
        ]
        if hour % 168 == 0:
            events.append(
                Record(at_s, TANK, "check", {"reference_psu": 35.0, "instrument": "laboratory"})
            )
        writer.write([*batch, *events])
    writer.close()


def measure(folder: Path) -> None:
    """First views by a fresh browser, and charts by themselves."""
    path = folder / "year.sqlite3"
    if not path.exists():
        write_a_year(path)
    settings = PageSettings(enabled=True, port=free_port())
    configuration = loaded(STORY().scenario.settings(), folder, settings)
    configuration = replace(
        configuration,
        configuration=replace(configuration.configuration, storage=StorageSettings(path=str(path))),
    )
    page = Page(configuration, now_s=lambda: END_S, submit=lambda *_: None, trouble=lambda: None)
    page.observe(sample(END_S - 5))
    stop = serve(page, settings)
    home = f"http://127.0.0.1:{settings.port}"
    for name, days in (("year", 365), ("month", 30), ("week", 7), ("day", 1), ("hour", 1 / 24)):
        times, size = [], 0
        cpu_s = time.process_time()
        for _ in range(CHARTS):
            started = time.perf_counter()
            query = f"from={END_S - days * DAY_S}&to={END_S}&points=1000"
            with urlopen(f"{home}/tank/{TANK}/series.json?{query}") as answer:  # noqa: S310
                size = len(answer.read())
            times.append(time.perf_counter() - started)
        cpu_s = (time.process_time() - cpu_s) / CHARTS
        say(
            f"chart of a {name}: {statistics.median(times) * 1e3:.0f} ms ({cpu_s * 1e3:.0f} ms of "
            f"CPU), {size / 1e3:.0f} kB"
        )
    views = []
    with open_browser() as browser:
        browser.execute_cdp_cmd("Network.enable", {})
        browser.execute_cdp_cmd("Network.setCacheDisabled", {"cacheDisabled": True})
        for _ in range(VIEWS):
            browser.get("about:blank")
            browser.get(f"{home}/tank/{TANK}")
            while not browser.execute_script("return document.querySelector('#chart canvas')"):
                time.sleep(0.01)
            views.append(browser.execute_script(VIEW))
    html_ms, painted_ms, whole_ms, size = (
        statistics.median(column) for column in zip(*views[1:], strict=True)
    )
    say(
        f"first view: page {html_ms:.0f} ms, painted {painted_ms:.0f} ms, chart's data "
        f"{whole_ms:.0f} ms, {size / 1e3:.0f} kB; load {os.getloadavg()[0]:.1f}"
    )
    stop()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measure(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as name:
            measure(Path(name))
