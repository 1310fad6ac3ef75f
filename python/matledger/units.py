"""Quantities at the door: a number is in the unit that its argument's name says, a text carries its own unit.

Written here rather than taken from `pint`, whose import alone (some 0.2 s) is twice the budget of the whole package.
Factors are exact fractions, so ``"0.5 in"`` is 12.7 mm and not a neighbour of it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from numbers import Real
from typing import Literal, TypeAlias

from matledger.errors import InputError, Problem

__all__ = ["Quantity", "System", "convert", "parse", "show"]

Quantity: TypeAlias = float | str
"""A number in the unit that the argument's name says, or a text with its own unit."""

System: TypeAlias = Literal["metric", "us"]

_Dimension: TypeAlias = tuple[int, int, int, int]
"""Powers of length, mass, time and temperature."""

_NONE, _LENGTH, _AREA, _VOLUME = (0, 0, 0, 0), (1, 0, 0, 0), (2, 0, 0, 0), (3, 0, 0, 0)
_MASS, _TIME, _TEMPERATURE, _PRESSURE = (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 0, 1), (-1, 1, -2, 0)
_SPEED = (1, 0, -1, 0)

# Base units: mm, g, s, degC. Exact definitions: NIST SP 811, appendix B (1959 yard and pound).
_UNITS: tuple[tuple[_Dimension, str, str], ...] = (
    (_NONE, "1/100", "%|percent"),
    (_NONE, "1", "fraction|share"),
    (_LENGTH, "1", "mm|millimetre|millimetres|millimeter|millimeters"),
    (_LENGTH, "10", "cm|centimetre|centimetres|centimeter|centimeters"),
    (_LENGTH, "1000", "m|metre|metres|meter|meters"),
    (_LENGTH, "1000000", "km"),
    (_LENGTH, "25.4", "in|inch|inches"),
    (_LENGTH, "304.8", "ft|foot|feet"),
    (_LENGTH, "914.4", "yd|yard|yards"),
    (_LENGTH, "1609344", "mi|mile|miles"),
    (_SPEED, "447.04", "mph"),
    (_AREA, "10000000000", "ha|hectare|hectares"),
    (_AREA, "4046856422.4", "acre|acres"),
    (_VOLUME, "1000", "ml"),
    (_VOLUME, "1000000", "l|litre|litres|liter|liters"),
    (_VOLUME, "3785411.784", "us gal"),
    (_VOLUME, "946352.946", "us qt"),
    (_VOLUME, "473176.473", "us pt"),
    (_VOLUME, "29573.5295625", "us fl oz"),
    (_VOLUME, "4546090", "imp gal"),
    (_VOLUME, "1136522.5", "imp qt"),
    (_VOLUME, "568261.25", "imp pt"),
    (_VOLUME, "28413.0625", "imp fl oz"),
    (_MASS, "1/1000", "mg"),
    (_MASS, "1", "g|gram|grams"),
    (_MASS, "1000", "kg"),
    (_MASS, "1000000", "t|tonne|tonnes|metric ton|metric tons"),
    (_MASS, "453.59237", "lb|lbs|pound|pounds"),
    (_MASS, "28.349523125", "oz|ounce|ounces"),
    (_MASS, "907184.74", "short ton|short tons"),
    (_MASS, "1016046.9088", "long ton|long tons"),
    (_TIME, "1", "s|second|seconds"),
    (_TIME, "60", "min|minute|minutes"),
    (_TIME, "3600", "h|hour|hours"),
    (_TIME, "86400", "d|day|days"),
    (_TIME, "31557600", "yr|year|years"),
    (_TEMPERATURE, "1", "degc|°c|c|k|dc"),
    (_TEMPERATURE, "5/9", "degf|°f|f|df"),
    (_PRESSURE, "1", "pa"),
    (_PRESSURE, "1000", "kpa"),
    (_PRESSURE, "6894.757293168361", "psi"),
    (_PRESSURE, "98.0665", "cm water"),
)
_FACTORS = {name: (Fraction(factor), dimension) for dimension, factor, names in _UNITS for name in names.split("|")}

# Zero of each scale on the Celsius one; a product of units (`degF d`) is a difference and has none.
_ZEROS = {
    **dict.fromkeys(("degc", "°c", "c"), Fraction(0)),
    **dict.fromkeys(("degf", "°f", "f"), Fraction(-160, 9)),
    "k": Fraction("-273.15"),
}

_AMBIGUOUS = {
    "ton": "'short ton', 'long ton' or 't'",
    "tons": "'short ton', 'long ton' or 't'",
    **{name: f"'US {name}' or 'imp {name}'" for name in ("gal", "qt", "pt", "fl oz")},
}

