"""One gate: whether one actuator group may act.

The gate moves by the table of `permit_rules`. Hold is where it starts, where a restart puts it
back, and where every doubt sends it; a permit is a lease that has to be renewed.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf
from typing import Any, Final

import orjson

from bridge.core.outputs import Output, Publish, Record
from bridge.core.permit_limits import DAY_S, HOUR_S, resolve
from bridge.core.permit_reasons import actuator, circumstances, evidence, harmful, water
from bridge.core.permit_rules import (
    PERMITTED,
    REASON_RULES,
    TRANSITIONS,
    Phase,
    Reason,
    Verdict,
)
from bridge.core.permit_run import BUCKET_S, STRAY_SHARE, RunState
from bridge.core.service import ServicePhase
from bridge.core.settings import Delivers, Driver, Permit, Tank
from bridge.core.situation import Situation
from bridge.core.wire.instants import Calendar

RENEWALS_PER_LEASE: Final = 3.0
UNBYPASSABLE: Final = frozenset(reason for reason, rule in REASON_RULES.items() if not rule.bypass)
IDLE: Final = ServicePhase.IDLE
"""A local name: looking a member up on an enumeration costs more than a whole comparison."""
DOUBT_NAMED_S: Final = 1800.0
"""A reading that was doubtful for longer was doubtful for another reason than what follows."""
NEVER_S: Final = -1e12
"""Long before any Unix time; JSON has no infinity."""


class Trouble:
    """What about a permit deserves an alarm."""

    OVERRUN: Final = "overrun"
    RUN_TIME: Final = "run-time"
    LITRES: Final = "litres"
    LONG_HOLD: Final = "long-hold"


@dataclass(frozen=True, slots=True)
class PermitStatus:
    """What others may know of a gate."""

    permit: str
    delivers: Delivers
    driven_by: Driver
    permitted: bool
    reasons: tuple[str, ...]
    first_reason: str | None
    since_s: float
    unpermitted_since_s: float | None
    """Since when it is held without a break, restarts included; None while permitted."""
    bypass_until_s: float | None
    troubles: tuple[str, ...]
    """See `Trouble`."""
    overrun_harms: bool
    """Whether an overrun, if there is one, does harm; else the hold was only a precaution."""


@dataclass(slots=True)
class GateState:
    """The persistent part of one gate."""

    boot_id: str
    started_at_s: float
    since_s: float
    """Since when the published state is what it is."""
    unpermitted_since_s: float
    seq: int = 0
    phase: Phase = Phase.HOLD
    reasons: list[str] = field(default_factory=lambda: [str(Reason.STARTING)])
    bypassed: list[str] = field(default_factory=list)
    first_reason: str | None = str(Reason.STARTING)
    clear_since_s: float | None = None
    """Since when nothing but a timer of our own keeps it on hold."""
    issued_at_s: float = NEVER_S
    """When the newest document went out; far back, to send one at the next occasion."""
    lease_end_s: float = NEVER_S
    link_up: bool = False
    watched: bool = False
    """Whether a running actuator would be seen, and is nobody's manual work in service."""
    watched_since_s: float = NEVER_S
    probe_at_s: float = NEVER_S
    evidence_at_s: float | None = None
    run: RunState = field(default_factory=RunState)
    overrun: bool = False
    overrun_acknowledged: bool = False
    overrun_harms: bool = True
    """Once it does, it does until it is let go."""
    overrun_run_s: float | None = None
    """Start of the run that was an overrun first."""
    bypass_until_s: float | None = None


