"""Units against pint, and the promises the config makes on them: exact round trips, hints on slips."""

import functools
import math
import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lazily import later

from millsim.base.quantities import units

pint = later("pint")


@functools.cache
def registry():
    """Pint's own units, read once."""
    return pint.UnitRegistry()


@given(st.floats(-1e12, 1e12), st.sampled_from(sorted(units.UNITS)))
def test_a_value_in_a_unit_is_rounded_once(value, name):
    unit = units.UNITS[name]
    exact = (Fraction(value) - Fraction(unit.offset)) / Fraction(unit.factor)
    assert units.in_unit(value, unit) == pytest.approx(float(exact), rel=2**-52 if not unit.plainly else 0.0, abs=0.0)


FINITE = st.floats(1e-12, 1e12) | st.floats(-1e12, -1e-12)


def as_pint(text: str) -> str:
    """Our spelling as a pint expression: exponents marked, degree and plain numbers named."""
    text = re.sub(r"([a-z])([23])\b", r"\1**\2", text)
    names = {"C": "degC", "-": "dimensionless", "%": "percent", "1/min": "revolutions_per_minute"}
    return names.get(text, text)


@pytest.mark.parametrize("spelling", units.UNITS)
def test_every_unit_agrees_with_pint(spelling):
    unit = units.UNITS[spelling]
    theirs = registry().Quantity(3.0, as_pint(spelling)).to(as_pint(unit.si)).magnitude
    assert units.to_si(Decimal(3), unit) == pytest.approx(theirs, rel=1e-12)


FOREIGN_PINT = {
    "in": "inch", "ft": "foot", "lb": "pound", "oz": "ounce", "hp": "horsepower", "ps": "metric_horsepower",
    "psi": "psi", "degf": "degF", "cfm": "foot**3/minute", "in2": "inch**2", "ft2": "foot**2", "lb/h": "pound/hour",
    "oz/h": "ounce/hour", "lb/ft3": "pound/foot**3", "mph": "mile/hour", "fpm": "foot/minute", "thou": "thou",
    "hz": "revolutions_per_second", "u/min": "revolutions_per_minute",
}  # fmt: skip


@pytest.mark.parametrize("spelling", FOREIGN_PINT)
def test_foreign_units_agree_with_pint(spelling):
    unit = units.FOREIGN[spelling]
    theirs = registry().Quantity(3.0, FOREIGN_PINT[spelling]).to(as_pint(unit.si)).magnitude
    assert units.to_si(Decimal(3), unit) == pytest.approx(theirs, rel=1e-9)


def test_foreign_units_are_converted_and_never_accepted():
    assert not set(units.FOREIGN) & {u.casefold() for u in units.UNITS}
    for text, meant in {"1 hp": "745.7 W", "1 PS": "735.5 W", "100 °F": "37.778 °C", "18000 Hz": "1080000 rpm"}.items():
        assert units.converted(*units.foreign(text)) == meant
        with pytest.raises(units.UnitError, match="unknown unit"):
            units.split_quantity(text)


@given(st.text(max_size=8), st.sampled_from(sorted(units.DIMENSION)))
def test_a_suggested_unit_is_of_the_dimension(name, si):
    try:
        units.parse(f"3 {name}", si)
    except units.UnitError as error:
        for suggested in re.findall(r'did you mean "(.*)"\?', error.hint):
            assert units.UNITS[suggested].si == si


def test_first_spelling_of_each_dimension_is_its_si_unit():
    for si in units.DIMENSION:
        assert units.UNITS[si].factor == 1
        assert units.spellings(si)[0] == si


@pytest.mark.parametrize(
    ("text", "si", "value"),
    [
        ("0.3 mm", "m", 0.0003),
        ("0.0003 m", "m", 0.0003),
        ("12000 rpm", "rad/s", 12000 * 2 * math.pi / 60),
        ("20 °C", "K", 293.15),
        ("-78 degC", "K", 195.15),
        ("60 cm²", "m2", 0.006),
        ("60 cm^2", "m2", 0.006),
        ("1.18 g/cm³", "kg/m3", 1180.0),
        ("300g/h", "kg/s", 300 / 3.6e6),
        ("250 µm", "m", 250e-6),
        ("-0 Pa", "Pa", 0.0),
    ],
)
def test_parse(text, si, value):
    assert units.parse(text, si) == pytest.approx(value, rel=1e-15)


def test_equal_quantities_are_equal_floats():
    assert units.parse("0.3 mm", "m") == units.parse("300 um", "m") == units.parse("0.03 cm", "m") == 0.0003


@pytest.mark.parametrize(
    ("text", "message", "hint"),
    [
        ("0,3 mm", "comma", 'use a point: "0.3 mm"'),
        ("3", "no unit", "m, cm, mm"),
        ("3 g", "measures mass, not length", "mm"),
        ("3 MM", "unknown unit", 'did you mean "mm"?'),
        ("3 mmm", "unknown unit", 'did you mean "mm"?'),
        ("3 h", "measures time, not length", "units: m, cm, mm, um"),
        ("3 hp", "measures power, not length", "units: m, cm, mm, um"),
        ("3 hh", "unknown unit", "units: m, cm, mm, um"),
        ("0.1 in", 'unknown unit "in"', 'write "2.54 mm"'),
        ("18 000 mm", "a gap in the number", 'write "18000 mm"'),
        ("18'000 mm", "a gap in the number", 'write "18000 mm"'),
        ("18,000 mm", "a comma in the number", 'use a point: "18.000 mm", or write "18000 mm"'),
        ("1,234.5 mm", "a comma in the number", 'write "1234.5 mm"'),
        ("1.234,5 mm", "a comma in the number", 'write "1234.5 mm"'),
        ("1.234.567 mm", "more than one point", 'write "1234567 mm"'),
        ("nan mm", "not a number", ""),
        ("", "not a number", ""),
        ("3 " + "m" * 100, "far too long", ""),
    ],
)
def test_bad_quantities_say_why(text, message, hint):
    with pytest.raises(units.UnitError, match=message) as caught:
        units.parse(text, "m")
    assert hint in caught.value.hint


@given(FINITE, st.sampled_from(sorted(units.UNITS)))
def test_exact_text_parses_back_to_the_same_float(value, spelling):
    si = units.UNITS[spelling].si
    assert units.parse(units.exact_text(value, spelling), si) == value


@given(st.text(max_size=100), st.sampled_from(sorted(units.DIMENSION)))
def test_any_text_gives_a_float_or_a_unit_error(text, si):
    try:
        value = units.parse(text, si)
    except units.UnitError as error:
        assert str(error)
    else:
        assert isinstance(value, float)


def test_readable():
    assert units.readable(0.0003, "mm") == "0.3 mm"
    assert units.readable(293.15, "degC") == "20 °C"
    assert units.readable(12345 * math.pi / 30, "rpm") == "12340 rpm"
    assert units.readable(0.25, "-") == "0.25"


def test_spelling_for():
    assert units.spelling_for(0.0003, "m") == "mm"
    assert units.spelling_for(2.0, "m") == "m"
    assert units.spelling_for(1.5e8, "Pa") == "MPa"
