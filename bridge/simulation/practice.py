"""A tank to practise commissioning on: invented, and it answers at once.

Time passes only while readings are gathered. The probe has a wrong gain and coefficient, its place
is bubbly while the pumps run, and one device disturbs it; the walk-through should find all of it.
"""

from collections.abc import Mapping
from dataclasses import replace
from math import sin
from typing import Any, Final

import numpy as np
import orjson

from bridge.core import seawater
from bridge.core.commissioning import Reading, Switch, Update
from bridge.core.compensation import Corrector
from bridge.core.errors import UserError
from bridge.core.findings import Assessment, Cause, Finding, Flag, Ne107, Quality
from bridge.core.records import ReferenceState, probe_in_force
from bridge.core.reference_commands import REFERENCE_COMMANDS, handle
from bridge.core.settings import Probe, ProbeUnit, Reports
from bridge.core.wire.commands import parse

TANK: Final = "practice"
START_S: Final = 1_772_366_400.0
INTERVAL_S: Final = 10.0
DEVICES: Final = ("return-pump", "skimmer", "light")
DISTURBING: Final = "light"

TRUE_PSU: Final = 35.0
TRUE_GAIN: Final = 1.03
TRUE_COEFFICIENT_PCT: Final = 2.15
PICK_UP_PSU: Final = 0.4
DIP_PSU: Final = 0.4
DIPS: Final = 0.4
PSU_PER_SHARE: Final = 39.4

PROBE: Final = Probe(
    topic="practice/probe",
    unit=ProbeUnit.MS_CM,
    reports=Reports.CONDUCTIVITY_LINEAR,
    coefficient_pct_per_c=2.0,
)


class PracticeTank:
    """A live source that is not live.

    Args:
        seed: Of everything random.
    """

    practice: Final = True
    tank: Final = TANK
    devices: Final = DEVICES
    interval_s: Final = INTERVAL_S

    def __init__(self, seed: int = 1) -> None:
        self._random = np.random.default_rng(seed)
        self._at_s = START_S
        self._on = dict.fromkeys(DEVICES, True)
        self._flow = True
        self._standard: tuple[float, float] | None = None
        self._reported = 0.0
        self.state = ReferenceState()

    @property
    def now_s(self) -> float:
        """Unix time in the practice tank."""
        return self._at_s

    def gather(self, count: int) -> list[Update]:
        """Let time pass until so many readings have come."""
        gathered: list[Update] = []
        for _ in range(count):
            self._at_s += INTERVAL_S
            gathered.append(self._read())
        return gathered

    def operated(self, device: str, *, on: bool) -> list[Update]:
        """The keeper has switched a device; the tank follows."""
        self._on[device] = on
        return [Switch(self._at_s, device, on)]

    def flow(self, *, on: bool) -> None:
        """The keeper has started or stopped everything that moves water at the probe."""
        self._flow = on

    def dipped(self, salinity_psu: float | None, temperature_c: float = 25.0) -> None:
        """The probe is in a standard, or (None) back in the tank."""
        self._standard = None if salinity_psu is None else (salinity_psu, temperature_c)

    def hand_instrument(self) -> str:
        """What the keeper's hand instrument would show now."""
        shown = TRUE_PSU + self._random.normal(0.0, 0.3)
        return f"In this practice tank your checked refractometer shows {shown:.1f} ppt."

    def send(self, name: str, keys: Mapping[str, Any]) -> dict[str, Any]:
        """Carry out a command as the daemon would, and answer."""
        if name == "service":
            return {"ok": True}
        try:
            command = parse(name, orjson.dumps({"id": "practice", **keys}))
            if not isinstance(command, REFERENCE_COMMANDS):
                return {"ok": False, "error": f"the practice tank knows no command {name}"}
            outcome = handle(
                command,
                self._assessment(),
                self.state,
                tank=TANK,
                probe=PROBE,
                now_s=self._at_s,
            )
        except UserError as error:
            return {"ok": False, "error": str(error)}
        self.state = outcome.state
        return {"ok": True, **outcome.result}

    def close(self) -> None:
        """Nothing to let go of."""

    def _temperature_c(self) -> float:
        # A slow swing about 25.5, in eight hours.
        return 25.5 + 0.8 * sin((self._at_s - START_S) * 2 * np.pi / 28800.0)

    def _read(self) -> Reading:
        salinity, temperature = self._standard or (TRUE_PSU, self._temperature_c())
        share = 1.0 + self._random.normal(0.0, 0.01) / PSU_PER_SHARE
        if self._standard is None:
            if self._flow and self._on["skimmer"] and self._random.random() < DIPS:
                share -= self._random.exponential(DIP_PSU) / PSU_PER_SHARE
            if self._on[DISTURBING]:
                share += PICK_UP_PSU / PSU_PER_SHARE
        measured = seawater.conductivity_ms_cm(salinity, temperature) * share / TRUE_GAIN
        factor = 1 + TRUE_COEFFICIENT_PCT / 100 * (temperature - PROBE.reference_temperature_c)
        self._reported = round(measured / factor, 3)
        in_force = probe_in_force(self.state, PROBE)
        return Reading(
            at_s=self._at_s,
            salinity_psu=Corrector(in_force).salinity_psu(self._reported, temperature),
            temperature_c=temperature,
            reported=self._reported,
        )

    def _assessment(self) -> Assessment:
        reading = self._read()
        return replace(
            _CALM,
            at_s=self._at_s,
            salinity_psu=reading.salinity_psu,
            probe_salinity_psu=reading.salinity_psu,
            probe_at_s=self._at_s,
            temperature_c=reading.temperature_c,
            temperature_at_s=self._at_s,
            reported=reading.reported,
            since_s=START_S,
        )


_CALM: Final = Assessment(
    at_s=START_S,
    salinity_psu=None,
    uncertainty_psu=0.25,
    probe_salinity_psu=None,
    probe_at_s=None,
    temperature_c=None,
    temperature_at_s=None,
    conductivity_25c_ms_cm=None,
    reported=None,
    quality=Quality.GOOD,
    flag=Flag.PASS,
    ne107=Ne107.NORMAL,
    cause=Cause.NONE,
    since_s=START_S,
    findings=(Finding(Cause.NONE, 1.0, (), ""),),
    tests={},
    settled=True,
    interval_s=INTERVAL_S,
    evaporation_l_day=None,
)
