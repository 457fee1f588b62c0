"""Every route: looking, and giving commands by forms."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import pytest
from starlette.testclient import TestClient

from bridge.core.outputs import Publish, Record
from bridge.core.wire.instants import iso_utc
from bridge.shell.page_settings import PageSettings
from tests.shell.page.conftest import HOME, keeper, stamp, visitor
from tests.support.page import TANK, TOKEN, Told

MakeTold = Callable[..., Told]
GUARDED = PageSettings(enabled=True, host="0.0.0.0", token=TOKEN)  # noqa: S104 - never bound
LAN = "http://192.168.1.2:9786"

PAGES = (
    f"/tank/{TANK}",
    f"/tank/{TANK}/records",
    f"/tank/{TANK}/enter/reference-check",
    f"/tank/{TANK}/enter/water-change",
    f"/tank/{TANK}/enter/bypass",
    f"/tank/{TANK}/enter/calibration",
    f"/tank/{TANK}/enter/fit",
    f"/tank/{TANK}/series.json",
    "/settings",
)
COMMANDS = (
    "reference-check",
    "acknowledge",
    "shelve",
    "service",
    "undo",
    "water-change",
    "bypass",
    "calibration",
    "fit",
)


def give(client: TestClient, command: str, **fields: str) -> Any:  # noqa: ANN401 - the client's own
    """Fill in a form of the tank's page."""
    text = client.get(f"/tank/{TANK}").text
    return client.post(f"/tank/{TANK}/give/{command}", data={"stamp": stamp(text), **fields})


@pytest.mark.parametrize("path", PAGES)
def test_every_page_is_shown_to_its_keeper(looked_at: Told, path: str) -> None:
    """Each page is there, is not kept by the browser, and allows nothing from elsewhere."""
    answer = visitor(looked_at).get(path)

    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert "server" not in answer.headers


@pytest.mark.parametrize("path", PAGES)
def test_pages_need_no_inline_script_or_style(looked_at: Told, path: str) -> None:
    """What the policy forbids is nowhere used."""
    text = visitor(looked_at).get(path).text

    for forbidden in ("<script>", "<style", " style=", " onclick=", "javascript:", "http://www"):
        assert forbidden not in text


@pytest.mark.parametrize("path", ["/nothing", "/tank/pond", f"/tank/{TANK}/enter/reboot"])
def test_what_is_not_there_is_said_so(looked_at: Told, path: str) -> None:
    """An unknown page is answered in a sentence."""
    answer = visitor(looked_at).get(path)

    assert answer.status_code == 404
    assert "That is not possible" in answer.text


def test_the_only_tank_is_the_start(looked_at: Told) -> None:
    """With one tank, the start leads straight to it."""
    answer = visitor(looked_at).get("/", follow_redirects=False)

    assert answer.headers["location"] == f"/tank/{TANK}"


def test_the_water_is_told_in_words(looked_at: Told) -> None:
    """Value, how sure, cause, evidence, first action, permits and alarms are all there."""
    text = visitor(looked_at).get(f"/tank/{TANK}").text

    assert "sure to within" in text
    assert "Reading looks like bubbles, not real change." in text
    assert "What speaks for it" in text
    assert "Do not calibrate." in text
    assert "Salinity dosing" in text
    assert "Held" in text
    assert "I have seen it" in text


def test_several_tanks_have_an_overview(make_told: MakeTold) -> None:
    """With more tanks, the start shows all of them."""
    told = make_told(until_h=0.02)
    tanks = told.loaded.configuration.tanks
    pond = replace(tanks[TANK], name="The <pond>")
    told = make_told(until_h=0.02, tanks={**tanks, "pond": pond})

    text = visitor(told).get("/").text

    assert "The &lt;pond&gt;" in text
    assert f'href="/tank/{TANK}"' in text
    assert text.count("sure to within") == 2


def test_a_fresh_start_claims_nothing(make_told: MakeTold) -> None:
    """Before anything is heard, nothing is known and everything is held."""
    told = make_told(until_h=0.02)
    told.page = told.another_page()

    text = visitor(told).get(f"/tank/{TANK}").text

    assert "no reading yet" in text
    assert "Not judged yet." in text
    assert "nothing has been decided yet" in text


