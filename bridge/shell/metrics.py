"""Metrics in the OpenMetrics format, for monitoring systems; needs the extra ``metrics``.

The newest documents are kept as they are and only understood when somebody asks, so the decision
loop pays next to nothing. A permit counts only while its lease runs: silence never means permit.
"""

import threading
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

import orjson

from bridge import __version__
from bridge.core.errors import UserError
from bridge.core.findings import Cause
from bridge.core.outputs import Output, Publish, Record
from bridge.core.wire.instants import unix_s
from bridge.shell.history import HistoryHealth
from bridge.shell.metrics_settings import MetricsSettings

if TYPE_CHECKING:
    from prometheus_client import Metric

TANK_LEVELS: Final = 2
NAMED_LEVELS: Final = 3

GAUGES: Final = (
    # name, key of the salinity document, factor to the base unit, help
    ("salinity", "salinity", 1.0, "Best estimate of the practical salinity."),
    ("salinity_uncertainty", "uncertainty", 1.0, "Expanded uncertainty (k = 2) of the salinity."),
    ("probe_salinity", "probe_salinity", 1.0, "Practical salinity by the newest sample alone."),
    ("water_temperature_celsius", "temperature", 1.0, "Water temperature."),
    (
        "conductivity_25c_siemens_per_meter",
        "conductivity_25c",
        0.1,  # 1 mS/cm is 0.1 S/m
        "Conductivity at 25 degrees Celsius.",
    ),
    ("specific_gravity_ratio", "specific_gravity", 1.0, "Specific gravity as published."),
    (
        "qartod_flag",
        "qartod",
        1.0,
        "QARTOD flag: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing.",
    ),
)