_names = "|".join(
    re.escape(name).replace(r"\ ", r"\s+") for name in sorted({*_FACTORS, *_AMBIGUOUS}, key=len, reverse=True)
)
_TERM = re.compile(
    rf"""\s*(?:
        (?P<number>\d+(?:\.\d+)?)
      | (?:(?P<power>sq|square|cu|cubic)\s+)?(?P<name>{_names})(?![a-z°%])(?:\^?(?P<exponent>[23²³])(?!\d))?
    )\s*[*·]?""",
    re.VERBOSE,
)
_NUMBER = re.compile(
    r"""\s*(?P<sign>[+-]?)(?:
        (?:(?P<whole>\d+)[ -])?(?P<over>\d+)/(?P<under>\d+)
      | (?P<decimal>(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d{1,3}(?!\d))?)
    )(?![\d.])""",
    re.VERBOSE | re.IGNORECASE,
)
_POWERS = {"sq": 2, "square": 2, "cu": 3, "cubic": 3, "2": 2, "3": 3, "²": 2, "³": 3}
_LONGEST_TEXT = 100

# What a reader would write, by dimension; the first whose number in the wanted unit is at least 0.1 is shown.
_EXAMPLES: dict[_Dimension, tuple[str, tuple[str, ...]]] = {
    _NONE: ("a share", ("30 %",)),
    _LENGTH: ("a length", ("0.5 in", "60 ft")),
    _AREA: ("an area", ("5000 ft2",)),
    _VOLUME: ("a volume", ("2.5 yd3",)),
    _MASS: ("a mass", ("15 lb", "2 short ton")),
    _TIME: ("a time", ("2 h", "14 d")),
    _TEMPERATURE: ("a temperature", ("68 degF",)),
    (0, 0, 1, 1): ("degree days", ("360 degF d",)),
    (-2, 1, 0, 0): ("a mass per area", ("15 lb/1000 ft2", "400 lb/1000 ft2")),
    (-3, 1, 0, 0): ("a density", ("100 lb/ft3",)),
    _SPEED: ("a rate", ("6 in/h", "2 mph")),
    _PRESSURE: ("a pressure", ("10 psi",)),
}


@dataclass(frozen=True)
class _Unit:
    factor: Fraction
    dimension: _Dimension
    zero: Fraction | None = None
    """Only of a temperature that stands alone."""

    def fits(self, other: _Unit) -> bool:
        return self.dimension == other.dimension and (self.zero is None) == (other.zero is None)

    def to(self, other: _Unit, value: Fraction) -> Fraction:
        return (value * self.factor + (self.zero or 0) - (other.zero or 0)) / other.factor


class _UnitError(Exception):
    """A unit that cannot be read; the text is what was expected."""


@cache
def _unit(text: str) -> _Unit:
    tidy = text.strip().lower().replace("h2o", "water")
    name = " ".join(tidy.split())
    if name in _ZEROS:
        return _Unit(*_FACTORS[name], _ZEROS[name])
    factor, dimension = Fraction(1), _NONE
    over, *under = re.split(r"/|\bper\b", tidy)
    for part, sign in [(over, 1), *((part, -1) for part in under)]:
        if not part.strip() and (under or sign == -1):
            raise _UnitError("a unit on both sides of '/'")
        at = 0
        while at < len(part.rstrip()):
            found = _TERM.match(part, at)
            if found is None:
                raise _UnitError(_advice(part[at:].strip()))
            at = found.end()
            if found["number"] is not None:
                one, powers, exponent = Fraction(found["number"]), _NONE, 1
                if not one:
                    raise _UnitError("a number above 0 inside a unit")
            else:
                name = " ".join(found["name"].split())
                if name in _AMBIGUOUS:
                    raise _UnitError(_AMBIGUOUS[name])
                one, powers = _FACTORS[name]
                exponent = _POWERS.get(found["power"], 1) * _POWERS.get(found["exponent"], 1)
            factor *= one ** (sign * exponent)
            dimension = _add(dimension, powers, sign * exponent)
    return _Unit(factor, dimension)


def _add(a: _Dimension, b: _Dimension, times: int) -> _Dimension:
    return (a[0] + b[0] * times, a[1] + b[1] * times, a[2] + b[2] * times, a[3] + b[3] * times)


def _advice(unread: str) -> str:
    from difflib import get_close_matches

    near = get_close_matches(unread, _FACTORS, n=1)
    return f"a known unit: did you mean '{near[0]}'?" if near else "a unit such as mm, in, kg/m2, lb/1000 ft2 or degF"


