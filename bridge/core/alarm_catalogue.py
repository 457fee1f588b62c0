"""Every alarm there is: what it means, what to do, and how soon.

docs/alarms.md shows this table, rendered by tests/document_tables.py. An alarm nobody can act on
is not an alarm, and is not here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from bridge.core.findings import Cause
from bridge.core.outputs import Priority

MINUTE_S: Final = 60.0
HOUR_S: Final = 3600.0
DAY_S: Final = 86_400.0

MAINS: Final = (
    "switch off and unplug before touching pumps, heaters, lamps or cables; every circuit at the "
    "tank belongs behind a residual-current device"
)
HEATER: Final = (
    "a heater out of the water gets hot and may crack: unplug it and let it cool before you touch "
    "it or the water"
)
FLOOD: Final = (
    "water may be on the floor: keep away from wet plugs and sockets, and switch off their circuit "
    "at the fuse box"
)

READING: Final = "reading"
"""Group of the causes: they explain one and the same disturbance, so one of them is told."""
HOLDING: Final = "long-hold"
"""Group of the long holds: one cause mostly holds several permits, and one look is enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Eased:
    """How an alarm differs while its consequence is a lesser one."""

    when: str
    consequence: str
    priority: Priority
    respond_within_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmKind:
    """One alarm. Texts may name ``{permit}``, for the alarms that each permit has."""

    headline: str
    """What is the matter, after the tank's name, on a lock screen."""
    recovered: str
    """What is told when it is over."""
    cause: str
    consequence: str
    actions: tuple[str, ...]
    """In order; the first one fits a lock screen."""
    priority: Priority
    respond_within_s: float
    on_delay_s: float
    """The condition lasts this long before it is told."""
    off_delay_s: float
    """The condition has been gone this long before it is over."""
    latched: bool = False
    """Stays, after it is over, until it is acknowledged."""
    caution: str | None = None
    group: str | None = None
    explained_by: tuple[str, ...] = ()
    """Alarms of which this one is only a consequence; suppressed while one of them stands."""
    eased: Eased | None = None
    """What it is as long as it does no harm; None when it always does."""


_NO_NUMBER: Final = (
    Cause.SILENT.value,
    Cause.INVALID.value,
    Cause.STUCK.value,
    Cause.EXPOSED.value,
)

