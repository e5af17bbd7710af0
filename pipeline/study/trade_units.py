"""Numbers with units as people read them, on page and terminal: mm, um, yd with m, mph, rpm, deg, %."""

import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

from pipeline.study.model import FlightWindow, Study
from pipeline.study.units import ANGLE, LENGTH, SPEED, SPIN, YARD_M, in_unit

_NO_BREAK = "\u00a0"

_SHOWN: ContextVar[str] = ContextVar("units", default="trade")
_OWN_WORDS: ContextVar[tuple[str, ...]] = ContextVar("own words", default=())

_YD_IN_M = re.compile(r"(?P<yd>-?[\d.]+)[ \u00a0]yd \((?P<m>-?[\d.]+)(?P<gap>[ \u00a0])m\)")
_SPAN_IN_M = re.compile(r"[\d.]+ to [\d.]+[ \u00a0]yd \((?P<m>[\d.]+ to [\d.]+[ \u00a0]m)\)")
_YD = re.compile(r"(?P<yd>-?[\d.]+)(?P<gap>[ \u00a0])yd\b")
_MPH = re.compile(r"(?P<mph>[\d.]+)(?P<off> ± [\d.]+)?(?P<gap>[ \u00a0])mph\b")
_MPH_M_S = 0.44704

NOTHING = "-"
"""Stands where there is no number."""


@contextmanager
def shown_in(units: str, study: Study | None = None) -> Iterator[None]:
    """Write lengths of flights and speeds in other units inside the block.

    Parameters
    ----------
    units : str
        "trade" or "SI".
    study : Study, optional
        What its author called golfers, weather and patterns, and said about it, stays as it was written.
    """
    words = () if study is None else _own_words(study)
    tokens = _SHOWN.set(units), _OWN_WORDS.set(words)
    try:
        yield
    finally:
        _SHOWN.reset(tokens[0])
        _OWN_WORDS.reset(tokens[1])


def _own_words(study: Study) -> tuple[str, ...]:
    """Texts of a study that a quantity may stand in, the longest first."""
    words = {study.about, *(of.name for of in study.golfers)}
    words |= {of.name for of in study.scenarios} | {of.name for of in study.patterns}
    return tuple(sorted((text for text in words if re.search(r"\d", text)), key=len, reverse=True))


def in_si() -> bool:
    """Whether SI units are shown."""
    return _SHOWN.get() == "SI"


def flight_unit() -> str:
    """Name of the unit in which lengths of flights are shown."""
    return "m" if in_si() else "yd"


def flight_m() -> float:
    """Size of that unit [m]."""
    return 1.0 if in_si() else YARD_M


def shown(text: str) -> str:
    """Write a text that is in trade units (sentences of decision.json, headings) in the units that are shown.

    Examples
    --------
    >>> with shown_in("SI"):
    ...     shown("it carries 250.2 yd (228.8 m) at 165.0 mph")
    'it carries 228.8 m at 73.8 m/s'
    """
    if not in_si():
        return text
    for own in _OWN_WORDS.get():
        if own in text:
            return own.join(shown(part) for part in text.split(own))
    text = _SPAN_IN_M.sub(r"\g<m>", text)
    text = _YD_IN_M.sub(r"\g<m>\g<gap>m", text)
    text = text.replace("yd (m)", "m")
    text = _YD.sub(lambda found: f"{float(found['yd']) * YARD_M:.1f}{found['gap']}m", text)
    text = re.sub(r"(, |\()yd\b", r"\1m", text)
    return _MPH.sub(_m_s, text)


def _m_s(found: re.Match[str]) -> str:
    off = found["off"]
    spread = f" ± {float(off[3:]) * _MPH_M_S:.1f}" if off else ""
    return f"{float(found['mph']) * _MPH_M_S:.1f}{spread}{found['gap']}m/s"


def is_number(value: float | None) -> bool:
    """Whether a value is there and finite."""
    return value is not None and math.isfinite(value)


def breakable(text: str) -> str:
    """Write a text with plain spaces, for files and terminals; `unbroken` is the way back."""
    return text.replace(_NO_BREAK, " ")


def unbroken(text: str) -> str:
    """Tie units to their numbers, for pages."""
    return re.sub(r"(?<=\d) (?=(?:mm|µm|m|yd|deg|%)(?!\w))", _NO_BREAK, text)


