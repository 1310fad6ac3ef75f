import datetime as dt
import pickle
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pytest
import xarray as xr
from hypothesis import given, seed, settings
from hypothesis import strategies as st

import matledger as mat
from matledger.errors import InputError

CHECKS = Path(__file__).parents[1] / "checks"


def seattle_frame() -> pd.DataFrame:
    return pd.read_csv(CHECKS / "seattle_weather.csv", comment="#", parse_dates=["date"])


@pytest.fixture(scope="module")
def seattle() -> mat.Weather:
    f = seattle_frame()
    return mat.Weather(f.date, f.tmin_c, f.tmax_c, f.rain_mm)


def problems(error: pytest.ExceptionInfo[InputError]) -> list[str]:
    return [f"{p.place}: {p.value}" for p in error.value.problems]


def test_import_is_light():
    code = "import sys, matledger; print([m for m in ('numpy', 'narwhals', 'pandas', 'xarray') if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_every_exported_name_is_there():
    assert set(dir(mat)) == {*mat.__all__, "fit_plots", "plots", "units"}
    assert mat.units.convert(1, "in", "mm") == 25.4
    assert re.fullmatch(r"\d+\.\d+\.\d+\S*", mat.__version__)
    assert all(getattr(mat, name) is not None for name in mat.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        mat.nothing  # noqa: B018


# One row of each curve from tests/checks/degree_days.csv; every row stands in tests/weather.rs.
@pytest.mark.parametrize(
    ("method", "expected"),
    [
        ("single_triangle", 23.75),  # DD0033
        ("double_triangle", 27.125),  # DD0034 as mended: its leaflet prints 24.88
        ("single_sine", 22.82),  # DD0035
        ("double_sine", 26.26),  # DD0036
    ],
)
def test_degree_days_of_the_leaflet(method, expected):
    def celsius(f):
        return (np.array(f) - 32) / 1.8

    got = mat.degree_days(
        celsius([60, 75]), celsius([100, 100]), lower_c=celsius(55), upper_c=celsius(90), method=method
    )
    assert got[0] * 1.8 == pytest.approx(expected, abs=0.006)


def test_degree_days_warn_when_floored():
    with pytest.warns(UserWarning, match=r"1 of 3 days below zero; they count zero \(rows 1\)"):
        got = mat.degree_days([10, 40, 12], [20, 50, 24], lower_c=10, upper_c=20, cutoff="intermediate")
    assert got[1] == 0


def test_degree_days_name_the_argument():
    with pytest.raises(InputError) as error:
        mat.degree_days([1, np.nan], [0, np.inf], lower_c=0)
    assert problems(error) == ["tmin_c[1]: NaN", "tmax_c[1]: inf", "tmin_c[0]: 1"]
    with pytest.raises(InputError, match=r'method: "sine"; expected one of average, .*double_sine'):
        mat.degree_days([1], [2], lower_c=0, method="sine")
    with pytest.raises(InputError, match="upper_c: none; expected an upper threshold for the vertical cutoff"):
        mat.degree_days([1], [2], lower_c=0, cutoff="vertical")
    with pytest.raises(InputError, match=r"lower_c: .0.; expected a number"):
        mat.degree_days([1], [2], lower_c="0")


@pytest.mark.parametrize(
    "make",
    [list, tuple, np.array, pd.Series, pl.Series, pd.Index, xr.DataArray, lambda v: np.array(v, dtype=np.float32)],
)
def test_any_column_will_do(make):
    got = mat.degree_days(make([4.0, 6.0]), make([14.0, 16.0]), lower_c=0)
    assert got.tolist() == [9.0, 11.0]


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (["4", "6"], "tmin_c: values of type <U1; expected numbers"),
        ([True, False], "tmin_c: values of type bool; expected numbers"),
        ([4, "6,5"], "tmin_c: values of type <U21; expected numbers"),
        (np.array([4, "6,5"], dtype=object), r"tmin_c\[1\]: '6,5'; expected a number"),
        ([[4], [6]], r"tmin_c: an array of shape \(2, 1\); expected one dimension"),
        (pd.Series(["a", "b"]), r"tmin_c"),
        (pl.Series(["a", "b"]), r"tmin_c"),
        (pd.Series([4, None], dtype="Int64"), r"tmin_c\[1\]: NaN; expected a finite number"),
        (pl.Series([4, None]), r"tmin_c\[1\]: NaN; expected a finite number"),
        ([4, None], r"tmin_c\[1\]: NaN; expected a finite number"),
        (np.ma.array([4, 6], mask=[False, True]), r"tmin_c\[1\]: NaN; expected a finite number"),
    ],
)
def test_what_is_no_number_is_named(values, message):
    with pytest.raises(InputError, match=message):
        mat.degree_days(values, [14, 16], lower_c=0)


