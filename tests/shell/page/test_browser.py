"""The page in a real browser: live, by keyboard, on a phone, and for everybody.

Accessibility is judged by axe-core 4 (tests/data/axe-core, MPL-2.0), against WCAG 2.2 AA.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver import ActionChains, Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait

from bridge.shell.page_settings import PageSettings
from tests.shell.page.conftest import served
from tests.support.page import STORY, TANK, TOKEN, Told

pytestmark = [pytest.mark.browser, pytest.mark.loopback]

AXE = Path(__file__).parents[2] / "data" / "axe-core" / "axe.min.js"
MakeTold = Callable[..., Told]


def look(browser: Chrome, *, width: int = 1200, height: int = 900, dark: bool = False) -> None:
    """Choose a screen and a colour scheme, and forget what was before."""
    # A page that stays open would ask a server that is gone, and the console would tell.
    browser.get("about:blank")
    quiet(browser)
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})


def until(browser: Chrome, condition: Callable[[Chrome], object], timeout_s: float = 15.0) -> None:
    """Wait until something is true of the page."""
    WebDriverWait(browser, timeout_s, poll_frequency=0.1).until(condition)


def shows(element: WebElement, words: str, _: Chrome) -> bool:
    """Whether an element's text has some words in it."""
    return words in element.text


def part(browser: Chrome, name: str) -> str:
    """The text of one live part, as it is drawn."""
    # In one step: what is found in one and read in another may have been renewed in between.
    script = "return document.querySelector(`[data-part=${arguments[0]}]`).innerText"
    return str(browser.execute_script(script, name))


def quiet(browser: Chrome) -> list[str]:
    """What the console complains about."""
    entries: list[dict[str, str]] = browser.get_log("browser")  # type: ignore[no-untyped-call]
    return [entry["message"] for entry in entries]


@cache
def axe() -> str:
    """The source of axe-core."""
    return AXE.read_text(encoding="utf-8")


def violations(browser: Chrome) -> list[str]:
    """Serious and critical violations on the page as it stands."""
    browser.execute_script(axe())
    found: dict[str, Any] = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
        " 'best-practice']}).then(done, (error) => done({violations: [{id: String(error),"
        " impact: 'critical', nodes: []}]}));"
    )
    return [
        f"{entry['id']}: {[node['html'][:200] for node in entry['nodes']]}"
        for entry in found["violations"]
        if entry["impact"] in {"serious", "critical", "moderate"}
    ]


def test_the_story_is_seen_live(browser: Chrome, make_told: MakeTold) -> None:
    """Bubbles appear in cause, permits and chart while the page stands open, without a reload."""
    told = make_told(until_h=5.95)
    look(browser)
    with served(told) as home:
        browser.get(f"{home}/tank/{TANK}")
        assert "Nothing disturbs the reading." in part(browser, "why")
        assert "Allowed" in part(browser, "permits")
        browser.execute_script("window.unloaded = false")
        with told.going_on(speed=120.0):
            until(browser, lambda b: "bubbles" in part(b, "why"))
            until(browser, lambda b: "Bubbles" in part(b, "permits"))
            until(browser, lambda b: "probe 3" in b.find_element(By.ID, "chart-text").text)
        assert browser.execute_script("return window.unloaded") is False
        assert browser.find_element(By.CSS_SELECTOR, "#chart canvas").size["height"] > 200
        assert browser.find_element(By.ID, "spoken").get_attribute("textContent")
        assert quiet(browser) == []


def test_a_check_is_entered_and_answered(browser: Chrome, make_told: MakeTold) -> None:
    """By keyboard alone: the form is filled in, sent, and answered with what to do."""
    told = make_told(until_h=2.0)
    look(browser)
    with served(told) as home:
        browser.get(f"{home}/tank/{TANK}")
        browser.find_element(By.LINK_TEXT, "Check").send_keys(Keys.ENTER)
        until(browser, lambda b: b.find_elements(By.ID, "reading"))
        browser.find_element(By.ID, "reading").send_keys("35,1 35,0", Keys.ENTER)
        until(browser, lambda b: "/answer/" in b.current_url)
        text = browser.find_element(By.ID, "main").text
        assert "What to do" in text
        assert "Your measurement" in text
        browser.refresh()
        assert len(told.engine.state.tanks[TANK].reference.checks) == 1
        assert quiet(browser) == []


def test_an_alarm_is_acknowledged(browser: Chrome, make_told: MakeTold) -> None:
    """An opened alarm stays open while the page lives, and one key notes that it was seen."""
    told = make_told(until_h=6.6)
    look(browser)
    with served(told) as home:
        browser.get(f"{home}/tank/{TANK}")
        browser.find_element(By.CSS_SELECTOR, "#alarm-bubbles summary").send_keys(Keys.ENTER)
        focus = "document.getElementById('seen-bubbles').focus()"
        browser.execute_script(focus)
        before = part(browser, "now")
        with told.going_on(speed=30.0):
            until(browser, lambda b: part(b, "now") != before)
        assert browser.execute_script("return document.activeElement.id") == "seen-bubbles"
        browser.switch_to.active_element.send_keys(Keys.ENTER)
        until(browser, lambda b: "/answer/" in b.current_url)
        assert "you have seen the alarm" in browser.find_element(By.ID, "main").text
        browser.get(f"{home}/tank/{TANK}")
        assert not browser.find_elements(By.ID, "seen-bubbles")
        assert quiet(browser) == []


