"""Hand instruments: from what the keeper read to practical salinity with its uncertainty.

Every assumption that was needed on the way is returned as a sentence, and widens the uncertainty.
"""

import math
from collections.abc import Mapping
from typing import Final

from bridge.core.agreement import average_readings
from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.instrument_kinds import (
    REFRACTOMETERS,
    TYPICAL,
    Contribution,
    Conversion,
    HandReading,
    InstrumentKind,
    ReferenceValue,
    TypicalUncertainty,
)
from bridge.core.instrument_scales import Converter, converter
from bridge.core.refraction import SCALE_TEMPERATURE_C
from bridge.core.seawater import HIGHEST_SALINITY_PSU, LOWEST_SALINITY_PSU

# Common practice, no source: automatic temperature correction holds in this range.
_CORRECTED_RANGE_C: Final = (10.0, 30.0)


def reference_value(
    reading: HandReading, typical: Mapping[InstrumentKind, TypicalUncertainty] = TYPICAL
) -> ReferenceValue:
    """Turn hand readings into practical salinity with expanded uncertainty.

    Args:
        reading: What was read, with everything known about how.
        typical: Standard uncertainties of the kinds, where the keeper states none.

    Returns:
        Practical salinity 2..42 with budget and assumptions. [1]

    Raises:
        UserError: something indispensable is missing, a unit does not belong to the instrument,
            or the reading is no sea water of S 2..42.

    Source: Quan & Fry 1995 (refractometers), TEOS-10 (hydrometers), PSS-78 (conductivity);
        uncertainties combined by JCGM 100:2008 (GUM).
    """
    if not reading.readings:
        raise UserError("a reference check needs at least one reading")
    work = Conversion()
    convert, temperature_c, temperature_uncertainty_c = converter(reading, work)
    try:
        salinities = [convert(value, temperature_c) for value in reading.readings]
    except OutOfRangeError as error:
        raise UserError(f"the reading does not fit sea water: {error}") from error
    for salinity in salinities:
        if not LOWEST_SALINITY_PSU <= salinity <= HIGHEST_SALINITY_PSU:
            raise UserError(f"the reading means a salinity of {salinity:.1f}; accepted is 2 to 42")
    _add_temperature(reading, work, convert, temperature_c, temperature_uncertainty_c)
    _add_instrument(reading, work, typical)
    common = math.sqrt(math.fsum(line.standard_uncertainty_psu**2 for line in work.budget))
    average = average_readings(salinities, common)
    if average.count > 1:
        of_mean = average.scatter / math.sqrt(average.count)
        work.budget.append(Contribution(f"scatter of {average.count} readings", of_mean))
    return ReferenceValue(
        average.mean,
        average.expanded_uncertainty,
        average.scatter,
        average.count,
        tuple(work.budget),
        tuple(work.assumptions),
    )


def _add_temperature(
    reading: HandReading,
    work: Conversion,
    convert: Converter,
    temperature_c: float,
    uncertainty_c: float,
) -> None:
    if uncertainty_c > 0:
        value = reading.readings[0]
        try:
            # Toward 20 °C, where every relation holds, so that the step cannot leave its range.
            step = -uncertainty_c if temperature_c > SCALE_TEMPERATURE_C else uncertainty_c
            moved = convert(value, temperature_c + step)
        except OutOfRangeError as error:
            raise UserError(f"the reading does not fit sea water: {error}") from error
        effect = abs(moved - convert(value, temperature_c))
        work.budget.append(
            Contribution(f"temperature of the sample ± {uncertainty_c:g} °C", effect)
        )
        return
    sample_c = reading.sample_temperature_c
    if reading.kind not in REFRACTOMETERS or sample_c is None:
        return
    low, high = _CORRECTED_RANGE_C
    beyond = max(low - sample_c, sample_c - high)
    if beyond > 0:
        # Quan and Fry 1995: 0.65 in salinity per C, left uncorrected beyond the usual range.
        work.assume(
            f"Automatic temperature correction is usually good for {low:g} to {high:g} °C; "
            f"the sample had {sample_c:g} °C.",
            0.65 * beyond,
        )


def _add_instrument(
    reading: HandReading, work: Conversion, typical: Mapping[InstrumentKind, TypicalUncertainty]
) -> None:
    stated = reading.expanded_uncertainty_psu
    if stated is not None:
        if not 0 < stated < math.inf:
            raise UserError(f"expanded_uncertainty is {stated:g}; it must be above 0")
        work.budget.append(Contribution("instrument, as stated", stated / 2))
        return
    usual = typical[reading.kind]
    if reading.standard_checked:
        work.budget.append(Contribution("instrument, checked in a standard", usual.checked_psu))
        return
    work.budget.append(Contribution("instrument, not checked in a standard", usual.unchecked_psu))
    if usual.unchecked_psu > usual.checked_psu:
        work.assume(
            "The instrument was not checked in a standard, so it is taken as good to "
            f"{2 * usual.unchecked_psu:g} only; after a check, {2 * usual.checked_psu:g}."
        )