def test_potential_modifier_and_soil():
    c3 = mat.growth_potential([25], optimum_c=20, spread_c=5.5)
    assert c3[0] == pytest.approx(0.6615146556)  # growth_potential.csv
    assert mat.growth_potential([40], optimum_c=31, spread_c=7, plateau=True)[0] == 1
    ratio = 3.8019757041 / 1.8984459160  # rothc_modifiers.csv, rothc_2024 at 25 and 15 degC
    assert mat.decay_modifier([25])[0] == pytest.approx(ratio)
    assert mat.decay_modifier([25], form="q10", q10=3, moisture=[0.5])[0] == pytest.approx(1.5)
    assert mat.soil_temperature([10, 20], lag_days=0).tolist() == [10, 20]
    with pytest.raises(InputError, match='form: "hot"; expected one of rothc'):
        mat.decay_modifier([25], form="hot")
    with pytest.raises(InputError, match="reference_c: -10; expected a temperature at which the form is above 0"):
        mat.decay_modifier([25], reference_c=-10)


def test_soil_follows_the_air(seattle):
    soil = mat.soil_temperature(seattle.tmean_c, lag_days=5)
    assert soil.std() < seattle.tmean_c.std()
    assert soil.mean() == pytest.approx(seattle.tmean_c.mean(), abs=0.05)


def test_weather_holds_what_it_was_given(seattle):
    assert repr(seattle) == "Weather(2012-01-01 to 2015-12-31, 1461 days, 0 filled)"
    assert (seattle.start, seattle.end, len(seattle)) == (dt.date(2012, 1, 1), dt.date(2015, 12, 31), 1461)
    assert seattle.years == (2012, 2013, 2014, 2015)
    assert seattle.rain_mm is not None
    assert seattle.rain_mm[1] == 10.9
    part = seattle.slice("2012-03-01", dt.date(2013, 12, 31))
    assert part.years == (2013,)
    assert part.dates[0] == np.datetime64("2012-03-01")
    with pytest.raises(InputError, match="first: 2011-01-01; expected a day from 2012-01-01 to 2015-12-31"):
        seattle.slice("2011-01-01", "2012-01-01")


def test_weather_is_locked(seattle):
    with pytest.raises(AttributeError):
        seattle.tmin_c = np.zeros(3)
    with pytest.raises(ValueError, match="read-only"):
        seattle.tmin_c[0] = 99
    frame = seattle.to_pandas()
    frame.loc[:, "tmin_c"] = 99.0
    assert seattle.tmin_c[0] == 5.0


@pytest.mark.parametrize("with_rain", [True, False])
def test_weather_crosses_processes(with_rain):
    f = seattle_frame().drop(index=[5, 6])
    rain = f.rain_mm if with_rain else None
    fill = [mat.Interpolate(max_days=3), mat.SameDayOtherYears()]
    weather = mat.Weather(f.date, f.tmin_c, f.tmax_c, rain, fill=fill)
    again = pickle.loads(pickle.dumps(weather))
    assert again == weather
    assert again.filled.sum() == 2
    assert weather != weather.slice(weather.start, "2015-12-30")
    assert weather != "weather"


def test_weather_says_all_that_is_wrong_at_once():
    dates = ["2014-05-01", "2014-05-02", "2014-05-02", "2014-05-06", "2014-05-05"]
    with pytest.raises(InputError) as error:
        mat.Weather(dates, [1, 20, 1, np.nan, 1], [9, 9, 9, 9, 99], [0, 0, 0, -1, 0])
    assert problems(error) == [
        "2014-05-02: 2 rows",
        "2014-05-05: comes after 2014-05-06",
        "2014-05-02: tmin_c 20",
        "2014-05-06: rain_mm -1",
        "2014-05-05: tmax_c 99",
        "2014-05-03 to 2014-05-04: no tmin_c, tmax_c, rain_mm",
        "2014-05-06: no tmin_c",
    ]
    assert error.value.problems[-1].expected == "a value for every day, or a fill rule"


@pytest.mark.parametrize(
    "dates",
    [
        [dt.date(2014, 5, 1), dt.date(2014, 5, 2)],
        ["2014-05-01", "2014-05-02"],
        np.array(["2014-05-01", "2014-05-02"], dtype="datetime64[s]"),
        pd.to_datetime(pd.Series(["2014-05-01", "2014-05-02"])),
        pd.DatetimeIndex(["2014-05-01", "2014-05-02"]),
        pd.Series([dt.date(2014, 5, 1), dt.date(2014, 5, 2)]),
        pl.Series([dt.date(2014, 5, 1), dt.date(2014, 5, 2)]),
        pl.Series([dt.datetime(2014, 5, 1), dt.datetime(2014, 5, 2)]),
        pl.Series(["2014-05-01", "2014-05-02"]),
        pd.Series(["2014-05-01", "2014-05-02"]),
    ],
)
def test_dates_come_in_many_coats(dates):
    weather = mat.Weather(dates, [1, 2], [5, 6])
    assert weather.dates.tolist() == [dt.date(2014, 5, 1), dt.date(2014, 5, 2)]


