"""Quantities with units: text such as "0.25 mm" or "15 degC" to SI numbers and back.

The number and the unit are taken apart by a regular expression and the unit is looked up in a closed list, so
nothing in the text is ever evaluated; pint converts.
"""

import difflib
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pint

NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_QUANTITY = re.compile(rf"\s*(?P<number>{NUMBER})\s*(?P<unit>\S.*?)?\s*", re.DOTALL)
_SECOND = re.compile(rf"\s(?P<quantity>{NUMBER}\s*[a-zA-Zµ°\"%/]+)\s*$")
LONGEST = 100
"""Characters of a quantity; what is longer is refused before any pattern runs over it."""
_DECIMAL_COMMA = re.compile(r"\s*(?P<whole>[+-]?[0-9]+),(?P<decimals>[0-9]+)\s*(?P<unit>[^0-9,\s]{0,10})\s*")

YARD_M = 0.9144
"""International yard [m], exact by definition: the trade's unit of distance, and of a loss that matters."""


class QuantityError(ValueError):
    """A text is not the quantity that is wanted; the message says why and what would be right."""


@dataclass(frozen=True)
class Kind:
    """A kind of quantity: what it is called, its SI unit and the units in which it may be written.

    Parameters
    ----------
    name : str
        With its article, for messages: "a length".
    si_unit : str
        Unit of the number that `parse_quantity` returns.
    units : tuple of str
        Units accepted, the trade's usual one first; each is a unit name of pint.
    """

    name: str
    si_unit: str
    units: tuple[str, ...]


LENGTH = Kind("a length", "m", ("mm", "in", "m", "cm", "um", "µm", "thou", "mil", '"', "ft", "yd"))
MASS = Kind("a mass", "kg", ("g", "kg", "oz", "lb"))
SPEED = Kind("a speed", "m/s", ("m/s", "mph", "km/h", "ft/s", "knot"))
ANGLE = Kind("an angle", "rad", ("deg", "°", "rad", "arcmin"))
SPIN = Kind("a rate of rotation", "rad/s", ("rpm", "rad/s", "deg/s", "rps"))
TEMPERATURE = Kind("a temperature", "K", ("degC", "°C", "degF", "°F", "K"))
PRESSURE = Kind("a pressure", "Pa", ("hPa", "Pa", "kPa", "mbar", "bar", "atm", "mmHg", "inHg", "psi"))
SHARE = Kind("a share", "dimensionless", ("%",))
DURATION = Kind("a duration", "s", ("h", "min", "s", "day"))

CORE_TIME = Kind("an amount of computing", "s", ("core hours", "core hour", "core h", "core min", "core day"))

KINDS = (LENGTH, MASS, SPEED, ANGLE, SPIN, TEMPERATURE, PRESSURE, SHARE, DURATION, CORE_TIME)

_OTHER_SPELLINGS = {
    "mils": "mil", "thous": "thou", "″": "in", "kmh": "km/h", "kmph": "km/h", "km/hr": "km/h", "mps": "m/s",
    "fps": "ft/s", "kn": "knot", "kt": "knot", "kts": "knot", "C": "degC", "F": "degF", "mb": "mbar",
}  # fmt: skip
"""Spellings that pint does not know, or takes for something else, and the unit of the same size."""


@cache
def _registry() -> "pint.UnitRegistry[Decimal]":
    import pint

    # Decimal arithmetic, so that "42.70 mm" becomes exactly the double 0.0427 and not its neighbour.
    return pint.UnitRegistry(non_int_type=Decimal)


def _pint_unit(unit: str) -> str:
    unit = unit.removeprefix("core ")
    # pint's own "mil" is no length.
    return {"°": "deg", "°C": "degC", "°F": "degF", "%": "percent", "mil": "thou", '"': "in"}.get(unit, unit)


