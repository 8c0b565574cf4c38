"""Unit strings: what a site may write, what it becomes, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.units import EXAMPLE_UNITS, UnitContext, UnitError, conversion, display_units, parse_quantity

HIGH_SITE = UnitContext(barometric_pressure=84_300.0)
EXAMPLES = [
    (quantity, "" if unit == "no unit" else unit)
    for quantity, units in EXAMPLE_UNITS.items()
    for unit in units.split(", ")
]


@pytest.mark.parametrize(("quantity", "unit"), EXAMPLES)
@given(value=st.floats(-1e6, 1e6))
def test_every_unit_that_a_message_offers_works_both_ways(
    quantity: Quantity, unit: str, value: float
) -> None:
    found = conversion(unit, quantity, HIGH_SITE)

    assert found.from_si(found.to_si(value)) == pytest.approx(value, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "quantity", "expected"),
    # NIST Special Publication 811 (2008), appendix B.8, as many digits as printed (from memory, high).
    [
        ("375 degF", Quantity.TEMPERATURE, (375 + 459.67) / 1.8),
        ("9 degF", Quantity.TEMPERATURE_DIFFERENCE, 5.0),
        ("1 psi", Quantity.PRESSURE_DIFFERENCE, 6894.757),
        ("1 inH2O", Quantity.PRESSURE_DIFFERENCE, 249.0889),
        ("1 gal", Quantity.VOLUME, 3.785412e-3),
        ("1 lb/h", Quantity.MASS_RATE, 1.259979e-4),
        ("1 cP", Quantity.VISCOSITY, 1e-3),
        ("1 Btu/h", Quantity.POWER, 2.930711e-1),
        ("1 lb/ft3", Quantity.DENSITY, 16.01846),
    ],
)
def test_conversions_agree_with_the_tables(text: str, quantity: Quantity, expected: float) -> None:
    assert parse_quantity(text, quantity) == pytest.approx(expected, rel=1e-6)


def test_a_gauge_reads_zero_at_the_sites_barometric_pressure() -> None:
    assert parse_quantity("0 psig", Quantity.PRESSURE, HIGH_SITE) == 84_300.0
    assert parse_quantity("0 kPa(g)", Quantity.PRESSURE, HIGH_SITE) == 84_300.0
    assert parse_quantity("100 kPa", Quantity.PRESSURE, HIGH_SITE) == 100_000.0


def test_a_standard_cubic_foot_follows_the_contract() -> None:
    """1 lb/MMscf is 16.049 mg/m3 at 15 degC: derived from the definitions of both bases (ideal gas)."""
    usual = parse_quantity("1 lb/MMscf", Quantity.WATER_CONTENT, UnitContext())
    other = parse_quantity("1 lb/MMscf", Quantity.WATER_CONTENT, UnitContext(gas_base="60 degF, 14.73 psia"))

    assert usual == pytest.approx(16.049347e-6, rel=1e-5)
    assert usual / other == pytest.approx(1.002314, rel=1e-5)


@pytest.mark.parametrize(
    ("text", "quantity", "words"),
    [
        ("375", Quantity.TEMPERATURE, "has no unit"),
        ("2", Quantity.DURATION, 'write for example "2 s"'),
        (
            "39,5 degF",
            Quantity.TEMPERATURE,
            'comma in its number; write a point for decimals, as in "39.5 degF"',
        ),
        ("1,250.5 psig", Quantity.PRESSURE, "nothing between thousands"),
        ("hot", Quantity.TEMPERATURE, "not a number"),
        ("375 psig", Quantity.TEMPERATURE, "gauge or absolute"),
        ("375 furlong", Quantity.TEMPERATURE, "no unit of temperature"),
        ("900 psi", Quantity.PRESSURE, "gauge or absolute"),
        ("900 psig", Quantity.PRESSURE_DIFFERENCE, "gauge or absolute"),
        ("3 m3/h", Quantity.GAS_RATE, "no unit of gas rate"),
        ("3 __import__('os')", Quantity.LENGTH, "no unit of length"),
    ],
)
def test_what_could_be_misread_is_refused(text: str, quantity: Quantity, words: str) -> None:
    with pytest.raises(UnitError, match=words):
        parse_quantity(text, quantity)


@pytest.mark.parametrize("system", ["us", "si"])
def test_every_quantity_that_is_measured_or_calculated_can_be_shown(system: str) -> None:
    units = display_units(system, HIGH_SITE)

    for kind in (*SIGNAL_KINDS.values(), *RESULT_KINDS.values()):
        assert units[kind.quantity].format(1.0)


def test_values_are_shown_in_the_sites_units() -> None:
    units = display_units("us", HIGH_SITE)

    assert units[Quantity.TEMPERATURE].format((375 + 459.67) / 1.8) == "375.0 °F"
    assert units[Quantity.PRESSURE].format(84_300.0 + 900 * 6894.757293) == "900.0 psig"
