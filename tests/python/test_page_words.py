"""What the committee's page says, where a newcomer was led astray by it."""

import datetime as dt
import re
import warnings
from dataclasses import replace

import numpy as np
import pytest
from few_greens import demo_greens
from test_decision import PLAY, PRICES

import matledger as mat
from matledger import cli, plots, reporting
from matledger.calibration import Calibration
from matledger.demo import demo_folder
from matledger.frames import Table

UNCHANGING = replace(PRICES, renovation=None, too_much_om_percent=None, inflation=0, discount_rate=0)
LAST = dt.date(2015, 6, 30)


def until(course, last):
    """A course whose record ends on a day."""
    weather = course.weather
    days = (last - weather.start).days + 1
    kept = mat.Weather(*(values[:days] for values in (weather.dates, weather.tmin_c, weather.tmax_c)))
    return replace(
        course,
        weather=kept,
        clippings=[record for record in course.clippings if record.last_day <= last],
        soil_tests=[test for test in course.soil_tests if test.date <= last],
        work=[record for record in course.work if record.date <= last],
        cover=[],
    )


@pytest.fixture(scope="module")
def midyear():
    """Programmes of a course whose record ends in June: one cores, one does nothing at all."""
    course = until(demo_greens(2), LAST)
    programmes = [course.programmes[0], mat.Programme("nothing", [])]
    calibration = mat.calibrate(course, draws=40, seed=1)
    return mat.compare(calibration, programmes, years=2, draws=40, weather_sequences=2, prices=UNCHANGING, play=PLAY)


def said_on(comparison, path, **options):
    text = mat.report(comparison, path, **options).read_text(encoding="utf-8")
    text = re.sub(r"<style.*?</style>|</?span[^>]*>|data:image[^\"]*", "", text, flags=re.DOTALL)
    return " ".join(re.sub("<[^>]+>", " ", text).split())


@pytest.fixture(scope="module")
def page(midyear, tmp_path_factory):
    return said_on(midyear, tmp_path_factory.mktemp("page") / "plan.html")


def test_the_account_says_which_days_it_covers(midyear, page):
    assert midyear.ledger_years == (2015, 2016, 2017)
    assert midyear.ledger_days() == "1 January 2015 to 30 June 2017"
    spans = [said.split(", ")[1].split(":")[0] for said in midyear.ledger_in_words()[:3]]
    assert spans == ["2015 (up to 30 June as recorded)", "2016", "1 January to 30 June 2017"]
    assert "2015 holds the work on record up to 30 June, the same under every programme" in page
    assert "2017 ends with the forecast on 30 June" in page
    assert "than a year before" not in page
    # what is said is so: before the forecast begins both programmes have one and the same account
    *_, parts = midyear.ledger().notes
    assert parts == "2017 ends with the forecast on 30 June"


def test_an_account_of_whole_years_needs_no_such_words(midyear):
    told = mat.compare(mat.calibrate(demo_greens(1), draws=20), years=1, draws=20, weather_sequences=1)
    assert told.ledger_days() == "2016 to 2016"
    assert told.ledger().notes == (midyear.ledger().notes[0],)


def test_the_account_says_of_what_depth_it_is(midyear, page):
    said = "he account is of the whole column, 150 mm deep when the record began: in 0 to 20 mm the percentage may rise"
    assert said in page
    assert said in repr(midyear.ledger())
    assert "5.91 in deep when the record began: in 0 to 0.79 in" in repr(midyear.ledger("us"))
    assert all("At the end the column holds" in told for told in midyear.ledger_in_words())
    assert "of the whole column" in plots.ledger(midyear).get_ylabel()


def test_an_account_says_no_amount_that_is_none(midyear):
    tiny = midyear.ledgers.copy()
    tiny[..., 1, 6] = tiny[..., 1, 0] + 1e-11
    tiny[..., 0, 3:6] = 1e-12
    for units in ("metric", "us"):
        for told in replace(midyear, ledgers=tiny).ledger_in_words(units):
            assert "0.000" not in told
            assert "none left with the cores" in told
            assert told.endswith("and no more and no less sand.")
            assert "below the column" not in told


def test_the_question_is_of_one_day(page):
    assert "at or below 4 % on every green on 2017-07-01, with a probability of at least 0.8" in page
    assert "until 2017-07-01" not in page


def test_the_surface_rises_from_the_first_day_of_the_forecast(midyear, page):
    name, idle = f"surface raised since {midyear.dates[0]}, mm", midyear.names.index("nothing")
    moved = replace(midyear, surface_mm=midyear.surface_mm + 7)  # as work of the record would move it
    np.testing.assert_allclose(moved.summary().columns[name], midyear.summary().columns[name])
    assert f"surface raised since {midyear.dates[0]}, mm" in page
    assert f"surface since {midyear.dates[0]}" in page
    sanded = replace(midyear, surface_mm=midyear.surface_mm + 25 * np.arange(3)[:, None])
    row = dict(zip(*list(reporting.side_by_side(sanded, idle, "us").columns.values())[:2], strict=True))
    assert re.fullmatch(r"[12]\.\d in higher", row[f"surface since {midyear.dates[0]}"])


def test_a_renovation_is_spoken_of_only_if_it_was_priced(midyear, page):
    assert "doing too little was said to cost" not in page
    assert "renovation" not in page
    assert "exceeds 4.5 %, above which doing too little was said to cost 60,000 EUR" in reporting._differing(
        replace(midyear, prices=PRICES)
    )


