import datetime as dt
import pickle
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pytest
from broken import files
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import matledger as mat
from matledger import frames

sys.path.append(str(Path(__file__).parents[1] / "fuzz"))
from readers import READERS

SAMPLES = Path(__file__).parents[1] / "checks" / "weather_samples"
SOIL = files.FOLDER["soil_tests.csv"]
WORK = files.FOLDER["work.csv"]
BOTH = pytest.mark.parametrize("to_frame", [frames.to_pandas, frames.to_polars])


@pytest.fixture
def write(tmp_path):
    def write(name, text):
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return write


def message(read, *args, **options):
    with pytest.raises(mat.InputError) as caught:
        read(*args, **options)
    return str(caught.value)


# weather


def test_weather_keeps_every_value(write):
    weather = mat.read_weather(write("w.csv", "date,tmin_c,tmax_c\n2014-03-01,4.5,14\n2014-03-02,-1,9e0\n"))
    assert weather.dates.tolist() == [dt.date(2014, 3, 1), dt.date(2014, 3, 2)]
    assert weather.tmin_c.tolist() == [4.5, -1.0]
    assert weather.tmax_c.tolist() == [14.0, 9.0]
    assert weather.rain_mm is None


def test_weather_in_other_units_and_names(write):
    known = mat.read_weather(write("w.csv", "date,tmin_f,tmax_f,rain_in\n2014-03-01,41,68 degF,0.5 in\n"))
    path = write("x.csv", "Day,low,high,wet\n2014-03-01,41,68,0.5\n")
    mapped = mat.read_weather(
        path,
        columns={"date": "Day", "tmin_c": "low", "tmax_c": "high", "rain_mm": "wet"},
        units={"tmin_c": "degF", "tmax_c": "degF", "rain_mm": "in"},
    )
    ends_in_a_unit = mat.read_weather(
        write("y.csv", "Day,low_f,high_f,wet_in\n2014-03-01,41,68,0.5\n"),
        columns={"date": "Day", "tmin_c": "low_f", "tmax_c": "high_f", "rain_mm": "wet_in"},
    )
    for weather in (known, mapped, ends_in_a_unit):
        assert weather.tmin_c.tolist() == [5.0]
        assert weather.tmax_c.tolist() == [20.0]
        assert weather.rain_mm.tolist() == [12.7]


def test_mapping_of_no_known_column_or_unit(write):
    path = write("w.csv", "date,tmin_c,tmax_c\n2014-03-01,4,14\n")
    text = message(mat.read_weather, path, columns={"tmin": "low"}, units={"tmax_c": "mm", "date": "d"})
    assert text.splitlines() == [
        "w.csv, columns.tmin: low; expected one of date, tmin_c, tmax_c, rain_mm",
        "w.csv, units.date: d; expected no unit: date has none",
        "w.csv, units.tmax_c: mm; expected a unit of the same kind as degC",
    ]
    first = message(mat.read_weather, path, columns={"tmin_f": "low"}).splitlines()[0]
    assert first == 'w.csv, columns.tmin_f: low; expected tmin_c in its place, and units = { tmin_c = "degF" }'
    mapped = {"columns": {"tmin_c": "Low"}}
    hint = "; a heading of your own goes under columns"
    assert hint in message(mat.read_weather, write("w.csv", "date,Low,tmax_c\n2014-03-01,4,14\n"))
    assert hint not in message(mat.read_weather, write("w.csv", "date,low,tmax_c\n2014-03-01,4,14\n"), **mapped)
    assert hint not in message(mat.read_weather, write("w.csv", "date,tmax_c\n2014-03-01,14\n"))


def test_a_column_that_another_stands_for(write):
    path = write("w.csv", "date,low,tmin_c,tmax_c\n2014-03-01,4,5,14\n")
    assert message(mat.read_weather, path, columns={"tmin_c": "low"}) == (
        "w.csv, row 1, column tmin_c: unknown column; expected nothing; columns has low for it"
    )