class Gate:
    """The gate of one permit.

    Args:
        tank_name: Identifier of the tank.
        name: Identifier of the permit.
        tank: The tank's settings.
        permit: The permit's settings.
        base_topic: First level(s) of the topic.
        boot_id: Identifies this run of the daemon.
        at_s: Now. [Unix s]
        state: As saved; None for the first start.
        calendar: For the moments in the documents.
    """

    def __init__(
        self,
        tank_name: str,
        name: str,
        *,
        tank: Tank,
        permit: Permit,
        base_topic: str,
        boot_id: str,
        at_s: float,
        calendar: Calendar,
        state: GateState | None = None,
    ) -> None:
        self.name = name
        self._calendar = calendar
        self.permit = permit
        self.limits = resolve(tank, permit)
        # Metered water is this permit's own only when no other could have let it in.
        self._sole_meter = self.limits.metered and (
            sum(other.delivers is Delivers.FRESH_WATER for other in tank.permits.values()) == 1
        )
        self._tank_name = tank_name
        self._topic = f"{base_topic}/{tank_name}/permit/{name}"
        self._held_every_s = permit.lease_s
        self._renewed_every_s = permit.lease_s / RENEWALS_PER_LEASE
        self._shut_down = False
        self.wake_at_s = -inf
        self._lasts_to_s = -inf
        """When time alone may change the decision."""
        self._may_start = self._may_go_on = False
        if state is None:
            state = GateState(
                boot_id=boot_id, started_at_s=at_s, since_s=at_s, unpermitted_since_s=at_s
            )
        elif state.boot_id != boot_id:
            state = _restarted(state, boot_id=boot_id, at_s=at_s)
        self.state = state
        self.status = self._describe(())

    def note_litres(self, at_s: float, litres: float) -> None:
        """Take in metered water."""
        if not self.limits.metered:
            return
        state = self.state
        state.run.add_litres(at_s, litres)
        stopped_by_s = max(state.since_s, state.watched_since_s) + self.limits.grace_s
        if self._sole_meter and state.watched and not self._permitted and at_s >= stopped_by_s:
            state.run.stray_l += litres

    def note_equipment(self, at_s: float, *, on: bool | None) -> None:
        """Take in a report of the actuator's state."""
        self.state.run.report(at_s, on=on, limits=self.limits)

    def bypass(self, at_s: float, *, until_s: float | None, reason: str) -> list[Output]:
        """Start a bypass, or end it with None."""
        state = self.state
        state.bypass_until_s = until_s
        state.issued_at_s = NEVER_S
        if not self._permitted:
            # What the bypass covers has kept the gate on hold since it began, not since now.
            state.clear_since_s = state.since_s
        data = {"permit": self.name, "bypass_until_s": until_s, "why": reason}
        return [Record(at_s, self._tank_name, "permit", data)]

    def say_again(self) -> None:
        """Publish at the next occasion, whether anything changed or not."""
        self.state.issued_at_s = NEVER_S

    def acknowledge_overrun(self) -> None:
        """Somebody has looked at the actuator."""
        self.state.overrun_acknowledged = True

    def shut_down(self) -> None:
        """Hold from now on, whatever comes."""
        self._shut_down = True

    def evaluate(self, situation: Situation, *, calm: bool) -> list[Output]:
        """Decide anew, and publish what changed or is due.

        Args:
            situation: The tank's.
            calm: Nothing that matters has changed since the last time, time apart. Then most
                calls only renew what was published, and are cheap.
        """
        at_s, state = situation.at_s, self.state
        self._take_in(situation)
        outputs: list[Output] = []
        changed = not (calm and self._stands(situation)) and self._decide(situation, outputs)
        if state.link_up and (changed or at_s >= self._due_at_s()):
            outputs.append(self._issue(at_s))
        self._lasts_to_s = self.wake_at_s = self._next_change_s(situation)
        if state.link_up:
            self.wake_at_s = min(self.wake_at_s, self._due_at_s())
        return outputs

    def _stands(self, situation: Situation) -> bool:
        """Whether the passing of time leaves the last decision as it is."""
        at_s, state = situation.at_s, self.state
        return (
            at_s < self._lasts_to_s
            and not (at_s > state.lease_end_s and state.phase in PERMITTED)
            # Litres grow and age all the time, and what is permitted of them is learned.
            and not state.run.buckets
            and not self._evidence(situation)
        )

    def _decide(self, situation: Situation, outputs: list[Output]) -> bool:
        """Judge all reasons and move; tells whether anything to be published has changed."""
        at_s, state = situation.at_s, self.state
        lapsed = self._permitted and at_s > state.lease_end_s
        ahead = [Reason.SHUTDOWN] * self._shut_down + [Reason.LAPSED] * lapsed
        going_on = [*ahead, *self._found(situation, strict=False)]
        start = [*ahead, *self._found(situation, strict=True)]
        self._may_start, self._may_go_on = not start, not going_on
        before = (self._permitted, state.reasons, state.bypassed, state.first_reason)
        self._move(at_s, going_on=going_on, start=start)
        if state.overrun:
            first = () if state.first_reason is None else (state.first_reason,)
            if harmful((*state.reasons, *state.bypassed, *first), self.limits):
                self._overrun_harms()
        if self._permitted is not before[0]:
            outputs.append(self._record(at_s))
        status = self._describe(self._troubles(at_s))
        if status != self.status:
            self.status = status
        return before != (self._permitted, state.reasons, state.bypassed, state.first_reason)

    @property
    def awaits_evidence(self) -> bool:
        """Whether a fresh reading alone could change the decision."""
        return Reason.STARTING in self.state.reasons or Reason.STALE in self.state.reasons

    @property
    def _permitted(self) -> bool:
        return self.state.phase in PERMITTED

    def _take_in(self, situation: Situation) -> None:
        """Bring everything that depends on time up to date, in the order it happened."""
        at_s, state = situation.at_s, self.state
        run = state.run
        if situation.link_up is not state.link_up:
            state.link_up = situation.link_up
            state.issued_at_s = NEVER_S
            if not situation.link_up:
                run.forget()
        watched = situation.link_up and situation.service is IDLE
        if watched and not state.watched:
            state.watched_since_s = at_s
        state.watched = watched
        if not watched:
            run.stray_l = 0.0
        if run.since_s is not None or run.tripped:
            run.advance(at_s, lease_end_s=state.lease_end_s, limits=self.limits)
        assessment = situation.assessment
        if (
            assessment is not None
            and assessment.probe_at_s is not None
            and assessment.probe_at_s != state.probe_at_s
        ):
            state.probe_at_s = assessment.probe_at_s
            # A sensor's clock that runs ahead must not make its readings last longer.
            if state.probe_at_s >= state.started_at_s:
                state.evidence_at_s = min(state.probe_at_s, at_s)
        if state.bypass_until_s is not None and at_s >= state.bypass_until_s:
            state.bypass_until_s = None
            state.issued_at_s = NEVER_S
        if watched and state.phase not in PERMITTED:
            self._look_for_overrun(at_s)

    def _look_for_overrun(self, at_s: float) -> None:
        state, run = self.state, self.state.run
        ran_on = run.on is True and at_s >= self._overrun_at_s()
        if not state.overrun:
            if ran_on or run.stray_l >= STRAY_SHARE * self.limits.volume_l:
                state.overrun = True
                state.overrun_acknowledged = state.overrun_harms = False
                state.overrun_run_s = run.since_s
                run.stray_l = 0.0
                # Whether it does harm is found with the reasons, and they are to be found now.
                self._lasts_to_s = -inf
        elif state.overrun_acknowledged and run.on is not True:
            state.overrun = False
            # What ran until now was seen; what is metered from now on is another overrun.
            run.stray_l = 0.0
        elif ran_on and run.since_s != state.overrun_run_s:
            # It stopped, and runs again in spite of the latch.
            self._overrun_harms()

    def _overrun_harms(self) -> None:
        """An overrun that began in a hold for precaution is one no more."""
        if not self.state.overrun_harms:
            self.state.overrun_harms = True
            # That somebody has seen the lesser alarm is not enough now.
            self.state.overrun_acknowledged = False

    def _overrun_at_s(self) -> float:
        state = self.state
        started_s = inf if state.run.since_s is None else state.run.since_s
        return max(state.since_s, state.watched_since_s, started_s) + self.limits.grace_s

    def _evidence(self, situation: Situation) -> list[str]:
        return evidence(
            situation.assessment,
            at_s=situation.at_s,
            evidence_at_s=self.state.evidence_at_s,
            limits=self.limits,
        )

    def _found(self, situation: Situation, *, strict: bool) -> list[str]:
        assessment = situation.assessment
        limits = self.limits
        state = self.state
        return [
            *circumstances(situation, limits),
            *self._evidence(situation),
            *([Reason.OVERRUN] if state.overrun else []),
            *actuator(
                state.run,
                at_s=situation.at_s,
                strict=strict,
                evaporation_l_day=None if assessment is None else assessment.evaporation_l_day,
                limits=limits,
            ),
            *water(assessment, strict=strict, limits=limits),
        ]

    def _move(self, at_s: float, *, going_on: Sequence[str], start: Sequence[str]) -> None:
        state = self.state
        was_permitted = self._permitted
        reasons = going_on if was_permitted else start
        bypassing = state.bypass_until_s is not None
        barring = [reason for reason in reasons if reason in UNBYPASSABLE or not bypassing]
        bypassed = [reason for reason in reasons if reason not in barring]
        if all(reason == Reason.PAUSE for reason in barring):
            state.clear_since_s = at_s if state.clear_since_s is None else state.clear_since_s
        else:
            state.clear_since_s = None
        state.phase = TRANSITIONS[state.phase][self._verdict(at_s, barring, bypassed)]
        permitted = self._permitted
        if permitted is not was_permitted:
            state.since_s = at_s
            if permitted:
                state.run.stray_l = 0.0
            else:
                state.unpermitted_since_s = at_s
                state.reasons = []
                # The way back is judged more strictly, so say at once what will be asked.
                barring += [r for r in start if r not in reasons]
        state.bypassed = bypassed
        if permitted:
            state.reasons, state.first_reason = [], None
            return
        if state.phase is Phase.MINIMUM_HOLD:
            barring = [Reason.MINIMUM_HOLD]
        kept = [reason for reason in state.reasons if reason in barring]
        state.reasons = kept + [str(reason) for reason in barring if reason not in kept]
        if state.first_reason is None:
            state.first_reason = state.reasons[0]
        elif (
            state.first_reason == Reason.UNCERTAIN
            and Reason.UNCERTAIN not in state.reasons
            and at_s - state.since_s < DOUBT_NAMED_S
        ):
            # One odd reading made it doubtful, the next told why.
            named = [reason for reason in state.reasons if reason in self.limits.held_by]
            state.first_reason = named[0] if named else state.first_reason

    def _verdict(self, at_s: float, barring: Sequence[str], bypassed: Sequence[str]) -> Verdict:
        if barring:
            covered = all(reason not in UNBYPASSABLE for reason in barring)
            return Verdict.DISTURBED if covered else Verdict.BARRED
        soon = at_s < self._minimum_hold_end_s()
        if bypassed:
            return Verdict.BYPASSED_SOON if soon else Verdict.BYPASSED
        return Verdict.CLEAR_SOON if soon else Verdict.CLEAR

    def _minimum_hold_end_s(self) -> float:
        state = self.state
        clear_since_s = inf if state.clear_since_s is None else state.clear_since_s
        return max(state.since_s, clear_since_s) + self.permit.minimum_hold_s

    def _due_at_s(self) -> float:
        held = self.state.phase not in PERMITTED
        return self.state.issued_at_s + (self._held_every_s if held else self._renewed_every_s)

    def _troubles(self, at_s: float) -> tuple[str, ...]:
        state = self.state
        long_hold = (
            not self._permitted and at_s >= state.unpermitted_since_s + self.permit.long_hold_s
        )
        litres = any(r in state.reasons for r in (Reason.LITRES_HOUR, Reason.LITRES_DAY))
        return (
            *([Trouble.OVERRUN] if state.overrun else []),
            *([Trouble.RUN_TIME] if state.run.tripped else []),
            *([Trouble.LITRES] if litres else []),
            *([Trouble.LONG_HOLD] if long_hold else []),
        )

    def _describe(self, troubles: tuple[str, ...]) -> PermitStatus:
        state = self.state
        return PermitStatus(
            permit=self.name,
            delivers=self.permit.delivers,
            driven_by=self.permit.driven_by,
            permitted=self._permitted,
            reasons=tuple(state.reasons),
            first_reason=state.first_reason,
            since_s=state.since_s,
            unpermitted_since_s=None if self._permitted else state.unpermitted_since_s,
            bypass_until_s=state.bypass_until_s,
            troubles=troubles,
            overrun_harms=state.overrun_harms,
        )

    def _record(self, at_s: float) -> Record:
        state = self.state
        data = {
            "permit": self.name,
            "state": "permit" if self._permitted else "hold",
            "reasons": list(state.reasons),
            "first_reason": state.first_reason,
            "bypass_until_s": state.bypass_until_s,
        }
        return Record(at_s, self._tank_name, "permit", data)

    def _issue(self, at_s: float) -> Publish:
        state, calendar = self.state, self._calendar
        lease_s = self.permit.lease_s
        permitted = state.phase in PERMITTED
        state.seq += 1
        state.issued_at_s = at_s
        if permitted:
            state.lease_end_s = at_s + lease_s
        bypass_s, evidence_s = state.bypass_until_s, state.evidence_at_s
        document: dict[str, Any] = {
            "time": calendar.iso_utc(at_s),
            "boot_id": state.boot_id,
            "clock_steps": calendar.steps,
            "seq": state.seq,
            "state": "permit" if permitted else "hold",
            "lease_s": lease_s,
            "reasons": state.reasons,
            "first_reason": state.first_reason,
            "since": calendar.iso_utc(state.since_s),
            "bypass_until": None if bypass_s is None else calendar.iso_utc(bypass_s),
            "bypassed": state.bypassed,
            "may_start": self._may_start,
            "may_go_on": self._may_go_on,
            "evidence": None if evidence_s is None else calendar.iso_utc(evidence_s),
        }
        expires_after_s = lease_s if permitted else None
        # Perishable: a hold that arrives late does no harm, a permit does.
        payload = orjson.dumps(document)
        return Publish(at_s, self._topic, payload, True, 1, expires_after_s, permitted)  # noqa: FBT003

    def _next_change_s(self, situation: Situation) -> float:
        """The next moment at which time alone may change the decision."""
        at_s, state, limits = situation.at_s, self.state, self.limits
        run, assessment = state.run, situation.assessment
        moments = [] if state.bypass_until_s is None else [state.bypass_until_s]
        if state.phase not in PERMITTED:
            moments.append(state.unpermitted_since_s + self.permit.long_hold_s)
            if state.clear_since_s is not None:
                moments.append(self._minimum_hold_end_s())
            if run.on is True and state.watched:
                moments.append(self._overrun_at_s())
        if assessment is not None and state.evidence_at_s is not None:
            moments.append(state.evidence_at_s + limits.stale_s(assessment.interval_s))
            if limits.needs_temperature and assessment.temperature_at_s is not None:
                moments.append(assessment.temperature_at_s + limits.thermometer_stale_s)
        if run.since_s is not None or run.stopped_at_s is not None:
            moments += run.moments(lease_end_s=state.lease_end_s, limits=limits)
        if run.since_s is not None and limits.rate_l_h is not None:
            moments.append(at_s + self._litres_last_s(situation, limits.rate_l_h))
        if Trouble.LITRES in self.status.troubles:
            moments.append((at_s // BUCKET_S + 1) * BUCKET_S)
        return min([moment for moment in moments if moment > at_s], default=inf)

    def _litres_last_s(self, situation: Situation, rate_l_h: float) -> float:
        """How long a run may go on before it reaches a limit in litres; at least a second."""
        at_s, assessment = situation.at_s, situation.assessment
        evaporation_l_day = None if assessment is None else assessment.evaporation_l_day
        left_l = min(
            self.limits.hour_l(evaporation_l_day) - self.state.run.litres_within(at_s, HOUR_S),
            self.limits.day_l(evaporation_l_day) - self.state.run.litres_within(at_s, DAY_S),
        )
        return max(left_l / rate_l_h * HOUR_S, 1.0)


def _restarted(state: GateState, *, boot_id: str, at_s: float) -> GateState:
    """What a restart leaves: the counters and the latch; not the permit, nor the bypass."""
    run = state.run
    run.forget()
    run.stray_l = 0.0
    was_permitted = state.phase in PERMITTED
    return GateState(
        boot_id=boot_id,
        started_at_s=at_s,
        since_s=at_s,
        unpermitted_since_s=at_s if was_permitted else state.unpermitted_since_s,
        lease_end_s=state.lease_end_s,
        run=run,
        overrun=state.overrun,
        overrun_acknowledged=state.overrun_acknowledged,
        overrun_harms=state.overrun_harms,
        overrun_run_s=state.overrun_run_s,
    )