def test_settings_hide_secrets(make_told: MakeTold) -> None:
    """No secret is shown among the settings."""
    told = make_told(GUARDED, until_h=0.02, command_secret="not-for-eyes")  # noqa: S106
    text = keeper(told, base_url=LAN).get("/settings").text

    assert "(hidden)" in text
    for secret in (TOKEN, "not-for-eyes", "the broker&#39;s", "the broker's"):
        assert secret not in text


@pytest.mark.parametrize("path", PAGES)
def test_a_stranger_sees_nothing(make_told: MakeTold, path: str) -> None:
    """Without a log-in there is the log-in page, and nothing about the tank."""
    told = make_told(GUARDED, until_h=0.02)
    client = visitor(told, peer="192.168.1.9", base_url=LAN)

    answer = client.get(path, follow_redirects=False)

    assert (answer.status_code, answer.headers.get("location")) in {(303, "/login"), (401, None)}
    assert len(answer.content) < 100


def test_open_to_read_lets_look_but_not_touch(make_told: MakeTold) -> None:
    """With open_to_read, a stranger sees the tank, no buttons, and not the settings."""
    told = make_told(replace(GUARDED, open_to_read=True), until_h=0.1)
    client = visitor(told, peer="192.168.1.9", base_url=LAN)

    text = client.get(f"/tank/{TANK}").text

    assert "Salinity of the water" in text
    assert "Begin service" not in text
    assert "I have seen it" not in text
    assert client.get("/settings", follow_redirects=False).status_code == 303
    assert client.get(f"/tank/{TANK}/enter/reference-check").status_code == 200


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("settings", [GUARDED, replace(GUARDED, open_to_read=True)])
def test_a_stranger_changes_nothing(
    make_told: MakeTold, settings: PageSettings, command: str
) -> None:
    """Without a log-in no command reaches the engine, whatever the form says."""
    told = make_told(settings, until_h=0.02)
    client = visitor(told, peer="192.168.1.9", base_url=LAN)
    form = {"stamp": stamp(client.get("/login").text), "phase": "start"}
    before = told.page.snapshot.version

    answer = client.post(f"/tank/{TANK}/give/{command}", data=form, follow_redirects=False)

    assert answer.headers["location"] == "/login"
    assert told.page.snapshot.version == before


def test_a_page_without_token_answers_its_own_machine_only(looked_at: Told) -> None:
    """Without a token neither another machine nor a proxy on this one is served."""
    assert visitor(looked_at, peer="192.168.1.9").get(PAGES[0]).status_code == 401
    forwarded = visitor(looked_at).get(PAGES[0], headers={"X-Forwarded-For": "192.168.1.9"})
    assert forwarded.status_code == 401
    rebound = visitor(looked_at, base_url="http://attacker.example:9786").get(PAGES[0])
    assert rebound.status_code == 421


def test_log_in_and_out(make_told: MakeTold) -> None:
    """The token opens the page until the log-out; its cookie is closed to scripts and sites."""
    told = make_told(GUARDED, until_h=0.02)
    client = visitor(told, peer="192.168.1.9", base_url=LAN)
    form = {"stamp": stamp(client.get("/login").text)}

    assert client.post("/login", data={**form, "token": "wrong"}).status_code == 403
    answer = client.post("/login", data={**form, "token": TOKEN}, follow_redirects=False)

    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "Secure" not in cookie
    text = client.get(f"/tank/{TANK}").text
    assert "Begin service" in text
    client.post("/logout", data={"stamp": stamp(text)})
    assert client.get(f"/tank/{TANK}", follow_redirects=False).headers["location"] == "/login"


def test_guessing_the_token_is_slow(make_told: MakeTold) -> None:
    """After a few wrong tokens even the right one has to wait."""
    told = make_told(GUARDED, until_h=0.02)
    client = visitor(told, peer="192.168.1.9", base_url=LAN)
    form = {"stamp": stamp(client.get("/login").text)}

    codes = [client.post("/login", data={**form, "token": "x"}).status_code for _ in range(6)]

    assert codes == [403] * 5 + [429]
    answer = client.post("/login", data={**form, "token": TOKEN}, follow_redirects=False)
    assert answer.status_code == 429


