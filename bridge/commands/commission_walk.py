"""The walk-through of commissioning: what is asked, waited for and sent, step by step."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, Protocol

from bridge.core.commissioning import (
    READINGS_PER_BLOCK,
    Block,
    CommissionState,
    Reading,
    StepName,
    Update,
    compare_flow,
    device_effect,
    suggested_coefficient,
)

Ask = Callable[[str], str]
Tell = Callable[[str], None]

KEPT_READINGS: Final = 2000
FLOW_READINGS: Final = 20
SWITCHING_ROUNDS: Final = 4

CAUTIONS: Final = (
    "Water and mains electricity kill. Switch off and unplug a device before you touch it.",
    "Every circuit at the tank needs a residual-current device (RCD, GFCI). Test its button.",
    "Let every cable hang in a drip loop below its socket.",
    "Never put a hand into the water to look for stray voltage.",
    "Changes to the wiring are for a licensed electrician, by the local code.",
    "Watch the sump's level while pumps are switched, and never leave one off unattended.",
)

PLACE: Final = (
    "The probe hangs fully under water, also when the pumps are off",
    "It hangs in calm water, away from outlets, skimmer and splashing",
    "The top-off and dosing hoses end far from it, where the water mixes",
    "The thermometer hangs in the same water, and no other probe close by",
)

CABLES: Final = (
    "The probe's cable runs away from pump cables, power supplies and ballasts",
    "Where it must cross a power cable, it crosses at a right angle",
    "The probe's supply is not shared with a pump or lamp",
)


class LiveSource(Protocol):
    """Where live values come from, and where commands go."""

    @property
    def practice(self) -> bool:
        """Whether all of it is simulated."""

    @property
    def tank(self) -> str:
        """Which tank."""

    @property
    def devices(self) -> tuple[str, ...]:
        """Configured equipment."""

    @property
    def now_s(self) -> float:
        """Unix time."""

    def gather(self, count: int) -> list[Update]:
        """Wait for so many readings."""

    def operated(self, device: str, *, on: bool) -> list[Update]:
        """The keeper has switched a device."""

    def flow(self, *, on: bool) -> None:
        """The keeper has stopped or started what moves the water."""

    def dipped(self, salinity_psu: float | None, temperature_c: float = 25.0) -> None:
        """The probe went into a standard, or back."""

    def hand_instrument(self) -> str:
        """In practice: what the hand instrument shows."""

    def send(self, name: str, keys: Mapping[str, Any]) -> dict[str, Any]:
        """Send a command and wait for its answer."""

    def close(self) -> None:
        """Let go."""


class Stopped(Exception):  # noqa: N818 (a wish, not an error)
    """The keeper wants to go on another time."""


class Walk:
    """The walk-through.

    Args:
        source: Live values and commands.
        state: As begun or resumed.
        ask: Puts a question and returns the answer.
        tell: Shows a line.
        save: Called after every step.
    """

    def __init__(
        self,
        source: LiveSource,
        state: CommissionState,
        *,
        ask: Ask,
        tell: Tell,
        save: Callable[[CommissionState], None],
    ) -> None:
        self._source = source
        self.state = state
        self._ask_raw = ask
        self._tell = tell
        self._save = save

    def run(self) -> None:
        """Go through the steps that are not done yet.

        Raises:
            Stopped: the keeper wants to go on another time; everything so far is saved.
        """
        steps: dict[StepName, Callable[[], None]] = {
            StepName.CAUTIONS: self._cautions,
            StepName.PLACE: lambda: self._list(StepName.PLACE, "Place of the probe", PLACE),
            StepName.CABLES: lambda: self._list(StepName.CABLES, "Cables", CABLES),
            StepName.CALIBRATION: self._calibration,
            StepName.FLOW: self._flow,
            StepName.REFERENCE: self._reference,
            StepName.DEVICES: self._devices,
            StepName.TEMPERATURE: self._temperature,
        }
        for name, step in steps.items():
            # Cautions are said anew every time, before anything is touched.
            if name in self.state.done and name is not StepName.CAUTIONS:
                continue
            if name in self.state.skipped:
                self.state.skipped.remove(name)
            step()
            if name not in self.state.done and name not in self.state.skipped:
                self.state.done.append(name)
            self._save(self.state)

    def _ask(self, question: str) -> str:
        answer = self._ask_raw(question).strip()
        if answer.lower() in {"stop", "quit"}:
            raise Stopped
        return answer

    def _yes(self, question: str) -> bool:
        while True:
            answer = self._ask(f"{question} [yes/no]").lower()
            if answer in {"y", "yes"}:
                return True
            if answer in {"n", "no"}:
                return False
            self._tell("Please answer yes, no, or stop.")

    def _number(self, question: str) -> float | None:
        while True:
            answer = self._ask(f"{question} (empty: skip)")
            if not answer:
                return None
            try:
                return float(answer.replace(",", "."))
            except ValueError:
                self._tell("Please type a number, for instance 35.2, or nothing.")

    def _gather(self, count: int) -> list[Reading]:
        return [u for u in self._source.gather(count) if isinstance(u, Reading)]

    def _skip(self, name: StepName) -> None:
        if name not in self.state.skipped:
            self.state.skipped.append(name)
        self._tell("Skipped. Resume later to do it.")

    def _cautions(self) -> None:
        self._tell("Before anything is touched:")
        for caution in CAUTIONS:
            self._tell(f"  - {caution}")
        while not self._yes("Have you read this, and is the tank safe to work at?"):
            self._tell("Then make it safe first, or type stop.")

    def _list(self, name: StepName, title: str, points: Sequence[str]) -> None:
        self._tell(f"{title}. Say for each point whether it is so.")
        for point in points:
            self.state.answers[f"{name}: {point}"] = self._yes(f"  {point}?")

    def _calibration(self) -> None:
        name = StepName.CALIBRATION
        self._tell(
            "Calibration in a standard. Rinse the probe, bring the standard to the tank's "
            "temperature, and swish gently so that no bubble clings."
        )
        if not self._yes("Do you have a sea-water standard of known salinity at hand?"):
            self._skip(name)
            return
        value = self._number("Its salinity, as stated on the bottle")
        temperature = self._number("Its temperature now, in °C")
        if value is None or temperature is None:
            self._skip(name)
            return
        self._source.send("service", {"phase": "start", "minutes": 30})
        self._ask("Put probe and thermometer into the standard, then press Enter.")
        self._source.dipped(value, temperature)
        keys: dict[str, Any] = {
            "standard": "seawater",
            "value": value,
            "unit": "psu",
            "temperature_c": temperature,
            "reading_before": self._gather(READINGS_PER_BLOCK)[-1].reported,
        }
        if self._yes("Do you calibrate the device itself (no: the daemon corrects it)?"):
            self._ask("Calibrate it now, by its own instructions, then press Enter.")
            keys["reading_after"] = self._gather(READINGS_PER_BLOCK)[-1].reported
        else:
            keys["apply"] = True
        answer = self._source.send("calibration", keys)
        for question in answer.get("questions", []):
            self._tell(f"  {question}")
        if answer.get("ok") and not answer.get("recorded"):
            if self._yes("Record and apply it all the same?"):
                answer = self._source.send("calibration", {**keys, "confirm": True})
            else:
                self._tell("Not recorded.")
        for caution in answer.get("cautions", []):
            self._tell(f"  {caution}")
        self._tell(str(answer.get("sentence") or answer.get("error")))
        self.state.calibration = answer
        self._ask("Put probe and thermometer back into the tank, then press Enter.")
        self._source.dipped(None)
        self._source.send("service", {"phase": "end"})

    def _flow(self) -> None:
        name = StepName.FLOW
        self._tell(
            "Still against flowing water. For a few minutes everything that moves water at the "
            "probe is off. Watch the sump's level."
        )
        if not self._yes("Can the pumps near the probe rest for a few minutes?"):
            self._skip(name)
            return
        self._source.send("service", {"phase": "start", "minutes": 60})
        self._ask("Switch them off, wait until the water is still, then press Enter.")
        self._source.flow(on=False)
        self.state.still = self._gather(FLOW_READINGS)
        self._ask("Switch everything on again, then press Enter.")
        self._source.flow(on=True)
        self.state.flowing = self._gather(FLOW_READINGS)
        self._source.send("service", {"phase": "end"})
        result = compare_flow(self.state.still, self.state.flowing)
        if result is not None:
            self._tell(result.sentence)

    def _reference(self) -> None:
        name = StepName.REFERENCE
        self._tell(
            "Reference check. Compare with an independent hand instrument, in still water at the "
            "probe's place. Set or check the instrument in a standard of S = 35 first."
        )
        self._tell("After work at the tank the daemon needs some minutes of steady readings.")
        hint = self._source.hand_instrument()
        if hint:
            self._tell(hint)
        value = self._number("Reading of the hand instrument")
        if value is None:
            self._skip(name)
            return
        instrument = self._ask(
            "Instrument (for instance refractometer, glass hydrometer, bench conductivity meter)"
        )
        unit = self._ask("Unit (psu, ppt, sg, mS/cm)") or "ppt"
        keys: dict[str, Any] = {
            "instrument": instrument or "refractometer",
            "reading": value,
            "unit": unit,
            "standard_checked": self._yes("Was it checked in a standard?"),
            "temperature_corrected": self._yes("Does it correct for temperature by itself?"),
        }
        if not keys["temperature_corrected"]:
            sample_c = self._number("Temperature of the sample, in °C")
            if sample_c is not None:
                keys["sample_temperature_c"] = sample_c
        answer = self._source.send("reference-check", keys)
        self._tell(str(answer.get("sentence") or answer.get("error")))
        for assumption in answer.get("assumptions", []):
            self._tell(f"  {assumption}")
        advice = answer.get("advice")
        if isinstance(advice, dict):
            self._tell(str(advice.get("sentence")))
        self.state.reference = answer
        if answer.get("verdict") not in {"agree", "differ"}:
            if answer.get("what_would_tell"):
                self._tell(str(answer["what_would_tell"]))
            self._skip(name)

    def _devices(self) -> None:
        name = StepName.DEVICES
        if not self._source.devices:
            self._tell("No devices are configured, so none can be tried.")
            return
        self._tell(
            f"Devices. Each is switched {2 * SWITCHING_ROUNDS} times in turn while the reading is "
            "watched. It takes some minutes for each."
        )
        self._source.send("service", {"phase": "start", "minutes": 240})
        for device in self._source.devices:
            if device in self.state.devices:
                continue
            if not self._yes(f"Try {device} now?"):
                continue
            self.state.devices[device] = self._try(device)
            effect = device_effect(
                device, self.state.devices[device], tried=max(1, len(self._source.devices))
            )
            if effect is not None:
                self._tell(effect.sentence)
            self._save(self.state)
        self._source.send("service", {"phase": "end"})
        if any(device not in self.state.devices for device in self._source.devices):
            self._skip(name)

    def _try(self, device: str) -> list[Block]:
        blocks = []
        for number in range(2 * SWITCHING_ROUNDS + 1):
            # Starts and ends on, as the tank usually runs.
            on = number % 2 == 0
            word = "on" if on else "off"
            if number == 0:
                self._ask(f"Leave {device} on, or switch it on, then press Enter.")
            else:
                self._ask(f"Switch {device} {word}, then press Enter.")
            self._source.operated(device, on=on)
            blocks.append(Block(on, self._gather(READINGS_PER_BLOCK)))
        return blocks

    def _temperature(self) -> None:
        name = StepName.TEMPERATURE
        if (
            self.state.fit is not None
            and self.state.fit.get("missing")
            and self._yes("Make a further reference check, at the present temperature?")
        ):
            self._reference()
        self._tell("Temperature coefficient.")
        readings = self._gather(READINGS_PER_BLOCK)
        self.state.readings = [*self.state.readings, *readings][-KEPT_READINGS:]
        last = readings[-1]
        if last.temperature_c is not None:
            self._tell(suggested_coefficient(last.salinity_psu, last.temperature_c))
        answer = self._source.send("fit", {})
        if answer.get("ok"):
            self.state.fit = answer
            for sentence in answer.get("sentences", []):
                self._tell(f"  {sentence}")
        else:
            self._tell(str(answer.get("error")))
        if not answer.get("ok") or answer.get("missing"):
            self._skip(name)
