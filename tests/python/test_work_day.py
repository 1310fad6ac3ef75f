import contextlib
import csv
import datetime as dt
import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import matledger as mat
from matledger import plots
from matledger.cautions import CAUTIONS
from matledger.errors import InputError
from matledger.work_day import PACES, Pace

CHECKS = Path(__file__).parents[1] / "checks"
DAY = dt.date(2014, 4, 14)
CORES = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
WORK = [(DAY, CORES), (DAY, mat.Topdressing(sand_mm=2.7, passes=3))]
GREENS = [mat.Green(str(n), area_m2=400 + 15 * n) for n in range(1, 19)]


@pytest.fixture(scope="module")
def course():
    return mat.demo_course()


def test_steps_follow_each_other_and_people_suffice():
    day = mat.plan_day(GREENS, WORK, DAY, crew=mat.Crew(people=7))
    passes = [f"{step} {n}" for n in (1, 2, 3) for step in ("spread", "drag")]
    assert day.steps == ("mow", "core", "check depth", "rake", "lift cores", *passes, "water in", "roll")
    for green in GREENS:
        mine = [slot for slot in day.slots if slot.green == green.name]
        assert [slot.step for slot in mine] == list(day.steps)
        assert all(one.to_time <= other.from_time for one, other in itertools.pairwise(mine))
    for slot in day.slots:
        now = [s for s in day.slots if s.from_time <= slot.from_time < s.to_time]
        assert sum(s.people for s in now) <= 7
        assert sum(s.step.split()[0] == "spread" for s in now) <= 1
    bigger = mat.plan_day(GREENS, WORK, DAY, crew=mat.Crew(people=12, paces={"core": Pace(m2_per_h=900, teams=2)}))
    assert bigger.finish < day.finish
    assert bigger.person_hours == pytest.approx(day.person_hours, rel=1e-6)


def test_amounts_of_a_green_by_hand():
    day = mat.plan_day(GREENS[:1], WORK, DAY, crew=mat.Crew(people=5), widths_m={"1": "60 ft"})
    green = day.greens[0]
    holes_m2 = 1e6 / 2500
    volume_l = holes_m2 * math.pi * 12.7**2 / 4 * 75 / 1e6 * 415
    assert green.holes == round(holes_m2 * 415)
    assert green.cores_m3 == pytest.approx(volume_l * 1.3 / 1000)
    assert green.core_trips == math.ceil(max(volume_l * 1.7 / 500, volume_l * 1.3 / 400))
    assert green.sand_dry_kg == pytest.approx(2.7 * 1.6 * 415)
    assert green.in_holes_kg == pytest.approx(0.6 * volume_l * 1.6)
    assert green.pass_g_m2 == pytest.approx(1440)
    # Common practice, no source: about 4.6 m a swath, and four of them.
    assert green.swaths == 4
    assert day.hours_by_step["core"] == pytest.approx(415 / PACES["core"].m2_per_h + 0.05)


def test_page_and_csv(tmp_path):
    day = mat.plan_day(GREENS, WORK, DAY, crew=mat.Crew(people=9))
    page = day.to_html(tmp_path / "day.html").read_text()
    for caution in CAUTIONS:
        assert caution.hazard in page
    assert "Local codes, product labels and licensed practice come first" in page
    assert "ft3" not in page
    assert "lb/1000 ft2" in day.to_html(tmp_path / "us.html", units="us").read_text()
    with (day.to_csv(tmp_path / "day.csv")).open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(day.slots)
    with pytest.raises(InputError, match=r"ending in \.html"):
        day.to_html(tmp_path / "day.pdf")


def test_bad_days_are_refused():
    with pytest.raises(InputError, match="a day with work"):
        mat.plan_day(GREENS, WORK, "2014-04-15", crew=mat.Crew(people=5))
    with pytest.raises(InputError, match=r"rake.people: 2; expected no more than the crew \(1\)"):
        mat.plan_day(GREENS, WORK, DAY, crew=mat.Crew(people=1))
    with pytest.raises(InputError, match="nearest: rake"):
        mat.Crew(people=5, paces={"raek": Pace(m2_per_h=1)})
    with pytest.raises(InputError, match="above 0 m2/h"):
        Pace(m2_per_h=math.nan)


def test_cautions_cover_the_published_ones():
    with (CHECKS / "safety.csv").open() as file:
        standards = [row["standard"] for row in csv.DictReader(file)]
    told = " ".join(f"{caution.standard} {caution.advice}" for caution in CAUTIONS)
    for needed in ("1926.1153", "1910.1053", "1910.95", "1928.57", "1926.651"):
        assert needed in told
        assert any(needed in standard for standard in standards)
    assert "50 ug/m3" in told
    assert "action level 25 ug/m3" in told