def parse_quantity(text: str, kind: Kind) -> float:
    """Read a number with its unit.

    Parameters
    ----------
    text : str
        For instance "0.25 mm", "165mph", "15 degC", "50 %".
    kind : Kind
        What the quantity must be.

    Returns
    -------
    float
        The value in `kind.si_unit`, correctly rounded where the conversion factor is a finite decimal.

    Raises
    ------
    QuantityError
        No number, no unit, an unknown unit, or a unit of another kind; the message fits after "KEY: VALUE: ".
    """
    usual = kind.units[0]
    if len(text) > LONGEST:
        raise QuantityError(f'is no quantity but {len(text)} characters; write for instance "1.5 {usual}"')
    if comma := _DECIMAL_COMMA.fullmatch(text):
        right = f"{comma['whole']}.{comma['decimals']} {comma['unit'] or usual}"
        raise QuantityError(f'has a decimal comma; write "{right}"')
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise QuantityError(f'is not {kind.name}; write a number and its unit, for instance "1.5 {usual}"')
    number, unit = match["number"], match["unit"]
    if unit is not None and (second := _SECOND.search(unit)):
        raise QuantityError(f'holds two quantities; write a comma before "{second["quantity"]}"')
    if unit is None:
        raise QuantityError(f'has no unit; write for instance "{number} {usual}"')
    if unit not in kind.units:
        raise QuantityError(_wrong_unit(unit, kind))
    return _convert(Decimal(number), unit, kind.si_unit)


def _wrong_unit(unit: str, kind: Kind) -> str:
    wanted = f"{kind.name} is wanted ({', '.join(kind.units)})"
    for other in KINDS:
        if unit in other.units:
            return f"is {other.name}; {wanted}"
    if unit == "kph" and kind is SPEED:
        return "write km/h, not kph"
    nearest = _meant(unit, kind)
    shown = unit if len(unit) <= 20 else unit[:19] + "…"
    hint = f'; did you mean "{nearest}"?' if nearest else ";"
    return f'has an unknown unit "{shown}"{hint} {wanted}'


def _meant(unit: str, kind: Kind) -> str | None:
    """Unit of a kind that an unknown text stands for, never one of another size; None when none does."""
    if (spelling := _OTHER_SPELLINGS.get(unit)) in kind.units:
        return spelling
    same_kind, same_size = _sizes(unit, kind)
    if same_kind:
        return same_size
    for known in kind.units:
        if unit.casefold() == known.casefold():
            return known
    return next(iter(difflib.get_close_matches(unit, kind.units, n=1, cutoff=0.6)), None)


def _sizes(unit: str, kind: Kind) -> tuple[bool, str | None]:
    """Whether pint knows a text as a unit of a kind, and the unit of ours that has its size."""
    import pint

    if not re.fullmatch(r"[A-Za-z]{1,24}", unit):
        return False, None
    registry = _registry()
    try:
        given = registry.Unit(unit)
    except (pint.errors.UndefinedUnitError, ValueError):
        return False, None
    if given.dimensionality != registry.Unit(_pint_unit(kind.si_unit)).dimensionality:
        return False, None
    for known in kind.units:
        ours = registry.Unit(_pint_unit(known))
        if given == ours or registry.get_base_units(given) == registry.get_base_units(ours):
            return True, known
    return True, None


def _convert(number: Decimal, unit: str, target: str) -> float:
    registry = _registry()
    return float(registry.Quantity(number, _pint_unit(unit)).to(_pint_unit(target)).magnitude)


def in_unit(value: float, kind: Kind, unit: str) -> float:
    """Convert an SI value to a unit of its kind.

    Parameters
    ----------
    value : float
        In `kind.si_unit`.
    kind : Kind
        What the value is.
    unit : str
        One of `kind.units`.

    Returns
    -------
    float
        The value in `unit`.

    Raises
    ------
    QuantityError
        `unit` is not one of `kind.units`.
    """
    if unit not in kind.units:
        raise QuantityError(_wrong_unit(unit, kind))
    return _convert(Decimal(repr(float(value))), kind.si_unit, unit)


def quantity_pattern(kind: Kind) -> str:
    """Return the regular expression (JSON Schema dialect) of the texts that `parse_quantity` accepts."""
    units = "|".join(re.escape(unit) for unit in kind.units)
    return rf"^\s*{NUMBER}\s*({units})\s*$"