def test_a_unit_that_would_explain_a_figure(write):
    path = write("w.csv", "date,tmin_c,tmax_c\n2014-03-01,41,62.7\n2014-03-01,4,450 K\n")
    assert message(mat.read_weather, path).splitlines() == [
        "w.csv, row 2, column tmax_c: 62.7; expected a number from -90 to 60 (degC); 62.7 degF = 17.1 degC?",
        "w.csv, row 3, column tmax_c: 450 K; expected a number from -90 to 60 (degC)",
    ]


@pytest.mark.parametrize(("mark", "word"), [(";", "semicolons"), ("\t", "tabs")])
def test_the_way_in_for_decimal_commas(write, mark, word):
    """What the message says to do works."""
    pandas = pytest.importorskip("pandas")
    path = write("w.csv", "date,tmin_c,tmax_c\n2014-03-01,4.5,14\n".replace(",", mark).replace(".", ","))
    told = message(mat.read_weather, path)
    assert told.startswith(f"w.csv, row 1: {word} between the columns; expected commas between the columns and points")
    assert f"read_csv(..., sep={mark!r}, decimal=',')" in told
    assert mat.read_weather(pandas.read_csv(path, sep=mark, decimal=",")).tmin_c.tolist() == [4.5]


def test_a_unit_that_goes_with_another_column(write):
    path = write("w.csv", "date,green,work,Sand\n2014-03-01,1,topdressing,40\n")
    text = message(mat.read_work, path, columns={"sand_mm": "Sand"}, units={"sand_mm": "lb/1000ft2"})
    assert text == (
        "w.csv, units.sand_mm: lb/1000ft2; expected a unit of the same kind as mm; lb/1000ft2 goes with"
        " sand_kg_m2, so map the column to that"
    )
    (record,) = mat.read_work(path, columns={"sand_kg_m2": "Sand"}, units={"sand_kg_m2": "lb/1000ft2"})
    assert record.work.sand_g_m2 == pytest.approx(195.3, abs=0.1)


def test_shares_of_a_laboratory(write):
    row = "green,date,top_mm,bottom_mm,OM,cores,method,verdure\n1,2014-04-14,0,20,0.035,8,a,on\n"
    (test,) = mat.read_soil_tests(write("t.csv", row), columns={"om_percent": "OM"}, units={"om_percent": "fraction"})
    assert test.om_percent == pytest.approx(3.5)


def test_every_column_of_a_volume_is_named(write):
    text = message(
        mat.read_clippings, write("c.csv", "green,first_day,last_day,volume_gal\n1,2014-01-01,2014-01-02,4\n")
    )
    assert {"volume_l_m2", "volume_l", "volume_us_gal", "volume_ft3"} <= set(
        text.splitlines()[0].replace(",", "").split()
    )


def test_minima_and_maxima_exchanged(write):
    """Told once; a few days alone are told each, and what differs in its figures alone fills no screen."""
    rows = files.WEATHER.splitlines()[1:]
    names = {"tmin_c": "High (F)", "tmax_c": "Low (F)"}
    options = {"columns": {"date": "Day", **names}, "units": dict.fromkeys(names, "degF"), "rain": False}
    swapped = write("w.csv", "\n".join(["Day,Low (F),High (F),rain_mm", *rows]))
    assert message(mat.read_weather, swapped, **options) == (
        "w.csv, column High (F): above the maximum on 92 of 92 days; expected at most Low (F);"
        " are the two columns exchanged?"
    )
    few = [row if n % 3 else row.replace(",", ",40,", 1).rpartition(",")[0] for n, row in enumerate(rows)]
    *told, last = message(
        mat.read_weather, write("w.csv", "\n".join(["date,tmin_c,tmax_c,rain_mm", *few]))
    ).splitlines()
    assert told[0] == "w.csv, row 2, column tmin_c, 2014-03-01: 40; expected at most tmax_c (4)"
    assert (len(told), last) == (5, "... and 26 more rows of w.csv, column tmin_c, like those above")


