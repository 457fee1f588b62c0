"""Every hand instrument against published relations, with its budget and its assumptions."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core import seawater
from bridge.core.errors import UserError
from bridge.core.instrument_kinds import (
    TYPICAL,
    HandReading,
    InstrumentKind,
    ReadingUnit,
    TypicalUncertainty,
    instrument_kind,
)
from bridge.core.instruments import reference_value
from bridge.core.settings import GravityReference

Kind = InstrumentKind
Unit = ReadingUnit

GRAVITIES = list(
    csv.DictReader(
        (Path(__file__).parents[1] / "data" / "specific_gravity.csv").read_text().splitlines()
    )
)
COLUMNS = {
    GravityReference.R20_20: "SG_20/20_TEOS10",
    GravityReference.R25_25: "SG_25/25_TEOS10",
    GravityReference.R60F_60F: "SG_60F/60F_TEOS10",
}


def reading(kind: InstrumentKind, value: float, unit: ReadingUnit, **known: object) -> HandReading:
    """One reading, with whatever else is known."""
    return replace(
        HandReading(kind=kind, readings=(value,), unit=unit),
        **known,  # type: ignore[arg-type] # (each test states the right types)
    )


def test_corrected_sea_water_scale_is_taken_as_it_is() -> None:
    """35 on a corrected sea-water scale is S = 35, ± 1.0 once checked in a standard."""
    value = reference_value(
        reading(
            Kind.REFRACTOMETER_SEA_WATER,
            35,
            Unit.PPT,
            temperature_corrected=True,
            standard_checked=True,
        )
    )

    assert value.salinity_psu == pytest.approx(35)
    assert value.expanded_uncertainty_psu == pytest.approx(1.0)
    assert value.assumptions == ()


def test_an_unchecked_instrument_is_less_certain_and_says_so() -> None:
    """Without a standard it is taken as ± 2.0, and the sentence says what a check would bring."""
    value = reference_value(
        reading(Kind.REFRACTOMETER_SEA_WATER, 35, Unit.PPT, temperature_corrected=True)
    )

    assert value.expanded_uncertainty_psu == pytest.approx(2.0)
    assert "not checked in a standard" in value.assumptions[0]


def test_missing_temperature_correction_costs_two_thirds_of_a_unit_per_degree() -> None:
    """Quan & Fry 1995: dn/dT / dn/dS is -0.65 S per °C near 25 °C, so 5 °C warm reads 3 low."""
    value = reference_value(
        reading(
            Kind.REFRACTOMETER_SEA_WATER,
            32.0,
            Unit.PPT,
            temperature_corrected=False,
            sample_temperature_c=25.0,
        )
    )

    # Index at 20 °C of 32 is 1.338857 (table); at 25 °C that index is 1.338858: S = 35.0.
    assert value.salinity_psu == pytest.approx(35.0, abs=0.02)
    temperature = next(line for line in value.budget if "temperature" in line.source)
    assert temperature.standard_uncertainty_psu == pytest.approx(0.3 * 0.65, rel=0.1)


def test_brine_scale_at_36_and_a_half_is_35() -> None:
    """36.5 on a table-salt scale is sea water of S = 35 (CRC indices, ± 0.3)."""
    value = reference_value(
        reading(Kind.REFRACTOMETER_BRINE, 36.5, Unit.PPT, temperature_corrected=True)
    )

    assert value.salinity_psu == pytest.approx(35.0, abs=0.05)
    assert any("table-salt" in sentence for sentence in value.assumptions)


def test_brine_scale_set_with_a_sea_water_standard_is_right_at_35() -> None:
    """Set to 35 in the standard, the scale is right there and compresses elsewhere."""
    at = [
        reference_value(
            reading(
                Kind.REFRACTOMETER_BRINE,
                shown,
                Unit.PPT,
                temperature_corrected=True,
                standard_checked=True,
            )
        ).salinity_psu
        for shown in (30.0, 35.0)
    ]

    assert at[1] == pytest.approx(35.0, abs=1e-6)
    # The brine scale runs 1.04 times as fast as salinity (reference table: 31.28 to 36.49).
    assert at[0] == pytest.approx(35 - 5 / 1.042, abs=0.02)


def test_brine_gravity_scale_is_no_sea_water_gravity_scale() -> None:
    """1.025 of brine is 35 g/kg of table salt, hence S near 33.6, not 33.2 (20/20)."""
    value = reference_value(
        reading(Kind.REFRACTOMETER_BRINE, 1.0250, Unit.SG, temperature_corrected=True)
    )

    # CRC densities: 35 g/kg weighs 1.0232 at 20 °C, over 0.9982 is 1.0250.
    assert value.salinity_psu == pytest.approx(33.58, abs=0.1)


def test_refractive_index_is_read_directly() -> None:
    """An index of 1.338858 at 25 °C is S = 35 (Quan & Fry 1995)."""
    value = reference_value(
        reading(
            Kind.REFRACTOMETER_DIGITAL,
            1.338858,
            Unit.INDEX,
            temperature_corrected=False,
            sample_temperature_c=25.0,
        )
    )

    assert value.salinity_psu == pytest.approx(35.0, abs=0.01)


@pytest.mark.parametrize("reference", list(COLUMNS))
@pytest.mark.parametrize("row", GRAVITIES[::4], ids=lambda row: f"S{row['SP']}")
def test_glass_hydrometer_at_its_own_temperature_reads_the_table(
    row: dict[str, str], reference: GravityReference
) -> None:
    """At the reference temperature the reading is the specific gravity of TEOS-10."""
    value = reference_value(
        reading(
            Kind.HYDROMETER_GLASS,
            float(row[COLUMNS[reference]]),
            Unit.SG,
            gravity_reference=reference,
            temperature_corrected=True,
        )
    )

    assert value.salinity_psu == pytest.approx(float(row["SP"]), abs=1.5e-3)


def test_glass_hydrometer_in_warm_water_worked_by_hand() -> None:
    """A 60F/60F hydrometer at 25 °C in S = 35 shows 1.0246.

    By hand from the reference table: water of S = 35 weighs 1023.344 at 25 °C and 1.026862 times
    pure water at 60 °F (999.016 kg/m3, TEOS-10). Glass 9.44 °C warmer than its reference
    displaces 1.000236 times as much (25e-6 per °C, ISO 1768):
    1023.344 * 1.000236 / 999.016 = 1.024594.
    """
    value = reference_value(
        reading(
            Kind.HYDROMETER_GLASS,
            1.024594,
            Unit.SG,
            gravity_reference=GravityReference.R60F_60F,
            sample_temperature_c=25.0,
        )
    )

    assert value.salinity_psu == pytest.approx(35.0, abs=0.01)


def test_glass_hydrometer_without_its_reference_is_less_certain() -> None:
    """An unstated reference is assumed, said, and widens the uncertainty."""
    known = reading(
        Kind.HYDROMETER_GLASS,
        1.0264,
        Unit.SG,
        temperature_corrected=True,
        gravity_reference=GravityReference.R25_25,
    )
    unknown = replace(known, gravity_reference=None)

    assert (
        reference_value(unknown).expanded_uncertainty_psu
        > reference_value(known).expanded_uncertainty_psu
    )
    assert "25/25" in reference_value(unknown).assumptions[0]


def test_swing_arm_hydrometer_is_coarse() -> None:
    """± 4 by common practice, with or without a check."""
    value = reference_value(reading(Kind.HYDROMETER_SWING_ARM, 35, Unit.PPT, standard_checked=True))

    assert value.salinity_psu == 35
    assert value.expanded_uncertainty_psu == pytest.approx(4)


@pytest.mark.parametrize(
    ("conductivity", "temperature"),
    # S = 35 by PSS-78, the figures of the reference table (± 0.001 mS/cm).
    [(47.918, 20.0), (52.029, 24.0), (53.071, 25.0), (54.118, 26.0), (56.228, 28.0)],
)
@pytest.mark.parametrize(("unit", "factor"), [("mS/cm", 1), ("uS/cm", 1000), ("S/m", 0.1)])
def test_uncompensated_meter_by_the_practical_salinity_scale(
    conductivity: float, temperature: float, unit: str, factor: float
) -> None:
    """Conductivity at the sample's temperature gives S = 35 in every unit."""
    value = reference_value(
        reading(
            Kind.CONDUCTIVITY_METER,
            conductivity * factor,
            ReadingUnit(unit),
            temperature_corrected=False,
            sample_temperature_c=temperature,
        )
    )

    assert value.salinity_psu == pytest.approx(35.0, abs=1e-3)


