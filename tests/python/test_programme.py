import copy
import datetime as dt
import pickle
import subprocess
import sys

import numpy as np
import pandas as pd
import polars as pl
import pytest

import matledger as mat
from matledger.errors import InputError

CORES = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
FILL = mat.Topdressing(sand_mm=4, passes=4)
LIGHT = mat.Topdressing(sand_mm=0.5)
STEPS = [
    ("2nd MONDAY of apr and sep", [CORES, FILL]),
    ("every 14 days from 1 May to 15 August", [LIGHT]),
]
PROGRAMME = mat.Programme("two corings", STEPS, no_work=["4 July", "2014-05-10 to 2014-05-20"])
YEAR = PROGRAMME.calendar("2014-01-01", "2014-12-31")


def test_programme_is_a_value():
    assert PROGRAMME.steps == (
        ("second Monday of April and of September", (CORES, FILL)),
        ("every 14 days from 1 May to 15 August", (LIGHT,)),
    )
    assert PROGRAMME.no_work == ("4 July", "2014-05-10 to 2014-05-20")
    same = mat.Programme("two corings", PROGRAMME.steps, PROGRAMME.no_work)
    assert same == PROGRAMME
    assert hash(same) == hash(PROGRAMME)
    for twin in (pickle.loads(pickle.dumps(PROGRAMME)), copy.deepcopy(PROGRAMME)):
        assert twin == PROGRAMME
        assert twin.core == PROGRAMME.core
    assert same != mat.Programme("two corings", STEPS, PROGRAMME.no_work, "next_work_day")


def test_programme_is_shown():
    assert repr(PROGRAMME) == (
        "<Programme 'two corings': second Monday of April and of September; every 14 days from 1 May to 15 August, "
        "no work on 4 July; 2014-05-10 to 2014-05-20 (skip)>"
    )
    assert repr(mat.Programme("nothing", [])) == "<Programme 'nothing': no work>"
    html = mat.Programme("<b>", STEPS)._repr_html_()
    assert "&lt;b&gt;" in html
    assert "12.7 mm bore" in html
    assert "no work (skip)" in PROGRAMME._repr_html_()


def test_calendar():
    events = list(YEAR)
    assert len(events) == len(YEAR) == 11
    assert events[0] == (dt.date(2014, 4, 14), CORES, 0, "second Monday of April and of September")
    assert [event.work for event in events[:2]] == [CORES, FILL]
    assert [skip.date for skip in YEAR.skipped] == [dt.date(2014, 5, 15)]
    assert YEAR.skipped[0].reason == "no work that day"
    assert repr(YEAR) == "<Calendar 'two corings' 2014-01-01 to 2014-12-31: 11 events, 1 skipped>"
    head, *dates, last = str(YEAR).splitlines()
    assert head == "two corings, 2014-01-01 to 2014-12-31"
    assert dates == [f"{event.date}  {event.work}" for event in YEAR]
    assert last == "2014-05-15: every 14 days from 1 May to 15 August skipped, no work that day"
    assert pickle.loads(pickle.dumps(YEAR)) == YEAR
    assert hash(YEAR) == hash(PROGRAMME.calendar(dt.date(2014, 1, 1), dt.date(2014, 12, 31)))
    assert "skipped, no work that day" in YEAR._repr_html_()


def test_work_moves_to_the_next_work_day():
    programme = mat.Programme("moved", STEPS[1:], PROGRAMME.no_work, "next_work_day")
    calendar = programme.calendar("2014-01-01", "2014-12-31")
    assert calendar.moved == ((dt.date(2014, 5, 15), dt.date(2014, 5, 21), "every 14 days from 1 May to 15 August"),)
    assert "moved to 2014-05-21" in calendar._repr_html_()


def test_summary():
    year = PROGRAMME.summary(2014)
    assert year == YEAR.years[0]
    f = CORES.area_fraction
    assert (year.year, year.days, year.events) == (2014, 9, 11)
    assert year.removed_area_share == pytest.approx(1 - (1 - f) ** 2)
    assert year.removed_area_plain_sum == pytest.approx(2 * f)
    assert year.solid_area_share == year.solid_area_plain_sum == 0
    assert year.sand_mm == pytest.approx(2 * 4 + 7 * 0.5)
    assert year.sand_kg_m2 == pytest.approx(year.sand_mm * 1.6)
    assert year.sand_ft3_1000ft2 == pytest.approx(year.sand_mm / 0.3048)
    years = mat.Programme("one", [("2014-04-15", [LIGHT])]).calendar("2013-06-01", "2015-06-01").years
    assert [(y.year, y.events) for y in years] == [(2013, 0), (2014, 1), (2015, 0)]


def test_data_frames():
    columns = [
        "date",
        "step",
        "when",
        "work",
        "description",
        "area_share",
        "area_plain_sum",
        "hole_volume_mm",
        "sand_kg_m2",
    ]
    empty = mat.Programme("nothing", []).calendar("2014-01-01", "2014-12-31")
    assert (len(empty), empty.years[0].events) == (0, 0)
    for calendar in (YEAR, empty):
        pandas, polars = calendar.to_pandas(), calendar.to_polars()
        assert list(pandas.columns) == polars.columns == columns
        assert len(pandas) == len(polars) == len(calendar)
        assert pandas["date"].dtype.kind == "M"
        assert polars["date"].dtype == pl.Date
        assert set(polars.dtypes[5:]) == {pl.Float64}
    assert YEAR.to_pandas()["date"].iloc[0] == pd.Timestamp(2014, 4, 14)
    assert YEAR.to_polars()["sand_kg_m2"].sum() == pytest.approx(PROGRAMME.summary(2014).sand_kg_m2)
    assert YEAR.to_pandas()["work"].value_counts()["coring"] == 2


