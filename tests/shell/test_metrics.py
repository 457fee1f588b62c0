"""Metrics say what is published, in base units, and never more than is true."""

import socket
import sys
import urllib.request
from collections.abc import Callable

import orjson
import pytest
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from prometheus_client.registry import Collector, CollectorRegistry

from bridge import __version__
from bridge.core.errors import UserError
from bridge.core.outputs import Publish
from bridge.core.wire.instants import iso_utc
from bridge.shell.metrics import Metrics, serve
from bridge.shell.metrics_settings import MetricsSettings
from tests.support.history import START_S, document, sample


def permit(state: str = "permit", lease_s: float = 90.0) -> Publish:
    """A permit document."""
    content = {"time": iso_utc(START_S), "state": state, "lease_s": lease_s, "reasons": []}
    return Publish(START_S, "tidegate/reef/permit/top-off", orjson.dumps(content))


def salinity(**changes: object) -> Publish:
    """A salinity document."""
    content = document(START_S) | changes
    return Publish(START_S, "tidegate/reef/salinity", orjson.dumps(content))


def values(metrics: Metrics) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """All samples, through the library's own writer and parser of the format."""

    class Adapter(Collector):
        def collect(self) -> object:  # type: ignore[override]
            return metrics.collect()

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Adapter())
    text = generate_latest(registry).decode()  # type: ignore[no-untyped-call]
    return {
        (found.name, tuple(sorted(found.labels.items()))): found.value
        for family in text_string_to_metric_families(text)  # type: ignore[no-untyped-call]
        for found in family.samples
    }


REEF = (("tank", "reef"),)
TOP_OFF = (("permit", "top-off"), ("tank", "reef"))


def metrics_at(now_s: float, counters: Callable[[], dict[str, int]] = dict) -> Metrics:
    """Metrics with the clock standing still."""
    return Metrics("tidegate", now_s=lambda: now_s, counters=counters)


def test_the_water_is_told_in_base_units() -> None:
    """Conductivity comes in S/m, temperature in degrees Celsius, salinity as it is."""
    metrics = metrics_at(START_S)
    metrics.observe(salinity(cause="bubbles"))
    metrics.observe(sample(START_S))

    found = values(metrics)

    assert found["tidegate_salinity", REEF] == 35.02
    assert found["tidegate_conductivity_25c_siemens_per_meter", REEF] == pytest.approx(5.31)
    assert found["tidegate_water_temperature_celsius", REEF] == 25.4
    assert found["tidegate_judgement_timestamp_seconds", REEF] == START_S
    assert found["tidegate_samples_total", REEF] == 1
    causes = {
        dict(labels)["tidegate_cause"]: value
        for (name, labels), value in found.items()
        if name == "tidegate_cause"
    }
    assert [cause for cause, value in causes.items() if value] == ["bubbles"]


def test_an_unknown_salinity_is_absent() -> None:
    """Nothing is shown rather than a number that is not known."""
    metrics = metrics_at(START_S)
    metrics.observe(salinity(salinity=None))

    assert ("tidegate_salinity", REEF) not in values(metrics)


@pytest.mark.parametrize(
    ("later_s", "state", "expected"),
    [(0, "permit", 1), (89, "permit", 1), (90, "permit", 0), (0, "hold", 0)],
)
def test_a_permit_ends_with_its_lease(later_s: float, state: str, expected: int) -> None:
    """Without a renewal the metric falls to 0 by itself."""
    metrics = metrics_at(START_S + later_s)
    metrics.observe(permit(state))

    assert values(metrics)["tidegate_permit", TOP_OFF] == expected


def test_an_alarm_goes_when_it_is_deleted() -> None:
    """An empty payload takes the alarm away, as it does on the broker."""
    metrics = metrics_at(START_S)
    content = {"time": iso_utc(START_S), "alarm": "bubbles", "active": True, "priority": "low"}
    topic = "tidegate/reef/alarm/bubbles"
    labels = (("alarm", "bubbles"), ("priority", "low"), ("tank", "reef"))
    metrics.observe(Publish(START_S, topic, orjson.dumps(content)))
    assert values(metrics)["tidegate_alarm_active", labels] == 1

    metrics.observe(Publish(START_S, topic, b""))

    assert ("tidegate_alarm_active", labels) not in values(metrics)


def test_other_topics_are_no_metrics() -> None:
    """A bare word or a result is passed over."""
    metrics = metrics_at(START_S)
    metrics.observe(Publish(START_S, "tidegate/state", b"ready"))
    metrics.observe(Publish(START_S, "tidegate/reef/result/shelve", b"{}"))
    metrics.observe(Publish(START_S, "elsewhere/reef/salinity", b"x"))

    assert values(metrics)["tidegate_build_info", (("version", __version__),)] == 1


def test_totals_of_the_shell_are_counters() -> None:
    """Each total carries the ending that the format wants."""
    metrics = metrics_at(START_S, counters=lambda: {"messages_dropped": 3})

    assert values(metrics)["tidegate_messages_dropped_total", ()] == 3


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.mark.loopback
def test_they_are_served_on_loopback_until_stopped() -> None:
    """A monitoring system gets the OpenMetrics format; a second daemon on the port is told."""
    metrics = metrics_at(START_S)
    metrics.observe(salinity())
    settings = MetricsSettings(enabled=True, port=free_port())
    stop = serve(metrics, settings)
    try:
        request = urllib.request.Request(
            f"http://127.0.0.1:{settings.port}/metrics",
            headers={"Accept": "application/openmetrics-text"},
        )
        with urllib.request.urlopen(request, timeout=5) as answer:  # noqa: S310 - ours
            assert answer.headers["Content-Type"].startswith("application/openmetrics-text")
            assert b'tidegate_salinity{tank="reef"} 35.02' in answer.read()
        with pytest.raises(UserError, match=r"\[metrics\] 127\.0\.0\.1:\d+ cannot be used"):
            serve(metrics, settings)
    finally:
        stop()


def test_they_are_off_and_local_by_default() -> None:
    """Nothing listens unless asked to, and then only on this machine."""
    assert MetricsSettings() == MetricsSettings(enabled=False, host="127.0.0.1")


def test_a_missing_library_is_explained(monkeypatch: pytest.MonkeyPatch) -> None:
    """The message says what to install."""
    monkeypatch.setitem(sys.modules, "prometheus_client", None)

    with pytest.raises(UserError, match=r"tidegate\[metrics\]"):
        serve(metrics_at(START_S), MetricsSettings(enabled=True))