def test_rates_of_nought_are_not_told(midyear, page):
    assert "0.0%" not in page
    assert "amounts in EUR" in page
    columns = midyear.budget.table().columns
    assert not [name for name in columns if "present value" in name]
    assert columns["total, 95 %"][0] >= columns["total, 5 %"][0] > 0
    assert "prices rise by 2.0% and later money counts 4.0% less a year" in " ".join(PRICES.notes(PLAY))


def test_the_page_names_no_unknown_by_its_code(midyear, page):
    codes = [name for name in midyear.calibration.names if "[" not in name]
    assert [name for name in codes if name in page] == []
    assert any("litter_ratio" in note for note in midyear.notes)
    assert "litter that stays, per gram of clippings removed" in page
    assert "directions of the" not in page
    assert "from memory)" not in page
    assert page.count("cited from memory") == 1


def test_weeks_are_ranked_for_the_surest_that_cores_if_the_choice_does_not(midyear):
    idle = midyear.names.index("nothing")
    first, *others = reporting._openings(midyear, idle, "metric")
    assert first[1].endswith(f"What follows is of {midyear.names[1 - idle]}, the surest of those that do.")
    assert len(others) == len(reporting._openings(midyear, 1 - idle, "metric"))
    alone = replace(midyear, calendars_by_weather=(midyear.calendars_by_weather[idle],) * 2)
    ((_, said),) = reporting._openings(alone, idle, "metric")
    assert said.endswith("Nor does any other programme, so no week is ranked.")


def test_weeks_without_work_and_weeks_that_heal_into_such_days_are_told_apart():
    course = mat.demo_course()
    work = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=70)
    turf = mat.healing(course, draws=100)
    found = mat.rank_dates(course, work, recovery=turf, play=PLAY, year=2017, no_work=["2 July to 8 July"])
    why = dict(zip(*found.excluded.columns.values(), strict=True))
    assert why[dt.date(2017, 7, 2)].startswith("no work on 02 July")
    assert "not healed before the day without work on 02 July" in why[dt.date(2017, 6, 18)]
    assert "no work on" not in why[dt.date(2017, 6, 18)]
    # the week after is open
    assert not re.search("close", why.get(dt.date(2017, 7, 9), ""))


def test_a_week_with_two_reasons_is_said_to_have_them(midyear, monkeypatch):
    coring, rank = 1 - midyear.names.index("nothing"), mat.rank_dates

    def said_of(**limits):
        monkeypatch.setattr("matledger.dates.rank_dates", lambda *args, **kept: rank(*args, **kept, **limits))
        (_, said) = reporting._openings(midyear, coring, "metric")[3]
        (counted,) = [each for each in said if "are ruled out" in each]
        weeks, *counts = (int(number) for number in re.findall(r"(?<=\()\d+(?=\))|^\d+", counted))
        return counted, sum(counts) - weeks

    counted, twice = said_of(frost_c=6.0)
    assert twice == 0
    assert counted.endswith(").")
    counted, twice = said_of(frost_c=6.0, other_work=[dt.date(2016, 1, 8)])
    assert twice > 0
    assert counted.endswith(" A week may have more than one reason.")


def test_days_in_a_table_do_not_break():
    table = Table("days", {"week from": [dt.date(2026, 10, 15)], "rank": [1], "work": ["coring"]}, {"rank": "d"})
    assert reporting._classes(table) == ["t d", "n", "t"]


def test_figures_worth_a_look_stand_on_the_first_page(tmp_path, capsys):
    folder = tmp_path / "course"
    assert cli.main(["new", str(folder)]) == cli.OK
    path = folder / "soil_tests.csv"
    rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    at = rows[0].index("om_percent")
    shares = [rows[0], *([*row[:at], f"{float(row[at]) / 100:.4f}", *row[at + 1 :]] for row in rows[1:])]
    path.write_text("\n".join(map(",".join, shares)), encoding="utf-8")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        course = mat.load_course(folder)
    assert len(course.doubts) == len(rows) - 1
    told = mat.compare(mat.calibrate(course, draws=20), years=1, draws=20, weather_sequences=1)
    page = said_on(told, tmp_path / "plan.html")
    first = page[: page.index("Contents")]
    assert f"{len(rows) - 1} figures of the records are far from what is usual and may be in a wrong unit" in first
    assert f"worth a look: {caught[0].message}" in page
    assert mat.load_course(demo_folder()).doubts == ()


def test_a_test_that_nothing_explains_is_told_on_the_first_page(midyear, page, monkeypatch, tmp_path):
    assert "do not agree with the others" not in page
    monkeypatch.setattr(Calibration, "_far_off", lambda _, coded: ["the test of Fen lies far off"] * 2)
    said = said_on(midyear, tmp_path / "plan.html")
    assert "2 records do not agree with the others" in said[: said.index("Contents")]


def test_too_few_draws_are_refused_before_the_work(tmp_path, capsys):
    folder = str(tmp_path / "course")
    cli.main(["new", folder])
    for command in ("compare", "report"):
        assert cli.main([command, folder, "--draws", "19", "--quiet"]) == cli.BAD_INPUT
        assert "--draws: 19; expected at least 20" in capsys.readouterr().err


def test_a_day_in_a_sentence_does_not_break(midyear, tmp_path):
    text = mat.report(midyear, tmp_path / "plan.html").read_text(encoding="utf-8")
    assert f'on every green on <span class="d">{midyear.dates[-1]}</span>' in text
    assert ".d { white-space: nowrap; }" in text