def test_a_proxy_names_the_visitor(make_told: MakeTold) -> None:
    """A trusted proxy's visitor may change things, with a cookie for TLS only."""
    settings = PageSettings(
        enabled=True,
        identity_header="X-Visitor",
        trusted_proxies=("127.0.0.1",),
        allowed_hosts=("reef.home.arpa",),
    )
    told = make_told(settings, until_h=0.02)
    client = visitor(told, base_url="https://reef.home.arpa")
    headers = {"X-Visitor": "anna", "X-Forwarded-Proto": "https", "X-Forwarded-For": "10.0.0.9"}

    answer = client.get(f"/tank/{TANK}", headers=headers)
    refused = client.get(f"/tank/{TANK}", headers={"X-Forwarded-For": "10.0.0.9"})

    assert "Begin service" in answer.text
    assert "Secure" in answer.headers["set-cookie"]
    assert refused.status_code == 401


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"data": {"phase": "start"}}, 403),
        ({"data": {"stamp": "0" * 64, "phase": "start"}}, 403),
        ({"headers": {"Origin": "http://attacker.example"}}, 403),
        ({"headers": {"Origin": "null"}}, 403),
        ({"headers": {"Sec-Fetch-Site": "cross-site"}}, 403),
        ({"headers": {"Sec-Fetch-Site": "same-site"}}, 403),
        ({"json": {"phase": "start"}}, 415),
        ({"files": {"phase": b"start"}}, 415),
        ({"content": b"x" * 20_000}, 413),
        ({"content": b"a=1&a=2"}, 400),
        ({"content": b"a=%ff%fe"}, 400),
        ({"content": b"\xff\xfe"}, 400),
        ({"content": b"&".join(b"a%d=1" % number for number in range(60))}, 400),
    ],
)
def test_hostile_forms_change_nothing(looked_at: Told, change: dict[str, Any], code: int) -> None:
    """Forms from elsewhere, without their stamp, too large or malformed are refused."""
    client = visitor(looked_at)
    good = {"stamp": stamp(client.get(f"/tank/{TANK}").text), "phase": "start"}
    urlencoded = {"Content-Type": "application/x-www-form-urlencoded"}
    request: dict[str, Any] = {"data": good, **change}
    if "json" in change or "content" in change or "files" in change:
        del request["data"]
    if "content" in change:
        request["headers"] = urlencoded
    before = looked_at.engine.state.tanks[TANK].service.phase

    answer = client.post(f"/tank/{TANK}/give/service", **request)

    assert answer.status_code == code
    assert looked_at.engine.state.tanks[TANK].service.phase == before


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(looked_at: Told, method: str) -> None:
    """Only looking and filling in forms is possible."""
    assert visitor(looked_at).request(method, f"/tank/{TANK}").status_code == 405


def test_changes_in_a_row_are_limited(make_told: MakeTold) -> None:
    """A program that fills in forms is slowed down."""
    told = make_told(until_h=0.02)
    client = visitor(told)
    form = {"stamp": stamp(client.get(f"/tank/{TANK}").text), "alarm": "none-such"}

    codes = [
        client.post(f"/tank/{TANK}/give/acknowledge", data=form, follow_redirects=False).status_code
        for _ in range(31)
    ]

    assert codes == [303] * 30 + [429]


def test_a_flood_of_charts_is_limited(looked_at: Told) -> None:
    """Whoever asks for charts without end is put off, and pages go on being served."""
    client = visitor(looked_at)

    codes = [client.get(f"/tank/{TANK}/series.json?from=1&to=2").status_code for _ in range(70)]

    assert codes[:50] == [200] * 50
    assert codes[-1] == 429
    assert client.get("/settings").status_code == 200