CAUSE_ALARMS: Final[Mapping[str, AlarmKind]] = {
    Cause.DILUTION.value: AlarmKind(
        headline="the water is really getting fresher.",
        recovered="the water is no longer getting fresher.",
        cause="More fresh water enters than evaporates, or salt leaves with water that is "
        "replaced by fresh: a stuck or siphoning top-off, a leak, an overflowing skimmer.",
        consequence="Falling salinity harms or kills the animals within hours.",
        actions=(
            "Close the top-off's valve or unplug its pump.",
            "Look for a siphon, a leak and a skimmer that throws out water.",
            "Measure the salinity with a hand instrument.",
            "Bring it back slowly with salt water that is mixed and warm, not with dry salt.",
        ),
        priority=Priority.HIGH,
        respond_within_s=15 * MINUTE_S,
        on_delay_s=30,
        off_delay_s=30 * MINUTE_S,
        latched=True,
        caution=MAINS,
        group=READING,
    ),
    Cause.CONCENTRATION.value: AlarmKind(
        headline="the water is really getting saltier.",
        recovered="the water is no longer getting saltier.",
        cause="Evaporated water is not replaced (an empty reservoir, a stuck float), or too much "
        "salt was added.",
        consequence="The level falls: pumps may run dry, heaters come out of the water, and the "
        "salinity climbs by some tenths a day.",
        actions=(
            "Look at the reservoir and at the water level.",
            "Check the top-off's float or sensor for dirt and snails.",
            "Replace what evaporated with fresh water, over hours.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=4 * HOUR_S,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=HOUR_S,
        caution=HEATER,
        group=READING,
    ),
    Cause.EXPOSED.value: AlarmKind(
        headline="the probe or its thermometer is out of the water.",
        recovered="probe and thermometer are in the water again.",
        cause="The water level fell below the probe, a pump stopped, or it was taken out.",
        consequence="The salinity is not measured. If the level fell, pumps may run dry and "
        "heaters come out of the water.",
        actions=(
            "Look at the water level and at the return pump.",
            "Put the probe back where it stays covered when pumps stop.",
            "Do not calibrate.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=HOUR_S,
        on_delay_s=2 * MINUTE_S,
        off_delay_s=10 * MINUTE_S,
        caution=HEATER,
        group=READING,
    ),
    Cause.SILENT.value: AlarmKind(
        headline="the probe has gone silent.",
        recovered="the probe is heard again.",
        cause="No message came from the probe or the thermometer in the time it should have: "
        "power, cable, network, or the program that sends them.",
        consequence="The salinity is not watched, and permits that depend on it are held.",
        actions=(
            "Check the power and the network of the probe's device.",
            "Restart the device or the program that sends its readings.",
            "Measure by hand while it is away.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=4 * HOUR_S,
        on_delay_s=2 * MINUTE_S,
        off_delay_s=5 * MINUTE_S,
        group=READING,
    ),
    Cause.INVALID.value: AlarmKind(
        headline="messages from the probe hold no usable number.",
        recovered="the probe's messages are usable again.",
        cause="The device sends an error, text or an impossible number, or the configured path "
        "or unit does not fit.",
        consequence="The salinity is not watched, and permits that depend on it are held.",
        actions=(
            "Look at what the device sends on its topic.",
            "Restart the device; check its cable for a break.",
            "Compare path and unit in the configuration with the message.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=4 * HOUR_S,
        on_delay_s=5 * MINUTE_S,
        off_delay_s=10 * MINUTE_S,
        group=READING,
    ),
    Cause.STUCK.value: AlarmKind(
        headline="the probe's number does not move at all.",
        recovered="the probe's number moves again.",
        cause="The device repeats its last value, or its converter has stopped.",
        consequence="The number is no measurement; a real change would not be seen.",
        actions=(
            "Restart the probe's device.",
            "Lift the probe out and put it back: the number has to move.",
            "Measure by hand until it does.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=12 * HOUR_S,
        on_delay_s=5 * MINUTE_S,
        off_delay_s=30 * MINUTE_S,
        group=READING,
    ),
    Cause.BUBBLES.value: AlarmKind(
        headline="reading looks like bubbles, not real change.",
        recovered="the bubbles are gone from the reading.",
        cause="Gas on or between the electrodes, from a skimmer's outlet, a pump or splashing.",
        consequence="The probe reads low. The estimate goes on without it, less sure by the hour.",
        actions=(
            "Look at the skimmer's outlet and the water around the probe; do not calibrate.",
            "Swish the probe gently to free a bubble that has lodged.",
            "Move it to a calm place away from outlets, or put a coarse mesh bag on the outlet.",
        ),
        priority=Priority.LOW,
        respond_within_s=DAY_S,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=HOUR_S,
        group=READING,
    ),
    Cause.INTERFERENCE.value: AlarmKind(
        headline="reading looks like electrical pick-up, not real change.",
        recovered="the electrical pick-up is gone from the reading.",
        cause="A pump, lamp, heater or its supply disturbs the probe's small current, mostly "
        "through cables that run side by side.",
        consequence="The reading is off while that device runs.",
        actions=(
            "See in the diagnosis which device it follows; do not calibrate.",
            "Lay the probe's cable away from power cables; let them cross at right angles only.",
            "Give probe and device separate supplies.",
        ),
        priority=Priority.LOW,
        respond_within_s=DAY_S,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=3 * HOUR_S,
        caution=MAINS,
        group=READING,
    ),
    Cause.ADJACENT_PROBE.value: AlarmKind(
        headline="reading is disturbed by another probe, not by the water.",
        recovered="the other probe no longer disturbs the reading.",
        cause="Another measuring probe in the same water passes a current through it.",
        consequence="The reading is off while the other probe measures.",
        actions=(
            "Move the probes apart; do not calibrate.",
            "Put the other probe on an isolated circuit.",
        ),
        priority=Priority.LOW,
        respond_within_s=DAY_S,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=3 * HOUR_S,
        group=READING,
    ),
    Cause.COMPENSATION.value: AlarmKind(
        headline="reading follows the water's temperature.",
        recovered="the reading no longer follows the temperature.",
        cause="The device's temperature coefficient does not fit this water.",
        consequence="The reading swings with every warm and cool hour.",
        actions=(
            "Set the coefficient that the diagnosis names; do not calibrate.",
            "Compare with a hand instrument at the temperature the tank really has.",
        ),
        priority=Priority.LOW,
        respond_within_s=7 * DAY_S,
        on_delay_s=HOUR_S,
        off_delay_s=DAY_S,
        group=READING,
    ),
    Cause.DRIFT.value: AlarmKind(
        headline="the probe seems to drift.",
        recovered="the probe agrees with the water again.",
        cause="Film, lime or age slowly changes the cell.",
        consequence="The reading walks away from the water, a little more each day.",
        actions=(
            "Clean the probe gently.",
            "Compare with a hand instrument and send the result as a reference check.",
            "Calibrate only when the two disagree by more than their uncertainties.",
        ),
        priority=Priority.LOW,
        respond_within_s=3 * DAY_S,
        on_delay_s=HOUR_S,
        off_delay_s=DAY_S,
        group=READING,
    ),
    Cause.PLUME.value: AlarmKind(
        headline="the probe sits in water that has not mixed yet.",
        recovered="the probe sits in mixed water again.",
        cause="Fresh or salt water from the top-off, a doser or a water change passes the probe.",
        consequence="The reading dips or jumps with each addition and recovers as the tank mixes.",
        actions=(
            "Move the probe or the hose apart, the probe upstream; do not calibrate.",
            "Let additions run where the flow is strong.",
        ),
        priority=Priority.LOW,
        respond_within_s=7 * DAY_S,
        on_delay_s=30 * MINUTE_S,
        off_delay_s=3 * HOUR_S,
        group=READING,
    ),
    Cause.UNEXPLAINED.value: AlarmKind(
        headline="reading is implausible, and no cause stands out.",
        recovered="the reading is plausible again.",
        cause="The reading moves as this water cannot, and fits none of the known disturbances.",
        consequence="The estimate goes on without the probe, less sure by the hour.",
        actions=(
            "Measure with a hand instrument; do not calibrate yet.",
            "Look at probe, cable and water for anything changed lately.",
        ),
        priority=Priority.LOW,
        respond_within_s=DAY_S,
        on_delay_s=15 * MINUTE_S,
        off_delay_s=HOUR_S,
        group=READING,
    ),
}

SALINITY_LOW: Final = "salinity-low"
SALINITY_HIGH: Final = "salinity-high"
TEMPERATURE_LOW: Final = "temperature-low"
TEMPERATURE_HIGH: Final = "temperature-high"
UNCERTAIN: Final = "uncertain"
LEVEL_HIGH: Final = "level-high"
LEVEL_SILENT: Final = "level-silent"

WATER_ALARMS: Final[Mapping[str, AlarmKind]] = {
    SALINITY_LOW: AlarmKind(
        headline="the salinity is below its limit.",
        recovered="the salinity is back above its lower limit.",
        cause="The water is fresher than limits.low_psu.",
        consequence="Animals are under stress, the more the longer it lasts.",
        actions=(
            "Measure with a hand instrument to be sure.",
            "Exchange some water for saltier water, slowly: at most 0.5 to 1 a day.",
            "Find out where the fresh water came from.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=4 * HOUR_S,
        on_delay_s=5 * MINUTE_S,
        off_delay_s=30 * MINUTE_S,
        explained_by=(Cause.DILUTION.value,),
    ),
    SALINITY_HIGH: AlarmKind(
        headline="the salinity is above its limit.",
        recovered="the salinity is back below its upper limit.",
        cause="The water is saltier than limits.high_psu.",
        consequence="Animals are under stress, the more the longer it lasts.",
        actions=(
            "Measure with a hand instrument to be sure.",
            "Look at level and reservoir: has evaporated water been replaced?",
            "Replace some tank water by fresh water, slowly: at most 0.5 to 1 a day.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=4 * HOUR_S,
        on_delay_s=5 * MINUTE_S,
        off_delay_s=30 * MINUTE_S,
        explained_by=(Cause.CONCENTRATION.value,),
    ),
    TEMPERATURE_LOW: AlarmKind(
        headline="the water is too cold.",
        recovered="the water is warm enough again.",
        cause="A heater has failed or is off, or the room is cold.",
        consequence="Animals weaken, and die when it goes on.",
        actions=(
            "Check that the heater has power and is under water.",
            "Check the temperature with a second thermometer.",
            "Warm the room, cover the tank; add no hot water.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=2 * HOUR_S,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=10 * MINUTE_S,
        caution=HEATER,
        explained_by=_NO_NUMBER,
    ),
    TEMPERATURE_HIGH: AlarmKind(
        headline="the water is too warm.",
        recovered="the water has cooled again.",
        cause="A heater does not switch off, the room is hot, or lamps and pumps heat the water.",
        consequence="Warm water holds less oxygen; animals weaken, and die when it goes on.",
        actions=(
            "Unplug the heater.",
            "Move air over the water; shade it and dim the lamps.",
            "Check the temperature with a second thermometer.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=2 * HOUR_S,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=10 * MINUTE_S,
        caution=MAINS,
        explained_by=_NO_NUMBER,
    ),
    UNCERTAIN: AlarmKind(
        headline="the salinity is no longer known well enough.",
        recovered="the salinity is known well enough again.",
        cause="The probe has been disturbed for so long that the estimate is too uncertain.",
        consequence="Salinity is published as unknown, and permits that depend on it are held.",
        actions=(
            "Measure with a hand instrument and send the result as a reference check.",
            "Remove what disturbs the probe (see the diagnosis).",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=12 * HOUR_S,
        on_delay_s=30 * MINUTE_S,
        off_delay_s=30 * MINUTE_S,
        explained_by=_NO_NUMBER,
    ),
    LEVEL_HIGH: AlarmKind(
        headline="the water level is high.",
        recovered="the water level is normal again.",
        cause="Too much water was added, an overflow is blocked, or the return pump has stopped.",
        consequence="The sump or the tank may overflow.",
        actions=(
            "Look whether water runs over, and stop what adds water.",
            "Check that the return pump runs and the overflow is free.",
            "Take out the surplus; mind the salinity if it was fresh water.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=HOUR_S,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=10 * MINUTE_S,
        caution=FLOOD,
        explained_by=(Cause.DILUTION.value,),
    ),
    LEVEL_SILENT: AlarmKind(
        headline="the water level is not heard.",
        recovered="the water level is heard again.",
        cause="No message came from the level sensor in the time it should have.",
        consequence="Neither missing nor surplus water is seen; a level-driven top-off is held.",
        actions=(
            "Look at the water level.",
            "Check the power and the network of the level sensor's device.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=4 * HOUR_S,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=10 * MINUTE_S,
    ),
}

PERMIT_ALARMS: Final[Mapping[str, AlarmKind]] = {
    "overrun": AlarmKind(
        headline="{permit} runs although it is held.",
        recovered="{permit} has stopped.",
        cause="The actuator did not stop when it was told: a stuck relay or valve, a siphon, or a "
        "device that does not honour the permit.",
        consequence="Water or additive goes on flowing; nothing in software can stop it.",
        actions=(
            "Unplug {permit} or close its valve now.",
            "Look for a siphon: is the hose's end under water?",
            "Find out why it did not stop before you acknowledge; until then it stays held.",
        ),
        priority=Priority.HIGH,
        respond_within_s=5 * MINUTE_S,
        on_delay_s=0,
        off_delay_s=0,
        latched=True,
        caution=MAINS,
        eased=Eased(
            when="the hold is only a precaution, and run time and litres are within their limits",
            consequence="It may add no more than it usually does, or may not stop when it has to: "
            "nothing in software can stop it.",
            priority=Priority.MEDIUM,
            respond_within_s=HOUR_S,
        ),
    ),
    "run-time": AlarmKind(
        headline="{permit} ran longer than it may.",
        recovered="{permit} has rested after a run that was too long.",
        cause="A stuck float or sensor, an empty reservoir, or a leak keeps calling for more.",
        consequence="It is held until it has rested; the tank may have received too much.",
        actions=(
            "Look at the water level and at the sensor that drives {permit}.",
            "Look at the reservoir and for leaks.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=HOUR_S,
        on_delay_s=0,
        off_delay_s=0,
        latched=True,
        caution=MAINS,
        explained_by=("overrun-{permit}",),
    ),
    "litres": AlarmKind(
        headline="{permit} has delivered more than its budget.",
        recovered="{permit} is within its budget again.",
        cause="More was added than evaporates: a leak, a stuck sensor, an overflowing skimmer, or "
        "a limit that is too tight.",
        consequence="It is held until the hour or day has passed; the level may fall meanwhile.",
        actions=(
            "Look at the water level and for water on the floor.",
            "Measure the salinity with a hand instrument.",
            "Raise the limit only when you know where the water went.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=2 * HOUR_S,
        on_delay_s=MINUTE_S,
        off_delay_s=10 * MINUTE_S,
        caution=FLOOD,
        explained_by=("overrun-{permit}", Cause.DILUTION.value),
    ),
    "long-hold": AlarmKind(
        headline="{permit} has been held for {held}: check the level by hand.",
        recovered="{permit} is permitted again.",
        cause="Something has kept {permit} on hold (see its reasons).",
        consequence="What it should add is missing: the level falls, pumps may run dry, heaters "
        "come out of the water, salinity climbs.",
        actions=(
            "Check the water level by hand, and top up if it is low.",
            "Remove the reason of the hold; bypass it for a time if you know better.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=HOUR_S,
        on_delay_s=0,
        off_delay_s=5 * MINUTE_S,
        caution=HEATER,
        group=HOLDING,
        explained_by=("overrun-{permit}", "run-time-{permit}", "litres-{permit}"),
    ),
}

BROKER_LOST: Final = "broker-lost"
CLOCK_UNSETTLED: Final = "clock-unsettled"
STORAGE_FAULT: Final = "storage-fault"
ANOTHER_DAEMON: Final = "another-daemon"
ALERTS_STUCK: Final = "alerts-stuck"

PLANT_ALARMS: Final[Mapping[str, AlarmKind]] = {
    ANOTHER_DAEMON: AlarmKind(
        headline="somebody else publishes in its place.",
        recovered="nobody else publishes in its place any more.",
        cause="A second daemon runs with the same base topic (started twice, an old installation, "
        "a copied configuration), or somebody forges its messages.",
        consequence="Everything concerned is held, so that two do not control the same pump; a "
        "forged permit may have let an actuator run until then.",
        actions=(
            "Find the second daemon and stop it, or give it a base topic of its own.",
            "If there is none, somebody forges: change the broker's passwords and access list.",
            "Look at the water level and the pumps.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=HOUR_S,
        on_delay_s=10,
        off_delay_s=5 * MINUTE_S,
        caution=MAINS,
    ),
    ALERTS_STUCK: AlarmKind(
        headline="alerts do not reach somebody.",
        recovered="alerts arrive again.",
        cause="The internet connection or the service is down, or the address is no longer good.",
        consequence="Whoever is to be told by it does not hear of alarms; they wait, and are sent "
        "when it works again, for three days at most.",
        actions=(
            "Check that the internet can be reached.",
            "Send a test: tidegate notify --config F --test.",
            "Look at this page or the dashboard now and then until it works.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=4 * HOUR_S,
        on_delay_s=15 * MINUTE_S,
        off_delay_s=MINUTE_S,
    ),
    BROKER_LOST: AlarmKind(
        headline="the MQTT broker cannot be reached.",
        recovered="the MQTT broker is reached again.",
        cause="The broker, its computer or the network is down, or refuses the connection.",
        consequence="No reading arrives from any tank, and everything with a permit is held.",
        actions=(
            "Check that the broker's computer and the network are up.",
            "Restart the broker; look into its log and that of Tidegate.",
            "Check water levels by hand when it takes longer.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=HOUR_S,
        on_delay_s=2 * MINUTE_S,
        off_delay_s=MINUTE_S,
    ),
    CLOCK_UNSETTLED: AlarmKind(
        headline="the computer's clock keeps jumping.",
        recovered="the computer's clock is steady again.",
        cause="The clock is set by hand, or its synchronisation does not work.",
        consequence="Everything with a permit is held, and times in the history are wrong.",
        actions=("Check the computer's time synchronisation.",),
        priority=Priority.MEDIUM,
        respond_within_s=4 * HOUR_S,
        on_delay_s=15 * MINUTE_S,
        off_delay_s=10 * MINUTE_S,
    ),
    STORAGE_FAULT: AlarmKind(
        headline="the history cannot be written.",
        recovered="the history is written again.",
        cause="The disk is full, worn out or read-only.",
        consequence="Charts and reports have a gap, and what was learned is lost at a restart.",
        actions=(
            "Free some disk space.",
            "Check the disk or memory card, and the rights of the data directory.",
        ),
        priority=Priority.MEDIUM,
        respond_within_s=DAY_S,
        on_delay_s=5 * MINUTE_S,
        off_delay_s=5 * MINUTE_S,
    ),
}