def test_compensated_meter_is_undone_with_its_coefficient() -> None:
    """C25 with 2.2 %/°C at 22 °C reads 0.31 high if believed; undone, it is right."""
    at_c = 22.0
    shown = seawater.conductivity_ms_cm(35, at_c) / (1 + 0.022 * (at_c - 25))
    assert seawater.salinity_psu(shown, 25) == pytest.approx(35.31, abs=0.01)

    value = reference_value(
        reading(
            Kind.CONDUCTIVITY_METER,
            shown,
            Unit.MS_CM,
            temperature_corrected=True,
            sample_temperature_c=at_c,
            coefficient_pct_per_c=2.2,
        )
    )

    assert value.salinity_psu == pytest.approx(35.0, abs=1e-6)


def test_compensated_meter_without_its_coefficient_is_less_certain_away_from_25() -> None:
    """2.0 is assumed; at 20 °C that costs 0.2 %/°C * 5 °C * 0.394 S per 1 % = 0.4, uniform."""
    value = reference_value(
        reading(
            Kind.CONDUCTIVITY_METER,
            53.07,
            Unit.MS_CM,
            temperature_corrected=True,
            sample_temperature_c=20.0,
        )
    )

    assumed = next(line for line in value.budget if "2.0 % per" in line.source)
    # 0.394 S per 1 % at C; the factor 1 - 0.1 of the compensation raises it by a ninth.
    assert assumed.standard_uncertainty_psu == pytest.approx(0.394 / 0.9 / math.sqrt(3), rel=0.05)