def _expected(unit: str) -> str:
    wanted = _unit(unit)
    if wanted.dimension not in _EXAMPLES:
        return f"a quantity in {unit}"
    what, examples = _EXAMPLES[wanted.dimension]
    if wanted.dimension == _TEMPERATURE and wanted.zero is None:
        what, examples = "a temperature difference", ("9 dF",)
    for example in examples:
        number, _, own = example.partition(" ")
        shown = float(_unit(own).to(wanted, Fraction(number)))
        if shown >= 0.1:
            break
    return f"{what} such as {shown:.4g} or '{example}'"


def _bad(name: str, value: object, expected: str) -> InputError:
    if isinstance(value, float):
        shown = str(value)
    else:
        shown = repr(value) if isinstance(value, str) else f"{value!r} ({type(value).__name__})"
    if len(shown) > _LONGEST_TEXT:
        shown = f"{shown[:_LONGEST_TEXT]}..."
    return InputError([Problem(name, shown, expected)])


def _asked_unit(text: str, name: str) -> _Unit:
    try:
        return _unit(text)
    except _UnitError as error:
        raise _bad(name, text, str(error)) from None


def parse(value: object, unit: str, *, name: str) -> float:
    """Read a quantity as a number in `unit`.

    Parameters
    ----------
    value
        A real number, taken to be in `unit`, or a text with a unit: ``"0.5 in"``, ``"5/8 in"``,
        ``"4 ft3/1000 ft2"``, ``"100 lb/ft3"``, ``"68 degF"``. A text without a unit is a share.
    unit
        Unit of the result.
    name
        Name of the argument, for the error.

    Returns
    -------
    float
        The quantity in `unit`.

    Raises
    ------
    InputError
        When `value` is no finite real number or text, when its unit is unknown, ambiguous (``ton``, ``gal``) or of
        another dimension, or when it holds a comma.

    Examples
    --------
    >>> from matledger.units import parse
    >>> parse("5/8 in", "mm", name="depth_mm")
    15.875
    >>> parse("15 lb/1000 ft2", "g/m2", name="sand_g_m2")
    73.23641454574576
    >>> parse("2 lb", "mm", name="depth_mm")
    Traceback (most recent call last):
    matledger.errors.InputError: depth_mm: '2 lb'; expected a length such as 12.7 or '0.5 in'
    """
    _asked_unit(unit, name)
    if isinstance(value, str):
        return parse_text(value, unit, name=name)
    if isinstance(value, bool) or not isinstance(value, Real):
        raise _bad(name, value, _expected(unit))
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise _bad(name, number, f"{_expected(unit)}, finite")
    return number


def parse_text(text: str, unit: str, *, name: str, plain: str | None = None) -> float:
    """Read a text with its unit as a number in `unit`; plain numbers beside it are in `plain`, which errors then name.

    Examples
    --------
    >>> from matledger.units import parse_text
    >>> parse_text("1/2 in", "mm", name="depth_in", plain="in")
    12.7
    """
    wanted, unit = _asked_unit(unit, name), plain or unit
    if "," in text:
        raise _bad(name, text, "a decimal point and no comma, such as '0.5 in' or '5000 ft2'")
    found = _NUMBER.match(text) if len(text) <= _LONGEST_TEXT else None
    if found is None:
        raise _bad(name, text, _expected(unit))
    try:
        if found["decimal"] is not None:
            number = Fraction(found["decimal"])
        else:
            number = int(found["whole"] or 0) + Fraction(int(found["over"]), int(found["under"]))
        own = _unit(text[found.end() :])
        if not own.fits(wanted):
            raise _bad(name, text, _expected(unit))
        return float(own.to(wanted, -number if found["sign"] == "-" else number))
    except _UnitError as error:
        raise _bad(name, text, str(error)) from None
    except (ZeroDivisionError, OverflowError):
        raise _bad(name, text, f"{_expected(unit)}, finite") from None


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """Convert a number from one unit to another of the same dimension.

    Parameters
    ----------
    value
        Number in `from_unit`.
    from_unit, to_unit
        Units such as ``"in"``, ``"ft3/1000 ft2"`` or ``"degF"``. ``dC`` and ``dF`` are temperature differences.

    Returns
    -------
    float
        Number in `to_unit`.

    Raises
    ------
    InputError
        When a unit is unknown, the dimensions differ, or `value` is not finite.

    References
    ----------
    Thompson, A. & Taylor, B. N. (2008) *Guide for the Use of the SI*, NIST Special Publication 811, appendix B.

    Examples
    --------
    >>> from matledger.units import convert
    >>> convert(4, "ft3/1000 ft2", "mm")
    1.2192
    >>> convert(68, "degF", "degC")
    20.0
    """
    own, wanted = _asked_unit(from_unit, "from_unit"), _asked_unit(to_unit, "to_unit")
    if not own.fits(wanted):
        raise _bad("to_unit", to_unit, f"a unit of the same kind as {from_unit}")
    number = parse(value, from_unit, name="value")
    try:
        return float(own.to(wanted, Fraction(number)))
    except OverflowError:
        raise _bad("value", value, f"a number that {to_unit} can hold") from None