def test_a_reference_check_is_answered_with_advice(make_told: MakeTold) -> None:
    """A check gets the comparison and what to do, and stands in the records at once."""
    told = make_told(until_h=2.0)
    client = visitor(told)

    answer = give(
        client,
        "reference-check",
        instrument="bench-conductivity-meter",
        reading="53,0 53.1",
        unit="mS/cm",
        temperature_corrected="yes",
        sample_temperature_c="25",
        coefficient_pct_per_c="2.15",
        standard_checked="yes",
        minutes_ago="1",
        note="by the <window>",
    )

    assert answer.status_code == 200
    assert "/answer/" in str(answer.url)
    assert "What to do" in answer.text
    assert "Your measurement" in answer.text
    records = client.get(f"/tank/{TANK}/records").text
    assert "53, 53.1 mS/cm" in records
    assert "by the &lt;window&gt;" in records
    told.keep()
    assert client.get(f"/tank/{TANK}/records").text.count("53, 53.1 mS/cm") == 1


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"reading": ""}, "Reading is missing."),
        ({"reading": "thirty"}, "Reading: “thirty” is not a number."),
        ({"reading": "nan"}, "Reading: “nan” is not a number."),
        ({"reading": "1e999"}, "is not a number"),
        ({"reading": "35 " * 60}, "60 numbers; accepted are up to 50"),
        ({"reading": "35", "minutes_ago": "-5"}, "Minutes ago"),
        ({"reading": "35", "note": "x" * 201}, "longer than 200"),
        ({"reading": "35", "unit": "furlong"}, "unit"),
        ({"reading": "35", "unit": "mS/cm", "instrument": "glass-hydrometer"}, "does not read mS"),
        ({"reading": "<b>35"}, "“&lt;b&gt;35” is not a number"),
    ],
)
def test_a_mistake_in_the_form_is_explained(
    looked_at: Told, fields: dict[str, str], said: str
) -> None:
    """A mistake brings the form back, with what was entered and what is wrong."""
    answer = give(visitor(looked_at), "reference-check", **{"unit": "ppt", **fields})

    assert answer.status_code == 422
    assert said in answer.text
    assert 'name="reading"' in answer.text


def test_an_alarm_is_acknowledged_and_silenced(make_told: MakeTold) -> None:
    """What the keeper says about an alarm is carried out and seen on the page."""
    told = make_told(until_h=6.6)
    client = visitor(told)
    assert (
        'I have seen it<span class="hidden">: Reading looks like bubbles'
        in client.get(f"/tank/{TANK}").text
    )

    assert "you have seen the alarm" in give(client, "acknowledge", alarm="bubbles").text
    text = client.get(f"/tank/{TANK}").text
    assert 'I have seen it<span class="hidden">: Reading looks like bubbles' not in text
    assert "going on, seen" in text
    assert "Done" in give(client, "shelve", alarm="bubbles", minutes="60").text
    assert "Let it sound again" in client.get(f"/tank/{TANK}").text
    assert "Done" in give(client, "shelve", alarm="bubbles", minutes="0").text
    refused = give(client, "acknowledge", alarm="bubbles")
    assert "Not done" in refused.text
    assert "does not wait for it" in refused.text


def test_an_alarm_of_the_installation_is_acknowledged_and_silenced(make_told: MakeTold) -> None:
    """What concerns every tank is seen, silenced and logged on each tank's page."""
    told = make_told(until_h=1.0)
    told.storage("the disk is full", for_s=400.0)
    client = visitor(told)
    text = client.get(f"/tank/{TANK}").text
    assert "The history cannot be written." in text
    assert 'action="/give/acknowledge"' in text

    def give_plant(command: str, **fields: str) -> Any:  # noqa: ANN401 - the client's own
        data = {"stamp": stamp(text), "alarm": "storage-fault", "back": TANK, **fields}
        return client.post(f"/give/{command}", data=data)

    seen = give_plant("acknowledge")
    assert "you have seen the alarm" in seen.text
    assert f'href="/tank/{TANK}">Back to' in seen.text
    assert "going on, seen" in client.get(f"/tank/{TANK}").text
    assert "Done" in give_plant("shelve", minutes="60").text
    assert "Let it sound again" in client.get(f"/tank/{TANK}").text
    assert "Not done" in give_plant("acknowledge", alarm="bubbles").text
    assert 'href="/">Back to all tanks' in give_plant("shelve", minutes="0", back="//evil").text
    assert give_plant("service", phase="start").status_code == 404
    log = client.get(f"/tank/{TANK}/records").text
    assert "Alarm: The history cannot be written (going on, seen)." in log
    assert "Alarm: The history cannot be written (silenced for a while)." in log