def test_laboratory_is_nearly_exact() -> None:
    """± 0.1 by common practice."""
    value = reference_value(reading(Kind.LABORATORY, 34.87, Unit.PSU))

    assert value.salinity_psu == 34.87
    assert value.expanded_uncertainty_psu == pytest.approx(0.1)


def test_stated_uncertainty_replaces_the_typical_one() -> None:
    """What the keeper states counts."""
    value = reference_value(reading(Kind.OTHER, 35, Unit.PSU, expanded_uncertainty_psu=0.3))

    assert value.expanded_uncertainty_psu == pytest.approx(0.3)


def test_typical_uncertainties_can_be_replaced() -> None:
    """Common practice is only a default."""
    own = {**TYPICAL, Kind.OTHER: TypicalUncertainty(checked_psu=0.1, unchecked_psu=0.2)}

    value = reference_value(reading(Kind.OTHER, 35, Unit.PSU), own)

    assert value.expanded_uncertainty_psu == pytest.approx(0.4)


def test_repeated_readings_are_averaged_with_their_scatter() -> None:
    """34, 35, 36: mean 35, scatter 1; the scatter of the mean joins the budget."""
    value = reference_value(
        HandReading(
            kind=Kind.REFRACTOMETER_SEA_WATER,
            readings=(34.0, 35.0, 36.0),
            unit=Unit.PPT,
            temperature_corrected=True,
            standard_checked=True,
        )
    )

    assert value.salinity_psu == pytest.approx(35)
    assert value.scatter_psu == pytest.approx(1)
    assert value.count == 3
    assert value.budget[-1].standard_uncertainty_psu == pytest.approx(1 / math.sqrt(3))
    # u = hypot(0.5, 0.577) = 0.764; 2 * (0.764 / 0.577)^4 = 6.1 degrees of freedom: t = 2.52.
    assert value.expanded_uncertainty_psu == pytest.approx(2.52 * math.hypot(0.5, 1 / math.sqrt(3)))