def test_weather_gap_is_filled_only_when_asked(write):
    path = write("w.csv", "date,tmin_c,tmax_c\n2014-03-01,4,14\n2014-03-02,,\n2014-03-03,6,16\n")
    assert "w.csv, row 3, 2014-03-02: no tmin_c, tmax_c" in message(mat.read_weather, path)
    weather = mat.read_weather(path, fill=[mat.Interpolate(max_days=1)])
    assert weather.tmin_c.tolist() == [4.0, 5.0, 6.0]
    assert weather.filled.tolist() == [False, True, False]


def test_weather_of_some_days(write):
    path = write("w.csv", files.WEATHER)
    first, last = dt.date(2014, 3, 5), dt.date(2014, 4, 1)
    weather = mat.read_weather(path, first_day=first, last_day=last)
    assert (weather.dates[0], weather.dates[-1]) == (np.datetime64(first), np.datetime64(last))
    assert message(mat.read_weather, path, last_day=dt.date(2015, 1, 1)) == (
        "w.csv, last_day: no weather on 2015-01-01; expected a day of the file (2014-03-01 to 2014-05-31)"
    )


@pytest.mark.parametrize("library", [pd, pl])
def test_weather_from_a_data_frame(library):
    frame = library.DataFrame(
        {"date": [dt.date(2014, 3, 1), dt.date(2014, 3, 2)], "tmin_c": [4.0, 5.0], "tmax_c": [14, 15]}
    )
    assert mat.read_weather(frame).tmax_c.tolist() == [14.0, 15.0]


def test_pandas_marks_missing_values_its_own_way():
    days = pd.to_datetime(["2014-03-01", "2014-03-02", "2014-03-03"])
    frame = pd.DataFrame({"date": days, "tmin_c": [4.0, np.nan, 6.0], "tmax_c": [14.0, np.nan, 16.0]})
    assert mat.read_weather(frame, fill=[mat.Interpolate(max_days=1)]).tmin_c.tolist() == [4.0, 5.0, 6.0]


@pytest.mark.parametrize(
    ("frame", "expected"),
    [
        (pl.DataFrame({"date": ["2014-03-01"], "tmin_c": [float("nan")], "tmax_c": [1]}), "row 2, column tmin_c: nan"),
        (pl.DataFrame({"date": ["2014-03-01"], "tmin_c": [True], "tmax_c": [1]}), "row 2, column tmin_c: True"),
        (pd.DataFrame({"date": [pd.Timestamp("2014-03-01 06:00")], "tmin_c": [1], "tmax_c": [1]}), "time of day"),
        (pl.DataFrame({"date": [20140301], "tmin_c": [1], "tmax_c": [2]}), "row 2, column date: 20140301"),
        (pd.DataFrame([[1, 2]], columns=["date", "date"]), "columns of different names"),
        (pd.DataFrame(), "no columns"),
        (pl.LazyFrame({"date": ["2014-03-01"]}), "source: LazyFrame"),
        ([1, 2], "source: list"),
        (None, "source: NoneType"),
    ],
)
def test_frames_that_are_refused(frame, expected):
    assert expected in message(mat.read_weather, frame)


# GHCN-Daily


def test_ghcn_fixed_width():
    # Status of the sample: synthetic, made to the published layout; its README gives the formulas.
    weather = mat.read_ghcn_daily(SAMPLES / "ghcn_synthetic_feb.dly", fill=[mat.Interpolate(max_days=1)])
    day = np.arange(28)
    assert weather.dates[0] == np.datetime64("2015-02-01")
    assert weather.tmax_c == pytest.approx(5.0 + 0.7 * day)
    assert weather.tmin_c == pytest.approx(-6.0 + 0.7 * day)
    assert np.flatnonzero(weather.filled).tolist() == [4, 9]


