"""A day is read by one rule, whatever takes it."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

import matledger as mat

CORES = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=70)
GREENS = [mat.Green("1", area_m2=500)]
YEAR = dict(clippings_g_m2=np.full(365, 0.5), decay_modifier=np.ones(365))


@pytest.fixture(scope="module")
def turf():
    return mat.healing(mat.demo_course(), draws=20)


TAKERS = {
    "Recovery.days": lambda turf, day: turf.days(CORES, day).tolist(),
    "Recovery.expected_days": lambda turf, day: turf.expected_days(CORES, day),
    "Recovery.curve": lambda turf, day: turf.curve(CORES, day),
    "back_in_play": lambda turf, day: mat.back_in_play(turf, CORES, day),
    "CoverReading": lambda _, day: mat.CoverReading(work=CORES, done=day, date="2014-06-01", cover_percent=80),
    "CoverRecord": lambda _, day: mat.CoverRecord(green="1", date=day, cover_percent=80),
    "WorkRecord": lambda _, day: mat.WorkRecord(green="1", date=day, work=CORES),
    "Play.rounds_on": lambda _, day: mat.Play(rounds_a_week=range(12)).rounds_on(day),
    "Programme.calendar": lambda _, day: mat.Programme("p", [("15 May", [CORES])]).calendar(day, "2014-12-31"),
    "Weather.slice": lambda _, day: mat.demo_course().weather.slice(day, "2014-12-31"),
    "site_yield": lambda _, day: mat.site_yield(day, np.ones(365)),
    "estimate_infiltration": lambda _, day: mat.estimate_infiltration(CORES, day, om_percent=4).done,
    "plan_day": lambda _, day: mat.plan_day(GREENS, [("2014-05-15", CORES)], day, crew=mat.Crew(people=4)).date,
    "plan_day, work": lambda _, day: mat.plan_day(GREENS, [(day, CORES)], "2014-05-15", crew=mat.Crew(people=4)).date,
    "simulate": lambda _, day: mat.simulate(start=day, read_on=["2014-12-31"], **YEAR),
    "simulate, work": lambda _, day: mat.simulate(start="2014-01-01", work=[(day, mat.Topdressing(sand_mm=1))], **YEAR),
}


@pytest.mark.parametrize("take", TAKERS.values(), ids=TAKERS)
def test_a_day_is_read_by_one_rule(take, turf):
    told = repr(take(turf, dt.date(2014, 5, 15)))
    for same in ("2014-05-15", np.datetime64("2014-05-15"), pd.Timestamp("2014-05-15"), dt.datetime(2014, 5, 15)):
        assert repr(take(turf, same)) == told, repr(same)
    for wrong in (
        dt.datetime(2014, 5, 15, 7),
        pd.Timestamp("2014-05-15", tz="Europe/Dublin"),
        pd.NaT,
        np.datetime64("NaT"),
        None,
        5,
        "15 May 2014",
        "20140515",
        dt.date(1014, 5, 15),
    ):
        with pytest.raises(mat.InputError, match=r"expected a (day|date)"):
            take(turf, wrong)


def test_the_days_of_a_file_are_read_by_the_same_rule():
    weather = pd.DataFrame({"date": ["2014-05-14", "2014-05-15"], "tmin_c": [5, 6], "tmax_c": [15, 16]})
    assert mat.read_weather(weather, first_day="2014-05-15").start == dt.date(2014, 5, 15)
    with pytest.raises(mat.InputError, match="last_day: 5; expected a day such as"):
        mat.read_weather(weather, last_day=5)


@pytest.mark.parametrize(
    ("work", "expected"),
    [
        (CORES, "a programme, or a list of pairs"),
        ("coring", "a programme, or a list of pairs"),
        ([CORES], "a date and a piece of work, or a programme"),
        ([("2014-05-15", "coring")], "work such as Coring"),
        ({"1": CORES}, "a programme, or a list of pairs"),
    ],
)
def test_dated_work_is_refused_by_one_rule(work, expected):
    for use in (
        lambda: mat.plan_day(GREENS, work, "2014-05-15", crew=mat.Crew(people=4)),
        lambda: mat.order_sand(GREENS, work, buying=mat.Buying(load_t=20)),
        lambda: mat.simulate(start="2014-01-01", work=work, **YEAR),
    ):
        with pytest.raises(mat.InputError, match=rf"^work.*expected {expected}|a date and a piece of work"):
            use()


def test_events_and_records_are_dated_work():
    done = [mat.WorkRecord(green="1", date="2014-05-15", work=mat.Topdressing(sand_mm=3))]
    calendar = mat.Programme("p", [("15 May", [mat.Topdressing(sand_mm=3)])]).calendar("2014-01-01", "2014-12-31")
    one, other = (mat.order_sand(GREENS, work, buying=mat.Buying(load_t=20)) for work in (done, calendar))
    assert one == other
    assert one.sand_dry_t == pytest.approx(2.4)