@pytest.mark.parametrize(
    ("dates", "message"),
    [
        (["2014-05-01", "02/05/2014"], r"dates\[1\]: 02/05/2014; expected days such as 2014-05-01"),
        (["2014-05-01", "2014-02-30"], r"dates\[1\]: 2014-02-30"),
        (["2014-05-01", None], r"dates\[1\]: None"),
        (pd.Series(pd.to_datetime(["2014-05-01", None])), r"dates\[1\]: NaT"),
        (pd.to_datetime(pd.Series(["2014-05-01 00:00", "2014-05-02 06:00"])), r"dates\[1\]: 2014-05-02T06"),
        (pd.date_range("2014-05-01", periods=2, tz="UTC"), r"dates\[0\]: 2014-05-01 00:00:00\+00:00"),
        (pd.Series(pd.date_range("2014-05-01", periods=2, tz="UTC")), r"dates\[0\]: 2014-05-01 00:00:00\+00:00"),
        ([20140501, 20140502], "dates: values of type int64"),
        (np.array(["3014-05-01", "3014-05-02"], dtype="datetime64[D]"), "3014-05-01: year 3014; expected a year from"),
        (np.array([2**40, 2**40 + 1], dtype="datetime64[D]"), "dates: day 1099511627776 from 1970-01-01"),
        ([], "tmin_c: 2 values; expected as many as dates"),
    ],
)
def test_what_is_no_day_is_named(dates, message):
    with pytest.raises(InputError, match=message):
        mat.Weather(dates, [1, 2], [5, 6])


def test_nothing_is_filled_without_a_rule():
    f = seattle_frame().drop(index=range(200, 204))
    with pytest.raises(InputError, match="2012-07-19 to 2012-07-22: no tmin_c, tmax_c; expected a value for every day"):
        mat.Weather(f.date, f.tmin_c, f.tmax_c)
    with pytest.raises(InputError, match="expected a value that a fill rule reaches"):
        mat.Weather(f.date, f.tmin_c, f.tmax_c, fill=[mat.Interpolate(max_days=3)])
    weather = mat.Weather(f.date, f.tmin_c, f.tmax_c, fill=[mat.Interpolate(max_days=4)])
    assert np.flatnonzero(weather.filled).tolist() == [200, 201, 202, 203]
    for wrong in (0, 2.5, True):
        with pytest.raises(InputError, match="max_days"):
            mat.Interpolate(max_days=wrong)
    with pytest.raises(InputError, match=r"fill\[0\]: 'interpolate'; expected Interpolate"):
        mat.Weather(f.date, f.tmin_c, f.tmax_c, fill=["interpolate"])


def test_frames_come_back(seattle):
    pandas = seattle.to_pandas()
    assert mat.Weather(pandas.index, pandas.tmin_c, pandas.tmax_c, pandas.rain_mm) == seattle
    polars = seattle.to_polars()
    assert mat.Weather(polars["date"], polars["tmin_c"], polars["tmax_c"], polars["rain_mm"]) == seattle
    cube = seattle.to_xarray()
    assert mat.Weather(cube.time, cube.tmin_c, cube.tmax_c, cube.rain_mm) == seattle
    assert cube.attrs["Conventions"].startswith("CF-")
    assert cube.tmin_c.attrs["cell_methods"] == "time: minimum"
    assert all("units" in cube[name].attrs for name in ("tmin_c", "tmax_c", "rain_mm"))


def test_html_is_a_table(seattle):
    shown = seattle._repr_html_()
    assert shown.startswith("<table>")
    assert "2012, 2013, 2014, 2015" in shown


@seed(20140501)
@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-40, 40), st.floats(0, 20)), min_size=1, max_size=40),
    st.dates(dt.date(1700, 1, 1), dt.date(2199, 1, 1)),
)
def test_weather_round_trip(rows, start):
    tmin = [low for low, _ in rows]
    tmax = [low + spread for low, spread in rows]
    dates = [start + dt.timedelta(i) for i in range(len(rows))]
    weather = mat.Weather(dates, tmin, tmax)
    assert weather.dates.tolist() == dates
    assert weather.tmin_c.tolist() == tmin
    assert pickle.loads(pickle.dumps(weather)) == weather