def test_ghcn_names_what_is_missing_or_flagged():
    text = message(mat.read_ghcn_daily, SAMPLES / "ghcn_synthetic_feb.dly")
    assert "2015-02-05: no tmax_c" in text
    assert "2015-02-10: no tmin_c" in text


ROWS = (
    "US1,20150201,TMAX,50,,,S,\nUS1,20150201,TMIN,-60,,,S,0700\nUS1,20150201,SNWD,3,,,S,\n"
    "US1,20150201,PRCP,12,T,,S,\nUS1,20150202,TMAX,57,,,S,\nUS1,20150202,TMIN,-53,,,S,\nUS1,20150202,PRCP,0,,,S,\n"
)


@pytest.mark.parametrize("header", ["", "ID,DATE,ELEMENT,VALUE,MFLAG,QFLAG,SFLAG,OBSTIME\n"])
def test_ghcn_csv(write, header):
    weather = mat.read_ghcn_daily(write("US1.csv", header + ROWS))
    assert weather.tmax_c.tolist() == [5.0, 5.7]
    assert weather.tmin_c.tolist() == [-6.0, -5.3]
    assert weather.rain_mm.tolist() == [1.2, 0.0]
    assert mat.read_ghcn_daily(write("US1.csv", header + ROWS), rain=False).rain_mm is None


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("US1,20150202,TMAX", "US2,20150202,TMAX", "g.csv, row 5: station US2; expected one station"),
        ("20150202,TMAX", "20150201,TMAX", "g.csv, row 5: TMAX of 2015-02-01 a second time"),
        ("20150202,TMAX", "20150230,TMAX", "g.csv, row 5, column DATE: 20150230; expected a day as YYYYMMDD"),
        ("TMAX,57", "TMAX,5.7", "g.csv, row 5, column VALUE: 5.7; expected a whole number of tenths"),
        ("TMAX,57,,,S,", "TMAX,57,,X,S,", "g.csv, 2015-02-02: no tmax_c"),
        ("TMIN,-53,,,S,", "TMIN,-53,", "g.csv, row 6: 5 cells; expected 8 cells"),
    ],
)
def test_ghcn_csv_refused(write, old, new, expected):
    assert old in ROWS
    assert expected in message(mat.read_ghcn_daily, write("g.csv", ROWS.replace(old, new)))


def test_ghcn_without_temperatures(write):
    text = message(mat.read_ghcn_daily, write("g.csv", "US1,20150201,PRCP,12,,,S,\n"))
    assert text.splitlines() == [
        "g.csv: no TMIN; expected temperatures: the elements TMIN and TMAX",
        "g.csv: no TMAX; expected temperatures: the elements TMIN and TMAX",
    ]


def test_ghcn_lines_cut_or_on_days_that_are_not(write):
    text = (SAMPLES / "ghcn_synthetic_feb.dly").read_text()
    assert "g.dly, row 1: USW0" in message(mat.read_ghcn_daily, write("g.dly", text[:100] + text[260:]))
    assert "day 31: 7; expected -9999 on a day that the month does not have" in message(
        mat.read_ghcn_daily, write("g.dly", text[:261] + "    7" + text[266:])
    )


# soil tests


def test_soil_tests(write):
    text = SOIL.replace("verdure\n", "verdure,layer,laboratory_sd_percent\n").replace(",on\n", ",on,,0.3\n")
    text += "Green 2,2014-04-01,,,5.0,6,440 C,off,thatch-mat,\n"
    tests = mat.read_soil_tests(write("s.csv", text))
    assert tests[0] == mat.SoilTest(
        green="Green 1", date=dt.date(2014, 4, 1), top_mm=0.0, bottom_mm=20.0, om_percent=6.1, cores=8,
        method="440 C", verdure="on", laboratory_sd_percent=0.3,
    )  # fmt: skip
    assert (tests[0].file, tests[0].row) == ("s.csv", 2)
    assert tests[2].window is None
    assert tests[2].sampled == "thatch-mat layer"
    assert pickle.loads(pickle.dumps(tests)) == tests