@given(st.floats(12, 33), st.floats(16, 29))
def test_expanded_uncertainty_covers_the_whole_budget(salinity: float, temperature: float) -> None:
    """U is twice the root of the sum of squares of the lines shown (GUM 5.1.2)."""
    value = reference_value(
        reading(
            Kind.REFRACTOMETER_BRINE,
            salinity,
            Unit.PPT,
            temperature_corrected=False,
            assumed_temperature_c=temperature,
        )
    )

    total = math.sqrt(sum(line.standard_uncertainty_psu**2 for line in value.budget))
    assert value.expanded_uncertainty_psu == pytest.approx(2 * total)
    assert any("tank's" in sentence for sentence in value.assumptions)


def test_automatic_correction_is_doubted_outside_its_range() -> None:
    """A hot sample adds 0.65 S for every °C beyond 30."""
    value = reference_value(
        reading(
            Kind.REFRACTOMETER_DIGITAL,
            35,
            Unit.PPT,
            temperature_corrected=True,
            sample_temperature_c=32.0,
            standard_checked=True,
        )
    )

    assert value.expanded_uncertainty_psu == pytest.approx(2 * math.hypot(0.5, 1.3))


@pytest.mark.parametrize(
    ("hand", "message"),
    [
        (reading(Kind.REFRACTOMETER_BRINE, 53, Unit.MS_CM), "accepted are psu, ppt, sg, nD"),
        (reading(Kind.HYDROMETER_SWING_ARM, 53, Unit.MS_CM), "accepted are sg, psu, ppt"),
        (reading(Kind.HYDROMETER_GLASS, 53, Unit.MS_CM), "accepted are sg, psu, ppt"),
        (reading(Kind.CONDUCTIVITY_METER, 53, Unit.MS_CM), "temperature_corrected"),
        (
            reading(Kind.CONDUCTIVITY_METER, 53, Unit.MS_CM, temperature_corrected=False),
            "sample_temperature_c",
        ),
        (
            reading(Kind.REFRACTOMETER_SEA_WATER, 35, Unit.PPT, temperature_corrected=False),
            "sample_temperature_c",
        ),
        (reading(Kind.HYDROMETER_GLASS, 1.2, Unit.SG, temperature_corrected=True), "not sea water"),
        (reading(Kind.LABORATORY, 55, Unit.PSU), "salinity of 55.0; accepted is 2 to 42"),
        (reading(Kind.LABORATORY, float("nan"), Unit.PSU), "accepted is 2 to 42"),
        (reading(Kind.REFRACTOMETER_SEA_WATER, 80, Unit.PPT), "does not fit sea water"),
        (reading(Kind.OTHER, 35, Unit.PSU, expanded_uncertainty_psu=0.0), "must be above 0"),
        (HandReading(kind=Kind.OTHER, readings=(), unit=Unit.PSU), "at least one reading"),
    ],
)
def test_what_cannot_be_used_is_refused_with_what_is_accepted(
    hand: HandReading, message: str
) -> None:
    """A keeper's slip is answered in one sentence."""
    with pytest.raises(UserError, match=message):
        reference_value(hand)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Optical refractometer brine", Kind.REFRACTOMETER_BRINE),
        ("refractometer", Kind.REFRACTOMETER_SEA_WATER),
        ("swing_arm_hydrometer", Kind.HYDROMETER_SWING_ARM),
        (" LAB ", Kind.LABORATORY),
        ("my uncle's gadget", Kind.OTHER),
    ],
)
def test_instruments_are_found_by_what_they_are_called(text: str, kind: InstrumentKind) -> None:
    """Spelling with blanks, dashes or capitals does not matter; strangers are "other"."""
    assert instrument_kind(text) is kind