def test_the_chart_is_moved_and_zoomed(browser: Chrome, make_told: MakeTold) -> None:
    """Buttons and dragging change the stretch; what is in it is also there as text."""
    told = make_told(until_h=6.6)
    look(browser)
    with served(told) as home:
        browser.get(f"{home}/tank/{TANK}")
        text = browser.find_element(By.ID, "chart-text")
        until(browser, lambda _: "water" in text.text)
        for name, shown in (("Year", "2025"), ("Hour", "Mar 1, 2026, 1")):
            browser.find_element(By.XPATH, f"//button[text()='{name}']").click()
            until(browser, partial(shows, text, shown))
        browser.find_element(By.XPATH, "//button[text()='Earlier']").click()
        later = browser.find_element(By.XPATH, "//button[text()='To now']")
        assert later.is_displayed()
        before = text.text
        later.click()
        until(browser, lambda _: text.text != before)
        assert not later.is_displayed()
        before = text.text
        canvas = browser.find_element(By.CSS_SELECTOR, "#chart .u-over")
        ActionChains(browser).move_to_element(canvas).click_and_hold().move_by_offset(
            200, 0
        ).release().perform()
        until(browser, lambda b: b.find_element(By.XPATH, "//button[text()='To now']"))
        until(browser, lambda _: text.text != before)
        browser.find_element(By.XPATH, "//summary[text()='What happened in this stretch']").click()
        assert browser.find_element(By.ID, "chart-events").text
        assert quiet(browser) == []


def test_a_page_that_hears_nothing_says_so(browser: Chrome, make_told: MakeTold) -> None:
    """When the daemon is gone, the page says that it is old and permits nothing."""
    told = make_told(until_h=1.0)
    look(browser)
    with served(told) as home:
        browser.get(f"{home}/tank/{TANK}")
        until(browser, lambda b: b.find_element(By.ID, "spoken").get_attribute("data-said"))
        assert not browser.find_element(By.ID, "lost").is_displayed()
    until(browser, lambda b: b.find_element(By.ID, "lost").is_displayed())
    assert "hears nothing" in browser.find_element(By.ID, "lost").text


def test_the_overview_keeps_up(browser: Chrome, make_told: MakeTold) -> None:
    """The overview of several tanks follows what happens, is for everybody, and fits a phone."""
    tanks = STORY().scenario.settings().tanks
    told = make_told(until_h=5.95, tanks={**tanks, "pond": replace(tanks[TANK], name="Pond")})
    look(browser, width=320, height=700)
    with served(told) as home:
        browser.get(home)
        assert browser.find_element(By.ID, "main").text.count("Nothing disturbs") == 2
        told.tell_until(told.now_s + 1200.0)
        until(browser, lambda b: b.find_element(By.ID, "main").text.count("bubbles") >= 2)
        assert violations(browser) == []
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 320
        assert not browser.find_element(By.ID, "lost").is_displayed()
        assert quiet(browser) == []


PAGES = (
    f"/tank/{TANK}",
    f"/tank/{TANK}/records",
    f"/tank/{TANK}/enter/reference-check",
    f"/tank/{TANK}/enter/water-change",
    f"/tank/{TANK}/enter/bypass",
    f"/tank/{TANK}/enter/calibration",
    f"/tank/{TANK}/enter/fit",
    "/settings",
    "/nothing",
)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_every_page_is_for_everybody(browser: Chrome, looked_at: Told, *, dark: bool) -> None:
    """No page has an accessibility violation worth speaking of, by day or by night."""
    look(browser, dark=dark)
    with served(looked_at) as home:
        for path in PAGES:
            browser.get(home + path)
            browser.execute_script(
                "for (const e of document.querySelectorAll('details')) e.open = true"
            )
            assert violations(browser) == [], path


def test_log_in_and_answers_are_for_everybody(browser: Chrome, make_told: MakeTold) -> None:
    """The pages that only a keeper comes to hold to the same."""
    told = make_told(PageSettings(enabled=True, token=TOKEN), until_h=2.0)
    look(browser, width=390, height=844)
    with served(told) as home:
        browser.get(home)
        until(browser, lambda b: b.find_elements(By.ID, "token"))
        browser.find_element(By.ID, "token").send_keys("wrong", Keys.ENTER)
        until(browser, lambda b: "not the token" in b.page_source)
        assert violations(browser) == []
        browser.find_element(By.ID, "token").send_keys(TOKEN, Keys.ENTER)
        until(browser, lambda b: b.find_elements(By.ID, "live"))
        browser.get(f"{home}/tank/{TANK}/enter/reference-check")
        browser.find_element(By.ID, "reading").send_keys("thirty", Keys.ENTER)
        until(browser, lambda b: b.find_elements(By.ID, "error"))
        assert violations(browser) == []
        reading = browser.find_element(By.ID, "reading")
        reading.clear()
        reading.send_keys("34.8", Keys.ENTER)
        until(browser, lambda b: "/answer/" in b.current_url)
        assert violations(browser) == []
        browser.find_element(By.XPATH, "//button[text()='Log out']").click()
        until(browser, lambda b: b.find_elements(By.ID, "token"))


@pytest.mark.parametrize("width", [320, 390])
def test_every_page_fits_a_phone(browser: Chrome, looked_at: Told, width: int) -> None:
    """Nothing has to be scrolled sideways, and everything to touch is large enough."""
    look(browser, width=width, height=700)
    with served(looked_at) as home:
        for path in PAGES:
            browser.get(home + path)
            wide = browser.execute_script("return document.documentElement.scrollWidth")
            assert wide <= width, path
            small = browser.execute_script(
                "return [...document.querySelectorAll('button, select, input:not([type=hidden])')]"
                ".filter((e) => e.checkVisibility()).map((e) => [e.outerHTML.slice(0, 80),"
                " e.getBoundingClientRect()]).filter(([, r]) => r.width < 22 || r.height < 22)"
                ".map(([html]) => html)"
            )
            assert small == [], path