def test_soil_tests_in_inches_may_reach_the_columns_end(write):
    text = SOIL.replace("top_mm,bottom_mm", "top_in,bottom_in").replace(",0,20,", ",0,1,").replace(",20,40,", ",1,2,")
    assert [t.window for t in mat.read_soil_tests(write("s.csv", text), column_depth_mm=50.8)] == [
        (0, 25.4),
        (25.4, 50.8),
    ]
    assert "bottom_in: 2 in = 50.8 mm; expected at most the depth of the column (50 mm)" in message(
        mat.read_soil_tests, write("s.csv", text), column_depth_mm=50
    )


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("G,2014-04-01,,20,5,8,m,on,window", "column top_mm: no depth; expected a depth (mm), or the layer thatch-mat"),
        ("G,2014-04-01,0,,5,8,m,on,", "column bottom_mm: no depth"),
        ("G,2014-04-01,0,20,5,8,m,on,thatch-mat", "column layer: thatch-mat; expected no depths with this layer"),
        ("G,2014-04-01,0,20,-1,8,m,on,", "column om_percent: -1; expected a number from 0 to 100 (%)"),
        ("G,2014-04-01,0,20,5,0.5,m,on,", "column cores: 0.5; expected a whole number of 1 or more"),
        ("G,2014-04-01,0,20,5,8,m,On,", "column verdure: On; expected on or off (nearest: on)"),
        (",2014-04-01,0,20,5,8,m,on,", "column green: empty cell; expected text"),
    ],
)
def test_soil_tests_refused(write, row, expected):
    header = files.TESTS_HEADER.replace("\n", ",layer\n")
    assert expected in message(mat.read_soil_tests, write("s.csv", header + row + "\n"))


def test_different_methods_and_verdure_may_share_ground(write):
    rows = "G,2014-04-01,0,20,5,8,m,on\nG,2014-04-01,0,20,5,8,n,on\nG,2014-04-01,0,20,5,8,m,off\n"
    assert len(mat.read_soil_tests(write("s.csv", files.TESTS_HEADER + rows))) == 3


def test_a_test_made_in_python_is_held_to_the_same_rules():
    good = mat.SoilTest(
        green="G", date=dt.date(2014, 4, 1), top_mm=0, bottom_mm="1 in", om_percent=5, cores=8, method="m", verdure="on"
    )
    assert good.bottom_mm == 25.4
    assert message(replace, good, om_percent=200, cores=True).splitlines() == [
        "om_percent: 200; expected a number from 0 to 100 (%); 200 g/kg = 20 %?",
        "cores: True; expected a whole number of 1 or more",
    ]


# work


def test_work_keeps_the_order_of_the_day(write):
    coring, topdressing = mat.read_work(write("w.csv", WORK))
    assert coring == mat.WorkRecord(
        green="all",
        date=dt.date(2014, 4, 14),
        work=mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75),
    )
    assert topdressing.work == mat.Topdressing(sand_kg_m2=4.5)
    assert (topdressing.file, topdressing.row) == ("w.csv", 3)


EVERY_WORK = """\
green,date,work,tine_inside_diameter_mm,tine_diameter_mm,spacing_along_mm,spacing_across_mm,depth_mm,depth_sd_mm,passes,\
returned_mineral_share,returned_om_share,holes_open_days,sand_mm,sand_kg_m2,blade_width_mm,blade_spacing_mm,removed_share,from_mm,to_mm,\
picked_up_share
G,2014-04-14,coring,12.7,,50,40,75,5,2,0.5,0.1,10,,,,,,,,
G,2014-04-15,solid_tining,,8,50,40,100,5,1,,,,,,,,,,,
G,2014-04-16,vertical_mowing,,,,,20,,2,,,,,,3,25,0.4,,,
G,2014-04-17,sand_injection,,,,,,,,,,,,3.5,,,,10,100,
G,2014-04-18,topdressing,,,,,,,2,,,,1.5,,,,,,,0.02
"""