def test_catch_pans_against_student():
    from scipy import stats

    masses = [44.0, 47.0, 45.0, 48.0]
    rate = mat.check_spreader(masses, pan_m2=0.1, intended_g_m2=400, sand_moisture_share=0.05)
    rates = np.array(masses) / 1.05 / 0.1
    low, high = stats.t.interval(0.9, 3, rates.mean(), stats.sem(rates))
    assert (rate.mean_g_m2, rate.low_g_m2, rate.high_g_m2) == pytest.approx((rates.mean(), low, high))
    assert "10% too much" in rate.in_words()
    assert "do not tell them apart" in mat.check_spreader([39, 44], pan_m2=0.1, intended_g_m2=400).in_words()
    assert "one pan cannot say" in mat.check_spreader([44], pan_m2=0.1, intended_g_m2=400).in_words()
    with pytest.raises(InputError, match=r"masses_g\[1\]"):
        mat.check_spreader([44, -1], pan_m2=0.1, intended_g_m2=400)


def probed(depths, green="Fen", date=dt.date(2012, 4, 9), tine=90):
    return [mat.ProbeReading(green=green, date=date, depth_mm=d, tine_length_mm=tine) for d in depths]


def test_probes_are_judged():
    (reached,) = mat.depth_verdicts(probed([74, 72, 76, 75] * 4), 75)
    (short,) = mat.depth_verdicts(probed([60, 58, 63, 74] * 4), 75)
    (unclear,) = mat.depth_verdicts(probed([74, 60]), 75)
    assert [v.verdict for v in (reached, short, unclear)] == ["reached", "short", "not clear"]
    assert short.short_share == 0.75
    assert "too shallow" in short.in_words()
    with pytest.raises(InputError, match=r"depth_mm: 95, deeper than the tine; expected no more than the tine is long"):
        probed([95])
    axes = plots.hole_depths(probed([74, 72]), [unclear])
    axes.figure.clear()


def test_readers_name_row_and_column(tmp_path):
    path = tmp_path / "probe.csv"
    path.write_text("green,date,depth_mm\nFen,2012-04-09,61\nFen,2012-04-09,95\n")
    with pytest.raises(InputError, match=r"probe.csv, row 3, column depth_mm: 95, deeper than the tine"):
        mat.read_probe_readings(path, tine_length_mm=90)
    with pytest.raises(InputError, match="no column tine_length_mm"):
        mat.read_probe_readings(path)
    path.write_text("green,date,hole_depth_mm,empty_mm\nFen,2012-04-09,70,80\n")
    with pytest.raises(InputError, match=r"row 2, column empty_mm: 80; expected no more than the hole is deep"):
        mat.read_fill_readings(path)
    path.write_text("green,date,holes_counted,holes_visible\nFen,2012-04-29,50,60\n")
    with pytest.raises(InputError, match=r"column holes_visible: 60"):
        mat.read_cover(path)
    path.write_text("green,date,rate_mm_h\nFen,2012-04-29,0\n")
    with pytest.raises(InputError, match="rate_mm_h"):
        mat.read_ring_readings(path)


def test_depths_flow_into_past_work(course):
    new = mat.with_probe_readings(course, probed([50, 54, 58]))
    (cored,) = [w.work for w in new.work_of("Fen") if w.date == dt.date(2012, 4, 9) and w.work.kind == "coring"]
    assert (cored.depth_mm, cored.depth_sd_mm) == (54, 4)
    assert new.work_of("Knoll") == course.work_of("Knoll")
    with pytest.raises(InputError, match="coring or solid tining of that green and day"):
        mat.with_probe_readings(course, probed([50], date=dt.date(2012, 4, 10)))
    # Work on all greens is written out, and what was not probed stays as it was.
    one = mat.WorkRecord(green="all", date=dt.date(2012, 6, 1), work=CORES)
    whole = replace(course, work=[*course.work, one])
    after = mat.with_probe_readings(whole, probed([50], date=dt.date(2012, 6, 1)))
    depths = {
        g.name: [w.work.depth_mm for w in after.work_of(g.name) if w.date == dt.date(2012, 6, 1)] for g in course.greens
    }
    assert depths.pop("Fen") == [50]
    assert set(map(tuple, depths.values())) == {(75.0,)}


def filled(share, green="Fen"):
    return mat.FillReading(green=green, date=DAY, hole_depth_mm=100, empty_mm=100 * (1 - share))


def test_fill_readings_move_and_narrow_the_prior(course):
    median, sd = mat.fill_prior([filled(0.85, green) for green in "abcd"])
    assert 0.6 < median < 0.85
    assert sd < 0.35
    one, wide = mat.fill_prior([filled(0.85)])
    assert 0.6 < one < median
    assert sd < wide < 0.8
    with pytest.raises(InputError, match="at least one reading"):
        mat.fill_prior([])
    calibration = mat.calibrate(course, draws=10, priors={"fill_fraction": (median, sd)})
    assert calibration.priors["fill_fraction"] == (median, sd)


