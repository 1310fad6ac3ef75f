import contextlib
import csv
import math
import pickle
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matledger import units
from matledger.errors import InputError

TABLE = Path(__file__).parents[1] / "checks" / "units.csv"
ROWS = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()))

# Rows whose label says more than a unit, in the library's units. A density or a depth in the label is a factor.
LABELS = {
    "in depth": "in",
    "mm depth": "mm",
    "cm H2O tension": "cm H2O",
    "ft3/1000 ft2 at 1.6 t/m3": "1.6 t/m3 ft3/1000 ft2",
    "ft3/1000 ft2 at 100 lb/ft3": "100 lb/ft3 ft3/1000 ft2",
    "mm at 1.6 t/m3": "1.6 t/m3 mm",
}
# Figures of the trade and averages, not conversions: checked on their own below or of no use at the door.
NO_CONVERSION = {
    "SOM",
    "clippings, bentgrass or bermuda greens 1 L",
    "clippings, Zoysia matrella 1 L",
    "clipping volume monthly greens, typical",
    "yd3 at 2700 lb/yd3",
    "cubic yards",
}
CONVERSIONS = [row for row in ROWS if row["from"] not in NO_CONVERSION]


def product(label):
    """Unit of a label; a density times a depth is written as two factors."""
    named = LABELS.get(label, label)
    density = re.fullmatch(r"([\d.]+) (\S+/\S+) (.+)", named)
    if density and label in LABELS:
        over, under = density[2].split("/")
        number = Fraction(density[1])
        depth, _, area = density[3].partition("/")
        return f"{float(number)} {over} {depth}/{under}{' ' + area if area else ''}"
    return named


@pytest.mark.parametrize("row", CONVERSIONS, ids=lambda row: f"{row['from']} -> {row['to']}")
def test_conversion_table(row):
    assert units.convert(1, product(row["from"]), row["to"]) == pytest.approx(float(row["factor"]), rel=1e-13)


def test_conversion_table_is_whole():
    assert len(ROWS) == 58
    assert len(CONVERSIONS) == 52


@pytest.mark.parametrize("row", CONVERSIONS, ids=lambda row: f"{row['from']} -> {row['to']}")
def test_note_agrees_with_the_factor(row):
    """Where a note holds the source's figure, it is the factor to six digits."""
    noted = re.match(r"(?:exact )?(\d+\.\d+)", row["note"])
    if noted:
        assert float(noted[1]) == pytest.approx(float(row["factor"]), rel=2e-6)


def test_trade_figures():
    """Sand of 2700 lb/yd3 is 100 lb/ft3; 'area in ft2 times inches times 0.0031' rounds 1/324 yd3."""
    assert units.convert(2700, "lb", "short ton") == pytest.approx(1.35)
    assert units.convert(2700, "lb/yd3", "lb/ft3") == pytest.approx(100)
    assert units.convert(1, "ft2 in", "yd3") == pytest.approx(1 / 324)
    assert units.convert(1, "ft2 in", "yd3") == pytest.approx(0.0031, rel=5e-3)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (12.7, "mm", 12.7),
        (np.float32(0.5), "mm", 0.5),
        (np.int64(3), "mm", 3.0),
        (Fraction(1, 4), "mm", 0.25),
        ("0.5 in", "mm", 12.7),
        (".5in", "mm", 12.7),
        ("1/2 in", "mm", 12.7),
        ("5/8 in", "mm", 15.875),
        ("1 1/2 in", "mm", 38.1),
        ("1-1/2 in", "mm", 38.1),
        ("2 inches", "mm", 50.8),
        ("1.27e1 mm", "mm", 12.7),
        ("-3 mm", "mm", -3.0),
        ("60 ft", "m", 18.288),
        ("4 ft3/1000ft2", "mm", 1.2192),
        ("4 cu ft / 1000 sq ft", "mm", 1.2192),
        ("4 cubic feet per 1000 square feet", "mm", 1.2192),
        ("4 FT3/1000 FT2", "mm", 1.2192),
        ("1.2 L/m2", "mm", 1.2),
        ("1.2 L/m²", "mm", 1.2),
        ("100 lb/ft3", "g/cm3", 1.601846337396014),
        ("15 lb/1000 ft2", "g/m2", 73.23641454574576),
        ("2.5 yd3", "m3", 1.91138714496),
        ("5000 ft2", "m2", 464.5152),
        ("68 degF", "degC", 20.0),
        ("68 °F", "degC", 20.0),
        ("293.15 K", "degC", 20.0),
        ("9 dF", "dC", 5.0),
        ("360 degF d", "degC d", 200.0),
        ("30 %", "1", 0.3),
        ("0.3", "1", 0.3),
        ("1 t", "kg", 1000.0),
        ("6 in/h", "mm/h", 152.4),
    ],
)
def test_parse(value, unit, expected):
    found = units.parse(value, unit, name="x")
    assert type(found) is float
    assert found == expected


LENGTH = "expected a length such as 12.7 or '0.5 in'"