@BOTH
def test_every_work_comes_back_from_a_data_frame(write, to_frame):
    records = mat.read_work(write("w.csv", EVERY_WORK))
    assert [type(r.work).__name__ for r in records] == [
        "Coring", "SolidTining", "VerticalMowing", "SandInjection", "Topdressing",
    ]  # fmt: skip
    assert records[0].work.returned_mineral_share == 0.5
    assert mat.read_work(to_frame(records)) == records
    assert pickle.loads(pickle.dumps(records)) == records


@BOTH
def test_soil_tests_and_clippings_come_back_from_a_data_frame(write, to_frame):
    tests = mat.read_soil_tests(write("s.csv", SOIL))
    assert mat.read_soil_tests(to_frame(tests)) == tests
    clippings = mat.read_clippings(write("c.csv", "green,first_day,last_day,dry_g_m2\nG,2014-04-01,2014-04-02,3\n"))
    assert mat.read_clippings(to_frame(clippings)) == clippings


def test_sand_by_volume_per_area(write):
    (record,) = mat.read_work(
        write("w.csv", "green,date,work,sand_ft3_1000ft2\nG,2014-04-14,topdressing,4\n")
    )  # 4 ft3/1000 ft2 = 1.2192 mm (tests/checks/units.csv)
    assert record.work == mat.Topdressing(sand_mm=1.2192)


@pytest.mark.parametrize(
    ("header", "row", "expected"),
    [
        (
            "sand_mm,sand_kg_m2",
            "topdressing,1,1.6",
            "column sand_mm: both given; expected either sand_mm or sand_kg_m2",
        ),
        ("sand_mm,passes", "topdressing,,2", "column sand_mm: not given; expected either sand_mm or sand_kg_m2"),
        ("sand_mm,passes", "topdressing,1,1.5", "column passes: 1.5; expected a whole number from 1 to 20"),
        ("sand_mm,from_mm,to_mm", "sand_injection,1,50,20", "column to_mm"),
    ],
)
def test_work_refused(write, header, row, expected):
    assert expected in message(mat.read_work, write("w.csv", f"green,date,work,{header}\nG,2014-04-14,{row}\n"))


# clippings


def test_clippings_by_mass_and_by_volume(write):
    path = write(
        "c.csv",
        "green,first_day,last_day,dry_g_m2,volume_l_m2,volume_l\n"
        "G,2014-04-01,2014-04-01,3,,\nG,2014-04-02,2014-04-02,,0.05,\nG,2014-04-03,2014-04-04,,,24\n",
    )
    records = mat.read_clippings(path, dry_matter_g_l=60, areas_m2={"G": 480})
    assert [r.dry_g_m2 for r in records] == pytest.approx([3.0, 3.0, 3.0])
    assert (records[2].first_day, records[2].last_day) == (dt.date(2014, 4, 3), dt.date(2014, 4, 4))
    text = message(mat.read_clippings, path)
    assert "grass, dry_matter_g_l: neither" in text
    assert "c.csv, row 4, column volume_l: 24; expected an area of G (m2), or the column volume_l_m2" in text


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("G,2014-04-01,2014-04-02,,", "c.csv, row 2: no amount; expected one of dry_g_m2, volume_l_m2, volume_l"),
        ("G,2014-04-01,2014-04-02,3,0.05", "c.csv, row 2: dry_g_m2 and volume_l_m2; expected one of"),
        ("G,2014-04-02,2014-04-01,3,", "c.csv, row 2, column last_day: 2014-04-01; expected"),
        ("G,2014-04-01,2014-04-02,-3,", "c.csv, row 2, column dry_g_m2: -3; expected a number of 0 or more (g/m2)"),
    ],
)
def test_clippings_refused(write, row, expected):
    path = write("c.csv", f"green,first_day,last_day,dry_g_m2,volume_l_m2\n{row}\n")
    assert expected in message(mat.read_clippings, path, dry_matter_g_l=60)


