"""From the fields of a form to the keys of a command."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from bridge.core.errors import UserError
from bridge.core.instrument_kinds import InstrumentKind, ReadingUnit
from bridge.core.settings import GravityReference, ProbeUnit, Tank
from bridge.core.wire.commands import Standard
from bridge.core.wire.instants import iso_utc
from bridge.shell.page.words import permit_title

Entered = Mapping[str, str]

MOST_READINGS: Final = 50
LONGEST_TEXT: Final = 200
LONGEST_AGO_MIN: Final = 365 * 1440

INSTRUMENTS: Final[Mapping[InstrumentKind, str]] = {
    InstrumentKind.REFRACTOMETER_SEA_WATER: "Optical refractometer, sea-water scale",
    InstrumentKind.REFRACTOMETER_BRINE: "Optical refractometer, table-salt scale",
    InstrumentKind.REFRACTOMETER_DIGITAL: "Digital refractometer",
    InstrumentKind.HYDROMETER_GLASS: "Glass hydrometer",
    InstrumentKind.HYDROMETER_SWING_ARM: "Swing-arm hydrometer",
    InstrumentKind.CONDUCTIVITY_METER: "Conductivity meter",
    InstrumentKind.LABORATORY: "Laboratory",
    InstrumentKind.OTHER: "Something else",
}
UNITS: Final[Mapping[ReadingUnit, str]] = {
    ReadingUnit.PPT: "ppt",
    ReadingUnit.PSU: "psu",
    ReadingUnit.SG: "specific gravity",
    ReadingUnit.MS_CM: "mS/cm",
    ReadingUnit.US_CM: "µS/cm",
    ReadingUnit.S_M: "S/m",
    ReadingUnit.INDEX: "refractive index",
}

STANDARDS: Final[Mapping[Standard, str]] = {
    Standard.SEAWATER: "Sea-water standard",
    Standard.KCL_0_01: "Potassium chloride, 0.01 mol per kg of water",
    Standard.KCL_0_1: "Potassium chloride, 0.1 mol per kg of water",
    Standard.KCL_1_0: "Potassium chloride, 1 mol per kg of water",
    Standard.OTHER: "Another one, by its own value",
}


@dataclass(frozen=True, slots=True)
class Form:
    """How a command is entered.

    Attributes:
        template: The page with its fields; None when a button elsewhere is all there is.
        keys: Keys of the command from the fields, the time now, and who is asking.
    """

    template: str | None
    keys: Callable[[Entered, float, str | None], dict[str, Any]]
    asks_back: bool = False
    """Whether the form is shown again with what came of it until it is confirmed."""


def text(entered: Entered, field: str) -> str | None:
    """A text without blanks around it; None when left empty."""
    value = entered.get(field, "").strip()
    if any(ord(letter) < 32 for letter in value):  # noqa: PLR2004
        value = " ".join(value.split())
    if len(value) > LONGEST_TEXT:
        raise UserError(f"A text is longer than {LONGEST_TEXT} characters; make it shorter.")
    return value or None


def number(entered: Entered, field: str, label: str) -> float | None:
    """A number, with a point or a comma; None when left empty."""
    value = text(entered, field)
    return None if value is None else _float(value, label)


def needed(value: float | None, label: str) -> float:
    """A number that may not be left empty."""
    if value is None:
        raise UserError(f"{label} is missing.")
    return value


def numbers(entered: Entered, field: str, label: str) -> list[float]:
    """One or several numbers with blanks or semicolons between them."""
    words = (text(entered, field) or "").replace(";", " ").split()
    if len(words) > MOST_READINGS:
        raise UserError(f"{label}: {len(words)} numbers; accepted are up to {MOST_READINGS}.")
    return [_float(word, label) for word in words]


def _float(word: str, label: str) -> float:
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        shown = word if len(word) <= 20 else word[:20] + "…"  # noqa: PLR2004
        raise UserError(f"{label}: “{shown}” is not a number.")
    return value


def _check(entered: Entered, now_s: float, _by: str | None) -> dict[str, Any]:
    readings = numbers(entered, "reading", "Reading")
    if not readings:
        raise UserError("Reading is missing.")
    keys: dict[str, Any] = {
        "instrument": text(entered, "instrument") or InstrumentKind.OTHER.value,
        "unit": text(entered, "unit"),
        "standard_checked": entered.get("standard_checked") == "yes",
        "sample_temperature_c": number(entered, "sample_temperature_c", "Temperature"),
        "gravity_reference": text(entered, "gravity_reference"),
        "expanded_uncertainty": number(entered, "expanded_uncertainty", "How sure"),
        "coefficient_pct_per_c": number(entered, "coefficient_pct_per_c", "Coefficient"),
        "note": text(entered, "note"),
    }
    if len(readings) == 1:
        keys["reading"] = readings[0]
    else:
        keys["readings"] = readings
    corrected = entered.get("temperature_corrected", "")
    if corrected in {"yes", "no"}:
        keys["temperature_corrected"] = corrected == "yes"
    return {key: value for key, value in keys.items() if value is not None} | _ago(entered, now_s)


def _calibration(entered: Entered, now_s: float, by: str | None) -> dict[str, Any]:
    keys: dict[str, Any] = {
        "standard": text(entered, "standard"),
        "value": needed(number(entered, "value", "Value of the standard"), "Value of the standard"),
        "unit": text(entered, "unit"),
        "temperature_c": needed(
            number(entered, "temperature_c", "Temperature"), "Temperature of the standard"
        ),
        "gravity_reference": text(entered, "gravity_reference"),
        "expanded_uncertainty": number(entered, "expanded_uncertainty", "Good to within"),
        "reading_before": number(entered, "reading_before", "Reading before"),
        "reading_after": number(entered, "reading_after", "Reading after"),
        "apply": entered.get("where") == "daemon",
        "confirm": entered.get("confirm") == "yes",
        "by": by,
        "note": text(entered, "note"),
    }
    return {key: value for key, value in keys.items() if value is not None} | _ago(entered, now_s)


def _fit(entered: Entered, _now_s: float, by: str | None) -> dict[str, Any]:
    keys: dict[str, Any] = {"confirm": entered.get("confirm") == "yes"}
    return keys | ({"by": by} if by is not None else {})


def _ago(entered: Entered, now_s: float) -> dict[str, Any]:
    minutes = number(entered, "minutes_ago", "Minutes ago")
    if minutes is None:
        return {}
    if not 0 <= minutes <= LONGEST_AGO_MIN:
        raise UserError("Minutes ago: accepted is 0 up to a year.")
    return {"time": iso_utc(now_s - 60 * minutes)}


def _acknowledge(entered: Entered, _now_s: float, _by: str | None) -> dict[str, Any]:
    return {"alarm": text(entered, "alarm")}


def _shelve(entered: Entered, _now_s: float, _by: str | None) -> dict[str, Any]:
    minutes = needed(number(entered, "minutes", "Minutes"), "Minutes")
    return {"alarm": text(entered, "alarm"), "minutes": minutes}


def _service(entered: Entered, _now_s: float, _by: str | None) -> dict[str, Any]:
    keys: dict[str, Any] = {"phase": text(entered, "phase")}
    minutes = number(entered, "minutes", "Minutes")
    if minutes is not None:
        keys["minutes"] = minutes
    return keys


def _undo(entered: Entered, _now_s: float, by: str | None) -> dict[str, Any]:
    keys: dict[str, Any] = {
        what: int(found)
        for what in ("check", "calibration")
        if (found := number(entered, what, "Number")) is not None
    }
    return keys | ({"by": by} if by is not None else {})


def _water_change(entered: Entered, _now_s: float, _by: str | None) -> dict[str, Any]:
    keys: dict[str, Any] = {
        "phase": text(entered, "phase"),
        "litres": number(entered, "litres", "Litres"),
        "salinity": number(entered, "salinity", "Salinity"),
    }
    if keys["phase"] is None:
        needed(keys["litres"], "Litres")
        needed(keys["salinity"], "Salinity of the new water")
    return {key: value for key, value in keys.items() if value is not None}


def _bypass(entered: Entered, _now_s: float, by: str | None) -> dict[str, Any]:
    reason = text(entered, "reason")
    if reason is None:
        raise UserError("Why is missing.")
    return {
        "permit": text(entered, "permit"),
        "minutes": needed(number(entered, "minutes", "Minutes"), "Minutes"),
        "reason": reason if by is None else f"{reason} ({by})"[:LONGEST_TEXT],
    }


FORMS: Final[Mapping[str, Form]] = {
    "reference-check": Form("check.html", _check),
    "calibration": Form("calibration.html", _calibration, asks_back=True),
    "fit": Form("fit.html", _fit, asks_back=True),
    "acknowledge": Form(None, _acknowledge),
    "shelve": Form(None, _shelve),
    "service": Form(None, _service),
    "undo": Form(None, _undo),
    "water-change": Form("water-change.html", _water_change),
    "bypass": Form("bypass.html", _bypass),
}


def choices(tank: Tank) -> dict[str, Any]:
    """What the lists of the forms offer."""
    return {
        "instruments": [(kind.value, words) for kind, words in INSTRUMENTS.items()],
        "units": [(unit.value, words) for unit, words in UNITS.items()],
        "standards": [(standard.value, words) for standard, words in STANDARDS.items()],
        "probe_units": [(unit.value, UNITS[ReadingUnit(unit.value)]) for unit in ProbeUnit],
        "references": [reference.value for reference in GravityReference],
        "permits": [(name, permit_title(name)) for name in tank.permits],
    }
