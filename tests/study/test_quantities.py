"""Quantities against exact definitions of the units.

Sources: NIST SP 811 (2008), appendix B.8 and B.9, and the SI brochure (2019) for the factors marked
[memory]; they are definitions (exact), so the tolerance is two roundings of a double (the expected side
multiplies too).
"""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.study.units import (
    ANGLE,
    DURATION,
    KINDS,
    LENGTH,
    MASS,
    PRESSURE,
    SHARE,
    SPEED,
    SPIN,
    TEMPERATURE,
    QuantityError,
    in_unit,
    parse_quantity,
    quantity_pattern,
)

EXACT = [
    # length: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 yd = 0.9144 m, 1 thou = 0.001 in [memory, exact]
    ("1 in", LENGTH, 0.0254),
    ("0.0098 in", LENGTH, 0.0098 * 0.0254),
    ("1 thou", LENGTH, 0.0254e-3),
    ("0.5 mil", LENGTH, 0.5 * 0.0254e-3),
    ("1 ft", LENGTH, 0.3048),
    ("1 yd", LENGTH, 0.9144),
    ("250 um", LENGTH, 250e-6),
    ("250 µm", LENGTH, 250e-6),
    ("4.27 cm", LENGTH, 0.0427),
    # mass: 1 lb = 0.45359237 kg, 1 oz = 1/16 lb [memory, exact]
    ("1 lb", MASS, 0.45359237),
    ("1 oz", MASS, 0.45359237 / 16),
    # speed: 1 mph = 0.44704 m/s, 1 knot = 1852 m/h [memory, exact]
    ("1 mph", SPEED, 0.44704),
    ("165 mph", SPEED, 165 * 0.44704),
    ("1 ft/s", SPEED, 0.3048),
    ("1 km/h", SPEED, 1 / 3.6),
    ("176 km/h", SPEED, 176 / 3.6),
    ('0.0072"', LENGTH, 0.0072 * 0.0254),
    ("5 mil", LENGTH, 5 * 25.4e-6),
    ("165mph", SPEED, 165 * 0.44704),
    ("1 knot", SPEED, 1852 / 3600),
    # angles and rotation: a turn is 2 pi rad = 360 deg = 21600 arcmin [memory, exact]
    ("180 deg", ANGLE, math.pi),
    ("180°", ANGLE, math.pi),
    ("21600 arcmin", ANGLE, 2 * math.pi),
    ("2600 rpm", SPIN, 2600 * 2 * math.pi / 60),
    ("1 rps", SPIN, 2 * math.pi),
    ("360 deg/s", SPIN, 2 * math.pi),
    # temperature: T/K = t/degC + 273.15; t/degF = 1.8 t/degC + 32 [memory, exact]
    ("15 degC", TEMPERATURE, 288.15),
    ("15 °C", TEMPERATURE, 288.15),
    ("-40 degC", TEMPERATURE, 233.15),
    ("-40 degF", TEMPERATURE, 233.15),
    ("59 °F", TEMPERATURE, 288.15),
    ("288.15 K", TEMPERATURE, 288.15),
    # pressure: 1 atm = 101325 Pa, 1 bar = 1e5 Pa, 1 psi = 1 lb x 9.80665 m/s2 / in2 [memory, exact]
    ("1 atm", PRESSURE, 101325.0),
    ("1013.25 hPa", PRESSURE, 101325.0),
    ("1013.25 mbar", PRESSURE, 101325.0),
    ("1 bar", PRESSURE, 1e5),
    ("1 psi", PRESSURE, 0.45359237 * 9.80665 / 0.0254**2),
    ("50 %", SHARE, 0.5),
    ("50%", SHARE, 0.5),
]


@pytest.mark.parametrize(("text", "kind", "si"), EXACT, ids=[text for text, _, _ in EXACT])
def test_conversion_matches_the_definition(text, kind, si):
    assert parse_quantity(text, kind) == pytest.approx(si, rel=4.5e-16, abs=0)


@pytest.mark.parametrize(
    ("text", "kind", "si", "digits"),
    # printed in NIST SP 811, B.8: conventional 1 inHg = 3.386389e3 Pa, 1 mmHg = 1.333224e2 Pa [memory]
    [("1 inHg", PRESSURE, 3386.389, 7), ("1 mmHg", PRESSURE, 133.3224, 7)],
)
def test_conversion_matches_the_printed_digits(text, kind, si, digits):
    assert parse_quantity(text, kind) == pytest.approx(si, rel=0.5 * 10.0 ** (1 - digits))