def test_clippings_that_share_a_day(write):
    """Each with one before it, even if that one began long ago."""
    path = write(
        "c.csv",
        "green,from,last_day,dry_g_m2\nG,2014-04-10,2014-04-14,2\nG,2014-04-01,2014-04-30,9\nH,2014-04-30,2014-05-01,3\n"
        "G,2014-04-15,2014-04-16,2\nG,2014-05-01,2014-05-02,2\n",
    )
    assert message(mat.read_clippings, path, columns={"first_day": "from"}).splitlines() == [
        f"c.csv, row {row}, column from: {days}, shared with row 3; expected records of a green that share no day"
        for row, days in ((2, "2014-04-10 to 2014-04-14"), (5, "2014-04-15 to 2014-04-16"))
    ]


# the door


def test_limit_can_be_raised_or_lowered(write):
    path = write("w.csv", files.WEATHER)
    assert "w.csv: 1,683 bytes; expected" in message(mat.read_weather, path, max_bytes=1000)
    assert len(mat.read_weather(path, max_bytes=10_000).dates) == 92


def test_so_many_problems_that_reading_stops(write):
    path = write("w.csv", "date,tmin_c,tmax_c\n" + "1/1/14,a,b\n" * 5000)
    with pytest.raises(mat.InputError) as caught:
        mat.read_weather(path)
    assert 1000 <= len(caught.value.problems) < 1010
    assert caught.value.problems[-1].value == "too many problems"


@pytest.mark.parametrize("name", ["missing.csv", "", "a\0b"])
def test_paths_that_lead_to_no_file(tmp_path, name):
    assert "expected a file" in message(mat.read_weather, f"{tmp_path}/{name}")


FUZZ = settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


def feed(reader, folder, data):
    reader.prepare(folder)
    reader.feed(data, folder)


def test_every_reader_is_fuzzed():
    public = {name for name in mat.__all__ if name.startswith(("read_", "load_"))}
    assert public < READERS.keys()


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
def test_the_corpus_is_read_or_refused(tmp_path, reader):
    seeds = reader.seeds()
    assert seeds
    for data in seeds:
        feed(reader, tmp_path, data)


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
@FUZZ
@given(data=st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path, reader, data):
    feed(reader, tmp_path, data)


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
@FUZZ
@given(
    at=st.floats(0, 1),
    span=st.integers(0, 20),
    put=st.one_of(
        st.binary(max_size=20),
        st.sampled_from([b'"', b",", b"\n", b"\r", b"[[", b"[" * 10_000, b"9" * 5000, b"1e999", b"-"]),
    ),
    data=st.data(),
)
def test_good_input_with_a_bad_spot_is_read_or_refused(tmp_path, reader, at, span, put, data):
    good = data.draw(st.sampled_from(reader.seeds()))
    place = int(at * len(good))
    feed(reader, tmp_path, good[:place] + put + good[place + span :])


VALUE = re.compile(r'(?<=[=:] )("[^"]*"|[-\d.]+|true|false|\[[^\[\]]*\])')
"""A value of a TOML or JSON file, of one line."""
KINDS = ("5", "-1", "9" * 30, "0x" + "f" * 4500, "nan", "inf", '"text"', "true", "2014-01-01", "12:00:00", "[]", "{}")


# the example of load_course has every section there is
EXAMPLE = mat.load_course.__doc__.partition("code-block:: toml\n")[2].partition("    Parameters\n")[0]
KEYED = {"load_course": EXAMPLE, **{name: READERS[name].seeds()[-1].decode() for name in ("check_study", "manifest")}}


@pytest.mark.parametrize("name", KEYED)
def test_a_value_of_any_kind_is_read_or_refused(tmp_path, name):
    for found in VALUE.finditer(KEYED[name]):
        for kind in KINDS:
            feed(READERS[name], tmp_path, (found.string[: found.start()] + kind + found.string[found.end() :]).encode())