def test_a_calibration_is_recorded_once_its_questions_are_answered(make_told: MakeTold) -> None:
    """A doubtful one is asked back with what was entered; confirmed it stands in the records."""
    told = make_told(until_h=2.0)
    client = visitor(told)
    fields = {
        "where": "daemon",
        "standard": "seawater",
        "value": "35",
        "unit": "psu",
        "temperature_c": "25,0",
        "reading_before": "47.0",
        "note": "new bottle",
    }

    assert "is missing" in give(client, "calibration", **fields | {"value": ""}).text
    asked = give(client, "calibration", **fields)
    assert "Not recorded yet" in asked.text
    assert 'value="new bottle"' in asked.text
    assert told.engine.state.tanks[TANK].reference.calibrations == []
    done = give(client, "calibration", **fields, confirm="yes")
    assert "Recorded" in done.text
    (record,) = told.engine.state.tanks[TANK].reference.calibrations
    assert (record.where, record.note, record.temperature_c) == ("daemon", "new bottle", 25.0)
    assert "new bottle" in client.get(f"/tank/{TANK}/records").text
    assert "taken back" in give(client, "undo", calibration=str(record.number)).text


def test_the_checks_advise_on_the_calibration(make_told: MakeTold) -> None:
    """Without checks it says what is missing; with them it shows the fit and applies on demand."""
    told = make_told(until_h=2.0)
    client = visitor(told)
    assert "There is no reference check to fit" in give(client, "fit").text
    for reading in ("34.0", "34.1"):
        give(client, "reference-check", instrument="laboratory", reading=reading, unit="ppt")

    text = give(client, "fit").text
    assert "By 2 checks" in text
    assert "The salinity would move by" in text
    assert "Apply it in Tidegate" in text
    assert told.engine.state.tanks[TANK].reference.calibrations == []
    applied = give(client, "fit", confirm="yes")
    assert "Recorded" in applied.text or "not applied" in applied.text


def test_service_begins_and_ends(make_told: MakeTold) -> None:
    """Service mode holds everything, is seen, and ends into settling."""
    told = make_told(until_h=1.0)
    client = visitor(told)

    give(client, "service", phase="start", minutes="30")
    text = client.get(f"/tank/{TANK}").text
    assert "Service is on." in text
    assert "Allowed" not in text
    assert "End service" in text
    give(client, "service", phase="end")
    assert "the tank settles" in client.get(f"/tank/{TANK}").text


def test_service_is_remembered_over_a_restart(make_told: MakeTold) -> None:
    """A page that starts while somebody is at work says so before anything is heard."""
    told = make_told(until_h=0.5)
    give(visitor(told), "service", phase="start", minutes="120")
    told.keep()

    again = told.another_page()

    assert again.snapshot.tank(TANK).service == told.page.snapshot.tank(TANK).service


def test_a_hold_is_bypassed_and_the_bypass_ended(make_told: MakeTold) -> None:
    """A bypass asks for a reason, lets act, and can be ended."""
    told = make_told(until_h=6.2)
    client = visitor(told)
    assert "Bypass the hold" in client.get(f"/tank/{TANK}").text

    refused = give(client, "bypass", permit="salinity-dosing", minutes="10", reason="")
    assert refused.status_code == 422
    too_long = give(client, "bypass", permit="salinity-dosing", minutes="600", reason="test")
    assert "accepted is 0" in too_long.text
    assert (
        "Done"
        in give(
            client, "bypass", permit="salinity-dosing", minutes="10", reason="I stand here"
        ).text
    )
    assert "End the bypass" in client.get(f"/tank/{TANK}").text
    give(client, "bypass", permit="salinity-dosing", minutes="0", reason="over")
    assert "End the bypass" not in client.get(f"/tank/{TANK}").text


def test_a_water_change_is_told(make_told: MakeTold) -> None:
    """A water change needs its litres and salinity, and is noted."""
    told = make_told(until_h=0.5)
    client = visitor(told)

    assert "Litres is missing" in give(client, "water-change", phase="").text
    done = give(client, "water-change", phase="", litres="20", salinity="34,5")
    assert "The water change is noted." in done.text
    assert "Water change, 20 l" in client.get(f"/tank/{TANK}/records").text


def test_a_check_is_taken_back(make_told: MakeTold) -> None:
    """A mistaken check is struck out, not removed."""
    told = make_told(until_h=1.0)
    client = visitor(told)
    give(client, "reference-check", reading="30", unit="ppt", instrument="other")

    assert "taken back" in give(client, "undo", check="1").text
    text = client.get(f"/tank/{TANK}/records").text
    assert 'class="gone"' in text
    assert "Not done" in give(client, "undo", check="7").text