def test_decimal_text_becomes_the_nearest_double():
    assert parse_quantity("42.70 mm", LENGTH) == 0.0427
    assert parse_quantity("0.15 mm", LENGTH) == 0.00015
    assert parse_quantity("1e-1 mm", LENGTH) == 1e-4
    assert parse_quantity(" +.5mm ", LENGTH) == 5e-4


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("0.25", LENGTH, 'has no unit; write for instance "0.25 mm"'),
        ("0.25 kg", LENGTH, "is a mass; a length is wanted (mm,"),
        ("0.25 mm", MASS, "is a length; a mass is wanted (g,"),
        ("20 rpm", ANGLE, "is a rate of rotation; an angle is wanted (deg,"),
        ("50 %", ANGLE, "is a share; an angle is wanted"),
        ("0.25 mmm", LENGTH, 'has an unknown unit "mmm"; did you mean "mm"?'),
        ("165 mhp", SPEED, 'did you mean "mph"?'),
        ("0.14 mm 0.18 mm", LENGTH, 'holds two quantities; write a comma before "0.18 mm"'),
        ("2600 RPM", SPIN, 'has an unknown unit "RPM"'),
        ("0,25 mm", LENGTH, 'has a decimal comma; write "0.25 mm"'),
        ("0,25", LENGTH, 'has a decimal comma; write "0.25 mm"'),
        ("mm", LENGTH, "is not a length"),
        ("", LENGTH, "is not a length"),
        ("nan mm", LENGTH, "is not a length"),
        ("inf mm", LENGTH, "is not a length"),
        ("--1 mm", LENGTH, "is not a length"),
        ("1e mm", LENGTH, "unknown unit"),
        ("1 mm mm", LENGTH, "unknown unit"),
        ("1 mm**2", LENGTH, "unknown unit"),
        ("1 __import__('os')", LENGTH, "unknown unit"),
        ("2*3 mm", LENGTH, "unknown unit"),
        ("1 " + "m" * 90, LENGTH, "…"),
        ("1" + " " * 250_000, LENGTH, "is no quantity but 250001 characters"),
    ],
)
def test_refusals_say_what_would_be_right(text, kind, words):
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, kind)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize(
    ("text", "kind", "right"),
    [
        ("0.14 inches", LENGTH, "in"),
        ("3.6 millimetre", LENGTH, "mm"),
        ("9 microns", LENGTH, "um"),
        ("2 mils", LENGTH, "mil"),
        ("3.6 MM", LENGTH, "mm"),
        ("176 kmph", SPEED, "km/h"),
        ("176 KPH", SPEED, "km/h"),
        ("80 kts", SPEED, "knot"),
        ("20 celsius", TEMPERATURE, "degC"),
        ("68 F", TEMPERATURE, "degF"),
        ("1013 mb", PRESSURE, "mbar"),
        # known, and of another size than any unit accepted: followed, a suggestion would be a wrong value
        ("3.6 Mm", LENGTH, None),
        ("3.6 nm", LENGTH, None),
        ("5 km", LENGTH, None),
        ("40 Hz", SPIN, None),
        ("1 torr", PRESSURE, None),  # 1e-7 smaller than 1 mmHg
        ("1 dbar", PRESSURE, None),
        ("2 week", DURATION, None),
    ],
)
def test_a_suggested_unit_has_the_size_of_the_one_given(text, kind, right):
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, kind)
    found = re.search(r'did you mean "([^"]*)"', str(caught.value))
    assert (found and found[1]) == right, str(caught.value)


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused(text):
    for kind in KINDS:
        try:
            assert isinstance(parse_quantity(text, kind), float)
        except QuantityError:
            pass


units_of_every_kind = st.sampled_from([(kind, unit) for kind in KINDS for unit in kind.units])


@given(units_of_every_kind, st.floats(-1e6, 1e6, allow_nan=False))
def test_round_trip_through_every_unit(kind_and_unit, number):
    kind, unit = kind_and_unit
    back = in_unit(parse_quantity(f"{number!r} {unit}", kind), kind, unit)
    # degrees to kelvin and back lose what lies below one unit in the last place of 1e6 K
    assert back == pytest.approx(number, rel=1e-12, abs=1e-9 if kind is TEMPERATURE else 1e-300)


@given(units_of_every_kind, st.floats(-1e6, 1e6, allow_nan=False))
def test_pattern_matches_what_is_read(kind_and_unit, number):
    kind, unit = kind_and_unit
    for text in (f"{number!r} {unit}", f"{number:.3f}{unit}"):
        parse_quantity(text, kind)
        assert re.search(quantity_pattern(kind), text)
    assert not re.search(quantity_pattern(kind), f"{number!r}")
    assert not re.search(quantity_pattern(kind), f"{number!r} {unit}x")


def test_in_unit_refuses_a_unit_of_another_kind():
    with pytest.raises(QuantityError, match="is a mass"):
        in_unit(1.0, LENGTH, "kg")


def test_kilometres_an_hour_have_one_spelling():
    with pytest.raises(QuantityError, match=r"^write km/h, not kph$"):
        parse_quantity("176 kph", SPEED)