COUNTED = mat.Programme("counted", [("after 400 degree days from 1 March", [LIGHT])])


@pytest.mark.parametrize(
    "degree_days",
    [
        np.full(365, 10.0),
        np.full(730, 10)[::2],
        [10] * 365,
        pd.Series(np.full(365, 10.0)),
        pl.Series(np.full(365, 10.0, dtype=np.float32)),
    ],
    ids=["float64", "strided int", "list", "pandas", "polars"],
)
def test_degree_days(degree_days):
    calendar = COUNTED.calendar("2014-01-01", "2014-12-31", degree_days=degree_days)
    assert [event.date for event in calendar] == [dt.date(2014, 4, 10)]
    # The season of 2013 began before the degree days.
    assert calendar.uncounted == ((dt.date(2013, 3, 1), "after 400 degree days from 1 March"),)
    assert "not counted" in calendar._repr_html_()


def test_degree_days_may_begin_before_the_calendar():
    calendar = COUNTED.calendar(
        "2014-01-01", "2014-12-31", degree_days=[10.0] * 700, degree_days_start=dt.date(2013, 3, 1)
    )
    assert [event.date for event in calendar] == [dt.date(2014, 4, 10)]
    assert calendar.uncounted == ()
    year = COUNTED.summary(2014, degree_days=np.full(365, 10.0))
    assert year.events == 1


def problem(make):
    with pytest.raises(InputError) as caught:
        make()
    return str(caught.value)


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda: mat.Programme("x", [("sometimes", [LIGHT])], ["July"]), "steps[0].when: 'sometimes'; expected one of"),
        (lambda: mat.Programme("x", [("15 April", [LIGHT])], ["July"]), "no_work[0].days: 'July'; expected one of"),
        (lambda: mat.Programme("x", [("15 April", [])]), "steps[0].works: none; expected at least one piece of work"),
        (lambda: mat.Programme(" ", STEPS), "name: ' '; expected a name"),
        (lambda: mat.Programme(3, STEPS), "name: 3; expected a text"),
        (lambda: mat.Programme("x", STEPS, "4 July"), "no_work: '4 July'; expected a list of texts such as '4 July'"),
        (lambda: mat.Programme("x", STEPS, [4]), "no_work[0]: 4; expected a text such as '4 July'"),
        (lambda: mat.Programme("x", STEPS, (), "never"), "when_no_work: 'never'; expected 'skip' or 'next_work_day'"),
        (lambda: mat.Programme("x", "15 April"), "steps: '15 April'; expected a list of pairs (rule, [work, ...])"),
        (lambda: mat.Programme("x", ["15 April"]), "steps[0]: '15 April'; expected a pair (rule, [work, ...])"),
        (lambda: mat.Programme("x", [("15 April", LIGHT)]), "expected a list of work such as"),
        (lambda: mat.Programme("x", [("15 April", [3])]), "steps[0].works[0]: 3; expected a piece of work such as"),
        (lambda: mat.Programme("x", [(15, [LIGHT])]), "steps[0].when: 15; expected a text such as '15 April'"),
        (lambda: PROGRAMME.calendar("15/04/2014", "2014-12-31"), "first: '15/04/2014'; expected a day such as"),
        (lambda: PROGRAMME.calendar("20140101", "2014-12-31"), "first: '20140101'; expected a day such as"),
        (lambda: PROGRAMME.calendar("2014-01-01", dt.datetime(2014, 12, 31, 7)), "last: datetime.datetime"),
        (lambda: PROGRAMME.calendar("2014-01-01", "2013-12-31"), "last: 2013-12-31; expected a date on or after"),
        (lambda: PROGRAMME.summary(20140), "year: '20140-01-01'; expected a day such as"),
        (lambda: COUNTED.summary(2014), "expected degree days given to the calendar"),
        (lambda: COUNTED.summary(2014, degree_days=[1.0]), "degree_days: 1 days from 2014-01-01; expected a value"),
        (lambda: COUNTED.summary(2014, degree_days=[[1.0]]), "degree_days: float64 of shape (1, 1); expected numbers"),
        (lambda: COUNTED.summary(2014, degree_days=["1"]), "degree_days: <U1 of shape (1,); expected numbers"),
        (lambda: COUNTED.summary(2014, degree_days=[True]), "degree_days: bool of shape (1,); expected numbers"),
        (
            lambda: COUNTED.summary(2014, degree_days=[np.nan] * 365),
            "degree_days of 2014-01-01: NaN; expected 0 degC d",
        ),
    ],
)
def test_problems_name_their_place(make, expected):
    assert expected in problem(make)


def test_every_text_is_read_before_it_fails():
    lines = problem(lambda: mat.Programme("x", [("sometimes", [LIGHT]), ("often", [LIGHT])], ["July"])).split("\n")
    assert [line.split(":")[0] for line in lines] == ["steps[0].when", "steps[1].when", "no_work[0].days"]


def test_import_is_light():
    """What takes long is imported when it is used; the seconds themselves are the benchmarks'."""
    heavy = {"numpy", "pandas", "polars", "xarray", "matplotlib", "matledger.cells", "csv", "difflib"}
    code = f"import sys, matledger.practice; assert not {heavy} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)