def alike(one: str, other: str) -> bool:
    """Whether two texts are units of the same kind.

    Examples
    --------
    >>> from matledger.units import alike
    >>> alike("lb/1000 ft2", "kg/m2"), alike("lb/1000 ft2", "mm"), alike("smoot", "mm")
    (True, False, False)
    """
    try:
        return _unit(one).fits(_unit(other))
    except _UnitError:
        return False


# Unit a reader sees, by the unit we store: (metric, US customary).
_SHOWN = {
    "mm": ("mm", "in"),
    "mm of sand": ("mm", "ft3/1000 ft2"),
    "m": ("m", "ft"),
    "m2": ("m2", "ft2"),
    "ha": ("ha", "acre"),
    "L": ("L", "US gal"),
    "m3": ("m3", "yd3"),
    "L/m2": ("L/m2", "ft3/1000 ft2"),
    "mL/m2": ("mL/m2", "US fl oz/1000 ft2"),
    "g": ("g", "oz"),
    "kg": ("kg", "lb"),
    "t": ("t", "short ton"),
    "g/m2": ("g/m2", "lb/1000 ft2"),
    "kg/m2": ("kg/m2", "lb/1000 ft2"),
    "t/ha": ("t/ha", "short ton/acre"),
    "g/cm3": ("g/cm3", "lb/ft3"),
    "kg/m3": ("kg/m3", "lb/ft3"),
    "degC": ("degC", "degF"),
    "degC d": ("degC d", "degF d"),
    "mm/h": ("mm/h", "in/h"),
    "kPa": ("kPa", "psi"),
    "h": ("h", "h"),
    "d": ("d", "d"),
    "%": ("%", "%"),
}


def show(value: float, unit: str, system: System = "metric", digits: int = 3) -> str:
    """Write a quantity for a reader of metric or US customary units.

    Parameters
    ----------
    value
        Number in `unit`.
    unit
        Unit of `value`. ``"mm of sand"`` is a packed depth, in US customary units a volume per area.
    system
        ``"metric"`` or ``"us"``.
    digits
        Significant digits.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        When `unit` has no place in reports, or `value` is not finite.

    Examples
    --------
    >>> from matledger.units import show
    >>> show(75, "mm", "us")
    '2.95 in'
    >>> show(1.2192, "mm of sand", "us", digits=2)
    '4.0 ft3/1000 ft2'
    >>> show(464.5, "m2", "us")
    '5000 ft2'
    """
    metric, target = shown_units(unit, system)
    if isinstance(digits, bool) or not isinstance(digits, int) or not 1 <= digits <= 15:
        raise _bad("digits", digits, "1 to 15 significant digits")
    number = convert(value, metric, target)
    rounded = float(f"{number:.{digits - 1}e}") + 0.0
    exponent = math.floor(math.log10(abs(rounded))) if rounded else 0
    return f"{rounded:.{max(0, digits - 1 - exponent)}f} {target}"


def shown_units(unit: str, system: System) -> tuple[str, str]:
    """Return the metric unit of a stored quantity, and the one that a reader of `system` sees."""
    if unit not in _SHOWN:
        raise _bad("unit", unit, f"one of {', '.join(_SHOWN)}")
    if system not in ("metric", "us"):
        raise _bad("units", system, "'metric' or 'us'")
    metric, us = _SHOWN[unit]
    return metric, us if system == "us" else metric


def same_precision(spec: str, from_unit: str, to_unit: str) -> str:
    """Return a format with as many decimals as keep the precision of `spec` in another unit.

    Examples
    --------
    >>> from matledger.units import same_precision
    >>> same_precision(".1f", "mm", "in"), same_precision(",.2f", "kg/m2", "lb/1000 ft2")
    ('.2f', ',.0f')
    """
    lost = int(math.log10(convert(1, from_unit, to_unit)))
    return re.sub(r"\.(\d+)f", lambda found: f".{max(0, int(found[1]) - lost)}f", spec)


def show_window(top_mm: float, bottom_mm: float, system: System = "metric") -> str:
    """Write a depth window for a reader of metric or US customary units.

    Examples
    --------
    >>> from matledger.units import show_window
    >>> show_window(0, 20), show_window(0, 20, "us")
    ('0 to 20 mm', '0 to 0.79 in')
    """
    if system == "metric":
        return f"{top_mm:g} to {bottom_mm:g} mm"
    top, bottom = (f"{round(convert(depth, 'mm', 'in'), 2):g}" for depth in (top_mm, bottom_mm))
    return f"{top} to {bottom} in"
