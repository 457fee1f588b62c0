"""When a tank's salinity and diagnosis are published, and what goes into the history with them."""

from math import inf
from typing import Final

import orjson

from bridge.core.assessing import Assessor
from bridge.core.cause_shares import INDEX
from bridge.core.diagnosis import Diagnosis
from bridge.core.documents import diagnosis_document, salinity_document
from bridge.core.findings import Assessment, Cause, Flag
from bridge.core.outputs import Output, Publish, Record
from bridge.core.settings import Tank
from bridge.core.tank_state import TankState
from bridge.core.wire.instants import Calendar

DIAGNOSIS_EVERY_S: Final = 300.0
DIAGNOSIS_NOT_BEFORE_S: Final = 5.0
PROBABILITY_STEP: Final = 0.1


class TankDocuments:
    """Publishes what is concluded about one tank, when it is due.

    Args:
        name: Identifier of the tank.
        base: ``<base>/<tank>``.
    """

    __slots__ = (
        "_assessor",
        "_boot_id",
        "_calendar",
        "_cause",
        "_diagnosis",
        "_diagnosis_at_s",
        "_diagnosis_topic",
        "_flags",
        "_name",
        "_probability",
        "_reference",
        "_salinity_topic",
        "_state",
        "_unit",
    )

    def __init__(
        self,
        name: str,
        tank: Tank,
        state: TankState,
        *,
        base: str,
        boot_id: str,
        diagnosis: Diagnosis,
        assessor: Assessor,
        calendar: Calendar,
    ) -> None:
        self._name, self._state = name, state
        self._salinity_topic, self._diagnosis_topic = f"{base}/salinity", f"{base}/diagnosis"
        self._diagnosis, self._assessor, self._calendar = diagnosis, assessor, calendar
        self._boot_id = boot_id
        self._unit, self._reference = tank.probe.unit, tank.published_gravity_reference
        self._cause: Cause | None = None
        self._flags: tuple[Flag, ...] = ()
        self._probability = 0.0
        self._diagnosis_at_s = -inf

    @property
    def due_s(self) -> float:
        """When the diagnosis is published again at the latest. [s]."""
        return self._diagnosis_at_s + DIAGNOSIS_EVERY_S

    def repeat_all(self) -> None:
        """The broker may have lost everything: say it again at the next occasion."""
        self._cause = None

    def publish(self, assessment: Assessment, outputs: list[Output], *, sampled: bool) -> None:
        """Add what is new.

        Args:
            assessment: Of this moment.
            outputs: Where to.
            sampled: Whether a reading came, which is published in any case.
        """
        changed = assessment.cause is not self._cause
        if sampled or changed:
            self._publish_salinity(assessment, outputs)
        self._publish_diagnosis(assessment, outputs, changed=changed)

    def _publish_salinity(self, assessment: Assessment, outputs: list[Output]) -> None:
        state, at_s = self._state, assessment.at_s
        state.sequence += 1
        document = salinity_document(
            assessment,
            boot_id=self._boot_id,
            sequence=state.sequence,
            unit=self._unit,
            reference=self._reference,
            calendar=self._calendar,
        )
        outputs.append(Publish(at_s, self._salinity_topic, orjson.dumps(document)))
        outputs.append(Record(at_s, self._name, "sample", document))

    def _publish_diagnosis(
        self, assessment: Assessment, outputs: list[Output], *, changed: bool
    ) -> None:
        at_s, cause = assessment.at_s, assessment.cause
        flags = tuple(assessment.tests.values())
        probability = self._diagnosis.probabilities[INDEX[cause]]
        if not changed:
            moved = flags != self._flags or abs(probability - self._probability) > PROBABILITY_STEP
            age_s = at_s - self._diagnosis_at_s
            if not age_s >= (DIAGNOSIS_NOT_BEFORE_S if moved else DIAGNOSIS_EVERY_S):
                return
        self._assessor.in_full(assessment)
        payload = diagnosis_document(assessment, self._calendar)
        outputs.append(Publish(at_s, self._diagnosis_topic, payload))
        if changed:
            data = {
                "cause": cause.value,
                "evidence": list(assessment.findings[0].evidence),
                "probability": round(probability, 4),
            }
            outputs.append(Record(at_s, self._name, "cause", data))
        self._cause, self._flags = cause, flags
        self._probability, self._diagnosis_at_s = probability, at_s