def test_cover_updates_recovery(course):
    date, green = next((w.date, w.green) for w in course.work if w.work.kind == "coring" and w.date.year == 2014)
    late = [
        mat.CoverRecord(green=green, date=date + dt.timedelta(days=d), cover_percent=c)
        for d, c in ((7, 70), (14, 84), (21, 91), (35, 95))
    ]
    readings = mat.cover_readings(course, late)
    work = readings[0].work
    prior, slow = mat.healing(course, seed=1), mat.healing(course, readings=readings, seed=1)
    before, after = mat.back_in_play(prior, work, date), mat.back_in_play(slow, work, date)
    assert after.likely > before.likely
    assert (before.readings, after.readings) == (0, 4)
    assert "without a reading" in before.in_words()
    axes = plots.cover(slow, work, date, readings)
    axes.figure.clear()
    counted = mat.CoverRecord(green=green, date=date + dt.timedelta(days=10), holes_counted=50, holes_visible=25)
    (reading,) = mat.cover_readings(course, [counted])
    assert reading.cover_percent == pytest.approx(100 * (1 - work.area_share / 2))
    with pytest.raises(InputError, match="work that opens the surface, on that green"):
        mat.cover_readings(course, [mat.CoverRecord(green=green, date=dt.date(2012, 1, 2), cover_percent=90)])


def test_infiltration_is_wide_without_rings_and_moves_with_them():
    wide = mat.estimate_infiltration(CORES, DAY, om_percent=4.5)
    gains = np.quantile(wide.gain_percent[0], [0.05, 0.5, 0.95])
    assert gains[0] < 40 < 168 < gains[2]
    assert (wide.gain_percent[56:] == 0).all()
    assert (np.diff(wide.rate_mm_h, axis=0) <= 1e-9).all()
    assert "no ring reading, a wide prior" in wide.in_words()
    assert "McCarty et al. 2007" in wide.in_words()
    rings = [mat.RingReading(green="1", date=DAY - dt.timedelta(days=n), rate_mm_h=40) for n in (1, 2, 3, 4)]
    told = mat.estimate_infiltration(CORES, DAY, om_percent=4.5, rings=rings)

    def spread(entry):
        return np.log(entry.before_mm_h).std()

    assert spread(told) < 0.5 * spread(wide)
    assert np.median(told.before_mm_h) < np.median(wide.before_mm_h)
    richer = mat.estimate_infiltration(CORES, DAY, om_percent=8)
    assert np.median(richer.before_mm_h) < np.median(wide.before_mm_h)
    far = [replace(ring, rate_mm_h=9e4) for ring in rings]
    assert "far from the priors" in mat.estimate_infiltration(CORES, DAY, om_percent=4.5, rings=far).in_words()
    with pytest.raises(InputError, match="work that opens the surface"):
        mat.estimate_infiltration(mat.Topdressing(sand_mm=1), DAY, om_percent=4)
    axes = plots.infiltration(wide)
    axes.figure.clear()


READERS = {
    "probe": (
        mat.read_probe_readings,
        "green,date,depth_mm,tine_length_mm\nFen,2012-04-09,61,90\nKnoll,2012-04-09,70,90\n",
    ),
    "fill": (mat.read_fill_readings, "green,date,hole_depth_mm,empty_mm\nFen,2012-04-09,70,8\nFen,2012-04-09,70,12\n"),
    "cover": (
        mat.read_cover,
        "green,date,cover_percent,holes_counted,holes_visible\nFen,2012-04-19,70,,\nFen,2012-04-25,,50,20\n",
    ),
    "rings": (mat.read_ring_readings, "green,date,rate_mm_h\nFen,2012-04-09,61\nFen,2012-04-10,77.5\n"),
    "sieves": (
        mat.read_sieve_analyses,
        "sand,sieve,retained_g\na,No. 18,2\na,0.5,40\na,No. 60,50\na,pan,8\nb,1,3\nb,0.25,90\nb,sample,100\n",
    ),
    "limits": (
        lambda path: mat.read_specification(path, name="own"),
        "class,lower_mm,upper_mm,least_percent,most_percent\nfines,0,0.15,,3\nrest,0.15,2,60,\n",
    ),
}


@pytest.mark.filterwarnings("ignore::matledger.errors.UnusualWarning")
@pytest.mark.parametrize("kind", READERS)
def test_damaged_files_are_read_or_refused(kind, tmp_path):
    read, text = READERS[kind]
    path = tmp_path / "table.csv"
    path.write_text(text)
    assert read(path)
    stream = np.random.default_rng(12)
    pieces = [
        b"",
        b",",
        b"-",
        b"nan",
        b"1e999",
        b'"',
        b"\n",
        b"\xff",
        b"pan",
        b"No. ",
        b"0",
        b"2012-13-01",
        b";",
        b"\x00",
    ]
    for _ in range(300):
        data = bytearray(text.encode())
        for _ in range(stream.integers(1, 4)):
            at, length = stream.integers(0, len(data)), stream.integers(0, 6)
            data[at : at + length] = pieces[stream.integers(len(pieces))]
        path.write_bytes(bytes(data))
        with contextlib.suppress(InputError):
            read(path)