def test_a_silent_engine_is_not_waited_for_long(make_told: MakeTold) -> None:
    """Without an answer the keeper is told that it is not known what happened."""
    told = make_told(until_h=0.02)
    told.deaf = True
    told.page.desk.wait_s = 0.05

    answer = give(visitor(told), "service", phase="start")

    assert "There was no answer within" in answer.text


def test_a_lost_broker_holds_everything(make_told: MakeTold) -> None:
    """While the daemon is not connected nothing is shown as allowed."""
    told = make_told(until_h=1.0)
    client = visitor(told)
    assert ">Allowed<" in client.get(f"/tank/{TANK}").text

    told.trouble = "connection refused"
    text = client.get(f"/tank/{TANK}").text

    assert "Not connected:" in text
    assert "connection refused" in text
    assert ">Allowed<" not in text


def test_a_lease_that_ran_out_permits_nothing(make_told: MakeTold) -> None:
    """When the decision loop stalls, permits and value are no longer vouched for."""
    told = make_told(until_h=1.0)
    client = visitor(told)
    told.now_s += 200.0
    assert ">Allowed<" not in client.get(f"/tank/{TANK}").text

    told.now_s += 1000.0

    assert "has not judged it lately" in client.get(f"/tank/{TANK}").text


def test_an_unreadable_history_is_told(make_told: MakeTold) -> None:
    """Without a history the records say why, and show what they can."""
    told = make_told(until_h=0.5)
    client = visitor(told)
    give(client, "service", phase="start")
    Path(told.loaded.configuration.storage.path).unlink()

    text = client.get(f"/tank/{TANK}/records").text

    assert "There is no history" in text
    assert "Service begun" in text
    assert client.get(f"/tank/{TANK}").status_code == 200


def test_an_answer_is_for_its_tank_only(make_told: MakeTold) -> None:
    """A made-up or foreign number shows nothing."""
    told = make_told(until_h=0.02)
    client = visitor(told)

    assert client.get(f"/tank/{TANK}/answer/nothing").status_code == 404


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("from=a", 400),
        ("from=nan", 400),
        ("to=1e300", 400),
        ("from=5&to=4", 400),
        ("from=1&to=2&points=999999999", 200),
        ("from=0&to=99999999999&points=0", 200),
    ],
)
def test_a_chart_of_any_stretch_is_bounded(looked_at: Told, query: str, code: int) -> None:
    """Whatever stretch is asked for, the answer is a chart of bounded size or a refusal."""
    answer = visitor(looked_at).get(f"/tank/{TANK}/series.json?{query}")

    assert answer.status_code == code
    assert len(answer.content) < 200_000


def test_static_files_are_kept_by_the_browser(looked_at: Told) -> None:
    """Scripts and style are squeezed, may be kept for ever, and come from here only."""
    answer = visitor(looked_at).get("/static/page.css")

    assert answer.headers["content-encoding"] == "gzip"
    assert "immutable" in answer.headers["cache-control"]
    assert "set-cookie" not in answer.headers
    plain = visitor(looked_at).get("/static/page.css", headers={"Accept-Encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert plain.text == answer.text
    for name in ("uplot.LICENSE", "../app.py", "..%2fapp.py", "page.css.map"):
        assert visitor(looked_at).get(f"/static/{name}").status_code == 404


def test_texts_from_outside_are_never_markup(make_told: MakeTold) -> None:
    """What devices, commands and files say is shown as text."""
    told = make_told(until_h=1.0)
    at_s = told.now_s
    evil = "<script>alert(1)</script>"
    told.page.observe(
        Publish(
            at_s,
            f"tidegate/{TANK}/diagnosis",
            orjson.dumps(
                {
                    "time": iso_utc(at_s),
                    "since": iso_utc(at_s),
                    "cause": "bubbles",
                    "causes": [
                        {"cause": "bubbles", "probability": 1, "evidence": [evil], "action": evil}
                    ],
                }
            ),
        )
    )
    told.page.observe(
        Record(at_s, TANK, "permit", {"permit": evil, "bypass_until_s": 1.0, "why": evil})
    )
    client = visitor(told)

    for path in PAGES:
        assert evil not in client.get(path).text or path.endswith(".json")
    assert "&lt;script&gt;alert" in client.get(f"/tank/{TANK}").text


def test_home_is_what_browsers_say() -> None:
    """The tests ask under the name that a browser on this machine would use."""
    assert HOME.startswith("http://127.0.0.1:")