@pytest.mark.parametrize(
    ("value", "unit", "message"),
    [
        ("2 lb", "mm", f"depth_mm: '2 lb'; {LENGTH}"),
        ("12.7", "mm", f"depth_mm: '12.7'; {LENGTH}"),
        ("deep", "mm", f"depth_mm: 'deep'; {LENGTH}"),
        ("", "mm", f"depth_mm: ''; {LENGTH}"),
        (None, "mm", f"depth_mm: None (NoneType); {LENGTH}"),
        (True, "mm", f"depth_mm: True (bool); {LENGTH}"),
        (np.float64(math.nan), "mm", f"depth_mm: nan; {LENGTH}, finite"),
        (np.True_, "mm", f"depth_mm: np.True_ (bool); {LENGTH}"),
        ([1], "mm", f"depth_mm: [1] (list); {LENGTH}"),
        (math.nan, "mm", f"depth_mm: nan; {LENGTH}, finite"),
        (-math.inf, "mm", f"depth_mm: -inf; {LENGTH}, finite"),
        (10**400, "mm", f"depth_mm: inf; {LENGTH}, finite"),
        ("1e999 mm", "mm", f"depth_mm: '1e999 mm'; {LENGTH}, finite"),
        ("1/0 in", "mm", f"depth_mm: '1/0 in'; {LENGTH}, finite"),
        ("nan mm", "mm", f"depth_mm: 'nan mm'; {LENGTH}"),
        ("1.2.3 mm", "mm", f"depth_mm: '1.2.3 mm'; {LENGTH}"),
        ("0,5 in", "mm", "depth_mm: '0,5 in'; expected a decimal point and no comma, such as '0.5 in' or '5000 ft2'"),
        ("1,000 ft2", "m2", "a decimal point and no comma"),
        ("2 ton", "kg", "expected 'short ton', 'long ton' or 't'"),
        ("2 gal", "L", "expected 'US gal' or 'imp gal'"),
        ("2 inchs", "mm", "expected a known unit: did you mean 'inches'?"),
        ("2 wheelbarrows", "L", "expected a unit such as"),
        ("2 /ft", "mm", "expected a unit on both sides of '/'"),
        ("2 lb/", "g", "expected a unit on both sides of '/'"),
        ("2 lb/0 ft2", "g/m2", "expected a number above 0 inside a unit"),
        ("5 dF", "degC", "expected a temperature such as 20 or '68 degF'"),
        ("5 degF", "dC", "expected a temperature difference such as 5 or '9 dF'"),
        ("2 in", "g/m2", "expected a mass per area such as 73.24 or '15 lb/1000 ft2'"),
        ("2 in", "g/cm3", "expected a density such as 1.602 or '100 lb/ft3'"),
        ("2 in", "m2", "expected an area such as 464.5 or '5000 ft2'"),
        ("2 in", "1", "expected a share such as 0.3 or '30 %'"),
    ],
)
def test_parse_says_what_was_wrong(value, unit, message):
    with pytest.raises(InputError) as caught:
        units.parse(value, unit, name="depth_mm")
    assert message in str(caught.value)
    assert pickle.loads(pickle.dumps(caught.value)).problems == caught.value.problems


@settings(derandomize=True)
@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text):
    with contextlib.suppress(InputError):
        assert math.isfinite(units.parse(text, "mm", name="x"))


@settings(derandomize=True)
@given(st.text(alphabet="0123456789/ .e-+inftlb²°%", max_size=40))
def test_any_near_quantity_is_read_or_refused(text):
    with contextlib.suppress(InputError):
        assert math.isfinite(units.parse(text, "mm", name="x"))


def test_long_text_is_refused_and_cut():
    with pytest.raises(InputError) as caught:
        units.parse("9" * 100_000, "mm", name="x")
    assert len(str(caught.value)) < 300


@settings(derandomize=True)
@given(st.floats(-1e6, 1e6))
def test_there_and_back(value):
    there = units.convert(value, "lb/1000 ft2", "g/m2")
    assert units.convert(there, "g/m2", "lb/1000 ft2") == pytest.approx(value, rel=1e-14, abs=1e-300)


def test_convert_refuses_other_dimensions():
    with pytest.raises(InputError, match="to_unit: 'lb'; expected a unit of the same kind as in"):
        units.convert(1, "in", "lb")
    with pytest.raises(InputError, match="to_unit"):
        units.convert(1, "degF", "dC")
    with pytest.raises(InputError, match="from_unit"):
        units.convert(1, "nothing", "lb")
    with pytest.raises(InputError, match="value: nan"):
        units.convert(math.nan, "in", "mm")


@pytest.mark.parametrize(
    ("value", "unit", "metric", "us"),
    [
        (12.7, "mm", "12.7 mm", "0.500 in"),
        (1.2192, "mm of sand", "1.22 mm", "4.00 ft3/1000 ft2"),
        (1.95, "kg/m2", "1.95 kg/m2", "399 lb/1000 ft2"),
        (500, "m2", "500 m2", "5380 ft2"),
        (10, "t", "10.0 t", "11.0 short ton"),
        (1.6, "g/cm3", "1.60 g/cm3", "99.9 lb/ft3"),
        (20, "degC", "20.0 degC", "68.0 degF"),
        (200, "degC d", "200 degC d", "360 degF d"),
        (0, "mm", "0.00 mm", "0.00 in"),
        (-0.0, "mm", "0.00 mm", "0.00 in"),
        (-12.7, "mm", "-12.7 mm", "-0.500 in"),
        (9.996, "mm", "10.0 mm", "0.394 in"),
        (3.2, "%", "3.20 %", "3.20 %"),
    ],
)
def test_show(value, unit, metric, us):
    assert units.show(value, unit) == metric
    assert units.show(value, unit, "us") == us


def test_show_refuses_by_name():
    with pytest.raises(InputError, match=r"unit: 'furlong'; expected one of mm, mm of sand"):
        units.show(1, "furlong")
    with pytest.raises(InputError, match="units"):
        units.show(1, "mm", "imperial")
    with pytest.raises(InputError, match="digits"):
        units.show(1, "mm", digits=0)
    with pytest.raises(InputError, match="value: nan"):
        units.show(math.nan, "mm")


def test_every_shown_unit_converts():
    for metric, us in units._SHOWN.values():
        units.convert(1, metric, us)