class Metrics:
    """Takes every output of the engine; gives the metrics when asked.

    Args:
        base_topic: Of the published documents.
        now_s: Engine time, to end a permit with its lease.
        counters: Totals of the shell by name.
        history: How the history is doing.
    """

    def __init__(
        self,
        base_topic: str,
        *,
        now_s: Callable[[], float],
        counters: Callable[[], Mapping[str, int]] = dict,
        history: Callable[[], HistoryHealth] | None = None,
    ) -> None:
        self._prefix = base_topic + "/"
        self._now_s = now_s
        self._counters = counters
        self._history = history
        self._lock = threading.Lock()
        self._documents: dict[tuple[str, ...], bytes] = {}
        self._samples: dict[str, int] = {}

    def observe(self, output: Output) -> None:
        """Take in one output."""
        match output:
            case Publish(topic=topic, payload=payload) if topic.startswith(self._prefix):
                levels = tuple(topic[len(self._prefix) :].split("/"))
                if not _wanted(levels):
                    return
                with self._lock:
                    if payload:
                        self._documents[levels] = payload
                    else:
                        self._documents.pop(levels, None)
            case Record(kind="sample", tank=tank):
                with self._lock:
                    self._samples[tank] = self._samples.get(tank, 0) + 1
            case _:
                pass

    def collect(self) -> Iterator["Metric"]:
        """The metrics of this moment, as prometheus_client wants them."""
        from prometheus_client.core import (  # noqa: PLC0415 - an extra
            CounterMetricFamily,
            GaugeMetricFamily,
            InfoMetricFamily,
        )

        with self._lock:
            documents = {levels: orjson.loads(text) for levels, text in self._documents.items()}
            samples = dict(self._samples)
        yield InfoMetricFamily("tidegate_build", "The running version.", {"version": __version__})
        taken = CounterMetricFamily("tidegate_samples", "Probe samples judged.", labels=["tank"])
        for tank, count in samples.items():
            taken.add_metric([tank], count)
        yield taken
        yield from self._water(documents)
        yield from self._permits(documents)
        for name, total in self._counters().items():
            yield CounterMetricFamily(
                f"tidegate_{name}", "Since the start of the daemon.", value=total
            )
        if self._history is not None:
            health = self._history()
            for name in ("written", "dropped", "refused", "late", "failures"):
                yield CounterMetricFamily(
                    f"tidegate_history_{name}",
                    "See the page on the history.",
                    value=getattr(health, name),
                )
            yield GaugeMetricFamily(
                "tidegate_history_size_bytes", "Data in the history.", value=health.size_mb * 1e6
            )
            yield GaugeMetricFamily(
                "tidegate_history_fault",
                "1 while the history needs a look.",
                value=health.fault is not None,
            )

    @staticmethod
    def _water(documents: Mapping[tuple[str, ...], Any]) -> Iterator["Metric"]:
        from prometheus_client.core import GaugeMetricFamily, StateSetMetricFamily  # noqa: PLC0415

        salinity = {
            levels[0]: document
            for levels, document in documents.items()
            if len(levels) == TANK_LEVELS
        }
        for name, key, factor, text in GAUGES:
            gauge = GaugeMetricFamily(f"tidegate_{name}", text, labels=["tank"])
            for tank, document in salinity.items():
                if document.get(key) is not None:
                    gauge.add_metric([tank], document[key] * factor)
            yield gauge
        moment = GaugeMetricFamily(
            "tidegate_judgement_timestamp_seconds", "Of the newest judgement.", labels=["tank"]
        )
        cause = StateSetMetricFamily(
            "tidegate_cause", "What disturbs the reading.", labels=["tank"]
        )
        for tank, document in salinity.items():
            moment.add_metric([tank], unix_s(document["time"]))
            cause.add_metric([tank], {name.value: name == document["cause"] for name in Cause})
        yield moment
        yield cause

    def _permits(self, documents: Mapping[tuple[str, ...], Any]) -> Iterator["Metric"]:
        from prometheus_client.core import GaugeMetricFamily  # noqa: PLC0415

        labels = ["tank", "permit"]
        permit = GaugeMetricFamily("tidegate_permit", "1 while permitted.", labels=labels)
        end = GaugeMetricFamily(
            "tidegate_permit_end_timestamp_seconds", "End of the newest lease.", labels=labels
        )
        alarm = GaugeMetricFamily(
            "tidegate_alarm_active",
            "1 while the condition lasts, 0 when it only waits for you.",
            labels=["tank", "alarm", "priority"],
        )
        now_s = self._now_s()
        for levels, document in documents.items():
            if len(levels) != NAMED_LEVELS:
                continue
            tank, what, name = levels
            if what == "permit":
                end_s = unix_s(document["time"]) + document["lease_s"]
                permit.add_metric([tank, name], document["state"] == "permit" and now_s < end_s)
                end.add_metric([tank, name], end_s)
            else:
                alarm.add_metric([tank, name, document["priority"]], bool(document["active"]))
        yield permit
        yield end
        yield alarm


def _wanted(levels: tuple[str, ...]) -> bool:
    """Whether a document of these topic levels becomes a metric."""
    return (len(levels) == TANK_LEVELS and levels[1] == "salinity") or (
        len(levels) == NAMED_LEVELS and levels[1] in {"permit", "alarm"}
    )


def serve(metrics: Metrics, settings: MetricsSettings) -> Callable[[], None]:
    """Serve the metrics over HTTP until the returned function is called.

    Raises:
        UserError: the library is missing, or the address cannot be used.
    """
    try:
        from prometheus_client import CollectorRegistry, start_http_server  # noqa: PLC0415
        from prometheus_client.registry import Collector  # noqa: PLC0415
    except ImportError as error:
        raise UserError(
            "[metrics] enabled = true needs a library that is not installed: "
            'pip install "tidegate[metrics]"'
        ) from error

    class Adapter(Collector):
        """What the library wants to be asked."""

        def collect(self) -> Iterator["Metric"]:
            """Ask ours."""
            return metrics.collect()

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Adapter())
    try:
        server, thread = start_http_server(settings.port, settings.host, registry)
    except OSError as error:
        raise UserError(
            f"[metrics] {settings.host}:{settings.port} cannot be used: {error.strerror}. "
            "Choose another host or port."
        ) from error

    def stop() -> None:
        server.shutdown()
        server.server_close()
        thread.join(2.0)

    return stop
