"""How a tank looks at one moment: everything that the templates show, already in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from bridge.core.alarm_catalogue import PLANT_ALARMS, AlarmKind
from bridge.core.alarm_state import AlarmPhase
from bridge.core.alarm_text import capital
from bridge.core.alarms import HELD, tank_kinds
from bridge.core.settings import Tank
from bridge.core.wire.instants import unix_s
from bridge.shell.page.snapshot import TankView
from bridge.shell.page.words import (
    CAUSE_HEADLINES,
    CAUSE_NAMES,
    PHASE_WORDS,
    PRIORITY_WORDS,
    band_words,
    likely,
    permit_title,
    quality_words,
    reason_words,
    salinity_words,
    span_words,
)

JUDGED_EVERY_S: Final = 300.0
"""A working engine publishes its diagnosis at least this often."""
OLD_AFTER_S: Final = 2.5 * JUDGED_EVERY_S
WORTH_NAMING: Final = 0.1
"""A further cause this probable is named."""
SMALLEST_DIFFERENCE_PSU: Final = 0.1
RANK: Final = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment, for a ``time`` element."""

    at_s: float

    @property
    def iso(self) -> str:
        """For machines."""
        return datetime.fromtimestamp(self.at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

    @property
    def text(self) -> str:
        """For people, until the browser tells it in their own time zone."""
        return datetime.fromtimestamp(self.at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


@dataclass(frozen=True, slots=True)
class Now:
    """The water."""

    mark: str
    """``good``, ``care``, ``bad`` or ``unknown``; shown as a shape, with words beside it."""
    value: str
    sure: str
    band_mark: str
    band: str
    trust: str
    probe: str
    facts: tuple[tuple[str, str], ...]
    judged: Moment | None


@dataclass(frozen=True, slots=True)
class Why:
    """What disturbs the reading."""

    mark: str
    headline: str
    sure: str
    since: Moment | None
    evidence: tuple[str, ...]
    action: str
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PermitLook:
    """One permit."""

    permit: str
    name: str
    mark: str
    state: str
    reasons: tuple[str, ...]
    first_reason: str | None
    since: Moment | None
    lease_end: Moment | None
    bypass_until: Moment | None


@dataclass(frozen=True, slots=True)
class AlarmLook:
    """One alarm."""

    alarm: str
    mark: str
    urgency: str
    headline: str
    state: str
    since: Moment
    cause: str
    consequence: str
    actions: tuple[str, ...]
    caution: str
    respond: str
    waits: bool
    """To be seen by somebody."""
    shelved_until: Moment | None
    ours: bool
    """Of the whole installation: nothing to be done about it on this page."""


@dataclass(frozen=True, slots=True)
class Work:
    """Service mode."""

    phase: str
    until: Moment | None


@dataclass(frozen=True, slots=True)
class Look:
    """A tank."""

    name: str
    title: str
    trouble: str | None
    now: Now
    why: Why
    permits: tuple[PermitLook, ...]
    alarms: tuple[AlarmLook, ...]
    work: Work

    @property
    def waiting(self) -> int:
        """How many alarms nobody has seen yet."""
        return sum(alarm.waits for alarm in self.alarms)


class Looker:
    """Turns what is known of a tank into words.

    Args:
        name: The tank's identifier.
        tank: Its settings.
    """

    def __init__(self, name: str, tank: Tank) -> None:
        self.name = name
        self.tank = tank
        self._kinds: Mapping[str, AlarmKind] = tank_kinds(tuple(tank.permits))

    @property
    def headlines(self) -> Mapping[str, str]:
        """What each alarm says."""
        return {alarm: headline(kind) for alarm, kind in self._kinds.items()}

    def look(self, view: TankView, plant: TankView, *, now_s: float, trouble: str | None) -> Look:
        """The tank at one moment.

        Args:
            view: What is known of the tank.
            plant: What is known of the whole installation.
            now_s: Engine time. [Unix s]
            trouble: Why the daemon is not connected; None while it is.
        """
        diagnosis = view.diagnosis
        old = diagnosis is None or now_s - unix_s(diagnosis["time"]) > OLD_AFTER_S
        return Look(
            name=self.name,
            title=self.tank.name or self.name,
            trouble=trouble,
            now=self._now(view, old=old and diagnosis is not None),
            why=_why(diagnosis),
            permits=tuple(
                _permit(name, view.permits.get(name), now_s=now_s, trouble=trouble)
                for name in self.tank.permits
            ),
            alarms=_sorted(
                (view, _alarms(view, self._kinds, ours=False)),
                (plant, _alarms(plant, PLANT_ALARMS, ours=True)),
            ),
            work=_work(view.service, now_s),
        )

    def _now(self, view: TankView, *, old: bool) -> Now:
        document = view.salinity
        if document is None:
            return Now(
                mark="unknown",
                value="Not known",
                sure="no reading yet",
                band_mark="unknown",
                band="",
                trust="Not judged yet.",
                probe="The probe has not been heard since the start.",
                facts=(),
                judged=None,
            )
        salinity, uncertainty = document["salinity"], document["uncertainty"]
        value, sure = salinity_words(salinity, uncertainty)
        band_mark, band = band_words(salinity, uncertainty, self.tank.limits)
        mark, trust = quality_words(document["quality"])
        if old:
            mark, trust = "unknown", "This is old: the daemon has not judged it lately."
        return Now(
            mark=mark,
            value=value,
            sure=sure,
            band_mark=band_mark,
            band=band,
            trust=trust,
            probe=_probe(document),
            facts=tuple(_facts(document)),
            judged=Moment(unix_s(document["time"])),
        )


def _probe(document: Mapping[str, Any]) -> str:
    probe, salinity = document["probe_salinity"], document["salinity"]
    if probe is None:
        return "The probe's last message made no usable salinity."
    if salinity is None:
        return f"The probe by itself says {probe:.1f}."
    difference = probe - salinity
    if abs(difference) < SMALLEST_DIFFERENCE_PSU:
        return f"The probe by itself says {probe:.1f}, the same."
    side = "higher" if difference > 0 else "lower"
    return f"The probe by itself says {probe:.1f}: {abs(difference):.1f} {side}."


def _facts(document: Mapping[str, Any]) -> "list[tuple[str, str]]":
    found = []
    if document["temperature"] is not None:
        found.append(("Water temperature", f"{document['temperature']:.1f} °C"))
    if document["specific_gravity"] is not None:
        reference = document["specific_gravity_reference"]
        found.append((f"Specific gravity {reference}", f"{document['specific_gravity']:.4f}"))
    if document["conductivity_25c"] is not None:
        found.append(("Conductivity at 25 °C", f"{document['conductivity_25c']:.1f} mS/cm"))
    if document["reported"] is not None:
        unit = document["reported_unit"]
        found.append(("As the device sent it", f"{document['reported']:g} {unit}"))
    return found


def _why(diagnosis: Mapping[str, Any] | None) -> Why:
    if diagnosis is None:
        return Why("unknown", "Not judged yet.", "", None, (), "", ())
    cause = diagnosis["cause"]
    first: Mapping[str, Any] = next(
        (entry for entry in diagnosis["causes"] if entry["cause"] == cause),
        {"probability": 0.0, "evidence": [], "action": ""},
    )
    others = tuple(
        f"{capital(CAUSE_NAMES[entry['cause']])} ({likely(entry['probability'])})"
        for entry in diagnosis["causes"]
        if entry["cause"] != cause and entry["probability"] >= WORTH_NAMING
    )
    return Why(
        mark="good" if cause == "none" else "care",
        headline=CAUSE_HEADLINES[cause],
        sure=capital(likely(first["probability"])),
        since=Moment(unix_s(diagnosis["since"])),
        evidence=tuple(first["evidence"]),
        action=first["action"],
        others=others,
    )


def _permit(
    name: str, document: Mapping[str, Any] | None, *, now_s: float, trouble: str | None
) -> PermitLook:
    title = permit_title(name)
    if trouble is not None or document is None:
        reason = trouble or "nothing has been decided yet"
        return PermitLook(name, title, "hold", "Held", (reason,), None, None, None, None)
    lease_end_s = unix_s(document["time"]) + document["lease_s"]
    bypass = document["bypass_until"]
    bypass_until = None if bypass is None else Moment(unix_s(bypass))
    since = Moment(unix_s(document["since"]))
    if document["state"] != "permit":
        first = document["first_reason"]
        return PermitLook(
            name,
            title,
            "hold",
            "Held",
            tuple(capital(reason_words(reason)) for reason in document["reasons"]),
            None if first is None else reason_words(first),
            since,
            None,
            bypass_until,
        )
    if now_s > lease_end_s:
        words = ("Its time has run out without a new one",)
        return PermitLook(name, title, "hold", "Held", words, None, None, None, bypass_until)
    bypassed = tuple(
        f"Bypassed: {reason_words(reason)}" for reason in document.get("bypassed") or ()
    )
    return PermitLook(
        name,
        title,
        "permit",
        "Allowed, by your bypass" if bypassed else "Allowed",
        bypassed,
        None,
        since,
        Moment(lease_end_s),
        bypass_until,
    )


def _alarms(view: TankView, kinds: Mapping[str, AlarmKind], *, ours: bool) -> list[AlarmLook]:
    return [
        _alarm(name, document, kinds.get(name), ours=ours)
        for name, document in view.alarms.items()
        if document["active"] or document["state"] in {AlarmPhase.RETURNED, AlarmPhase.SHELVED}
    ]


def _sorted(*found: tuple[TankView, list[AlarmLook]]) -> tuple[AlarmLook, ...]:
    """What waits first, then the most urgent, then the oldest."""
    ranked = [
        ((not alarm.waits, RANK[view.alarms[alarm.alarm]["priority"]], alarm.since.at_s), alarm)
        for view, alarms in found
        for alarm in alarms
    ]
    return tuple(alarm for _, alarm in sorted(ranked, key=lambda pair: pair[0]))


def headline(kind: AlarmKind) -> str:
    """What an alarm says, without the tank's name."""
    return capital(kind.headline.replace(HELD, "long"))


def _alarm(
    name: str, document: Mapping[str, Any], kind: AlarmKind | None, *, ours: bool
) -> AlarmLook:
    state, priority = document["state"], document["priority"]
    since_s = document["since_s"] if "since_s" in document else unix_s(document["since"])
    shelved = document.get("shelved_until")
    waits = state in {AlarmPhase.UNACKNOWLEDGED, AlarmPhase.RETURNED}
    texts: Mapping[str, Any] = document
    if "cause" not in document and kind is not None:
        texts = {
            "cause": kind.cause,
            "consequence": kind.consequence,
            "action": list(kind.actions),
            "respond_within_s": kind.respond_within_s,
        }
    return AlarmLook(
        alarm=name,
        mark={"high": "bad", "medium": "care"}.get(priority, "note"),
        urgency=PRIORITY_WORDS[priority],
        headline=name if kind is None else headline(kind),
        state=PHASE_WORDS.get(state, state),
        since=Moment(since_s),
        cause=texts.get("cause", ""),
        consequence=texts.get("consequence", ""),
        actions=tuple(texts.get("action", ())),
        caution="" if kind is None or kind.caution is None else capital(kind.caution),
        respond=span_words(texts["respond_within_s"]) if "respond_within_s" in texts else "",
        waits=waits,
        shelved_until=None if shelved is None else Moment(unix_s(shelved)),
        ours=ours,
    )


def _work(service: Mapping[str, Any] | None, now_s: float) -> Work:
    if service is None or service["phase"] == "idle":
        return Work("idle", None)
    until_s = service["until_s"]
    if until_s is not None and until_s < now_s:
        return Work("idle", None)
    return Work(service["phase"], None if until_s is None else Moment(until_s))