def number(value: float | None, digits: int, unit: str = "") -> str:
    """Write a number with a fixed count of decimals; a dash when there is none.

    Parameters
    ----------
    value : float or None
        The number, in `unit`.
    digits : int
        Decimals.
    unit : str
        Written after it.
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return f"{text}{_NO_BREAK}{unit}" if unit else text


def whole(value: float | None) -> str:
    """Write a whole number with thin spaces between the thousands; a dash when there is none."""
    if value is None or not math.isfinite(value):
        return NOTHING
    return f"{value:,.0f}".replace(",", "\u202f")


def share(value: float | None, digits: int = 1) -> str:
    """Write a share of one in per cent."""
    return NOTHING if value is None else number(100.0 * value, digits, "%")


def millimetres(length_m: float | None, digits: int = 3) -> str:
    """Write a length in mm."""
    return NOTHING if length_m is None else number(1e3 * length_m, digits, "mm")


def made_by(depth_m: float | None, edge_angle_deg: float | None, by_angle: bool) -> str:
    """Write surface depth and edge angle of a ball, first the one that its study lists.

    Parameters
    ----------
    depth_m, edge_angle_deg : float or None
        Mean surface depth [m] and edge angle [deg]; None where not known.
    by_angle : bool
        Whether the study lists edge angles.

    Returns
    -------
    str
        "surface depth 0.220 mm (edge angle 12.59 deg)", or the other way round; empty where none is known.
    """
    depth = "" if depth_m is None else f"surface depth {millimetres(depth_m)}"
    angle = "" if edge_angle_deg is None else f"edge angle {number(edge_angle_deg, 2, 'deg')}"
    first, second = (angle, depth) if by_angle else (depth, angle)
    return f"{first} ({second})" if first and second else first or second


def depth_digits(low_m: float | None, high_m: float | None) -> int:
    """Decimals of a millimetre that a depth deserves whose 90 % interval is known: a tenth of its width.

    Returns
    -------
    int
        2 for intervals from 0.02 mm up, 3 for narrower ones and where there is none.
    """
    if low_m is None or high_m is None or not (math.isfinite(low_m) and math.isfinite(high_m)):
        return 3
    return 2 if high_m - low_m >= 0.02e-3 else 3


def depth_between(depth_m: float, low_m: float | None, high_m: float | None) -> str:
    """Write a depth with the interval that it lies in, with the digits that the interval deserves."""
    digits = depth_digits(low_m, high_m)
    if low_m is None or high_m is None or not (math.isfinite(low_m) and math.isfinite(high_m)):
        return millimetres(depth_m, digits)
    return (
        f"{millimetres(depth_m, digits)}, between {number(1e3 * low_m, digits)} and "
        f"{millimetres(high_m, digits)}"
    )


def interval_mm(low_m: float | None, high_m: float | None) -> str:
    """Write the interval of a depth for a column headed "mm"; a dash when there is none."""
    if low_m is None or high_m is None or not (math.isfinite(low_m) and math.isfinite(high_m)):
        return NOTHING
    digits = depth_digits(low_m, high_m)
    return f"{number(1e3 * low_m, digits)} to {number(1e3 * high_m, digits)}"


def micrometres(length_m: float | None) -> str:
    """Write a length in micrometres."""
    return NOTHING if length_m is None else number(1e6 * length_m, 0, "µm")


def yards(length_m: float | None, digits: int = 1) -> str:
    """Write a length of a flight: yards, with metres in brackets."""
    if length_m is None or not math.isfinite(length_m):
        return NOTHING
    if in_si():
        return number(length_m, digits, "m")
    return f"{number(length_m / YARD_M, digits, 'yd')} ({number(length_m, digits, 'm')})"


def yards_only(length_m: float | None, digits: int = 1) -> str:
    """Write a difference of lengths of a flight in yards."""
    return NOTHING if length_m is None else number(length_m / flight_m(), digits, flight_unit())


def yards_cell(length_m: float | None, error_m: float | None = None) -> str:
    """Write a length of a flight for a column headed "yd (m)", with its standard error where there is one."""
    if length_m is None or not math.isfinite(length_m):
        return NOTHING
    error = "" if error_m is None else f" ± {number(error_m / flight_m(), 1)}"
    if in_si():
        return f"{number(length_m, 1)}{error}"
    return f"{number(length_m / YARD_M, 1)}{error} ({number(length_m, 1)})"


def window(wanted: FlightWindow) -> str:
    """Write a flight window: yards, with metres in brackets."""
    low, high = wanted.lowest_m, wanted.highest_m
    if in_si():
        return f"{low:.1f} to {number(high, 1, 'm')}"
    return f"{low / YARD_M:.1f} to {number(high / YARD_M, 1, 'yd')} ({low:.1f} to {number(high, 1, 'm')})"


def plus_minus(value: float | None, error: float | None, digits: int) -> str:
    """Write a value and its standard error."""
    if value is None or not math.isfinite(value):
        return NOTHING
    return f"{number(value, digits)} ± {number(error, digits)}"


def significant(value: float | None, digits: int) -> str:
    """Write a number with so many significant digits; a dash when there is none."""
    return NOTHING if value is None or not math.isfinite(value) else f"{value:.{digits}g}"


def time_left(seconds: float) -> str:
    """Write an estimate of a time in minutes or hours."""
    minutes = seconds / 60.0
    return f"{minutes / 60:.1f} h" if minutes > 90 else f"{minutes:.0f} min" if minutes >= 1.5 else "a minute"


def launch(mean: Sequence[float], spread: Sequence[float]) -> str:
    """Write a golfer's mean launch, with the standard deviations of the shots where there are any.

    Parameters
    ----------
    mean, spread : sequence of float
        Mean and standard deviation of ball speed [m/s], launch angle [rad], backspin [rad/s] and axis tilt
        [rad].
    """
    parts = []
    for (words, kind, unit, digits), value, scatter in zip(
        (
            ("ball speed", SPEED, "mph", 1),
            ("launch angle", ANGLE, "deg", 1),
            ("backspin", SPIN, "rpm", 0),
            ("axis tilt", ANGLE, "deg", 1),
        ),
        mean,
        spread,
        strict=True,
    ):
        if words == "axis tilt" and not (value or scatter):
            continue
        text = number(in_unit(value, kind, unit), digits)
        if scatter:
            text += f" ± {number(in_unit(scatter, kind, unit), digits)}"
        parts.append(f"{words} {text}{_NO_BREAK}{unit}")
    return ", ".join(parts)


def diameter(length_m: float) -> str:
    """Write a ball's diameter in mm."""
    return number(in_unit(length_m, LENGTH, "mm"), 2, "mm")
