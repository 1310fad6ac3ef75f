"""How often a stated chance is right: the page and the caution say what the committed contests show."""

import re
from dataclasses import replace

import numpy as np
import pytest
from page_maker import DOCS, page_maker

import matledger as mat
from matledger.comparison import CAUTION

COURSE = 178
"""One whose contests are close."""


@pytest.fixture(scope="module")
def contests():
    return page_maker("make_contests")


def test_page_and_caution_say_what_was_measured(contests):
    table = contests.table(DOCS / "contests-laplace.csv")
    assert table in (DOCS / "validation.md").read_text(encoding="utf-8")
    right = {row.split(" | ")[0].strip("| "): row.split(" | ")[4] for row in table.splitlines()[2:]}
    assert re.findall(r"(0\.\d+ to\s+0\.\d+) was right (0\.\d+)", CAUTION) == [
        (kind, right[kind]) for kind in ("0.85 to 0.95", "0.95 to 0.99")
    ]


def test_a_course_of_the_table_comes_out_again(contests):
    rows = contests.contests(COURSE, "laplace")
    with (DOCS / "contests-laplace.csv").open(encoding="utf-8") as file:
        kept = [row for row in contests.csv.DictReader(file) if row["course"] == str(COURSE)]
    assert [(row["first"], row["second"]) for row in rows] == [(int(k["first"]), int(k["second"])) for k in kept]
    for name in ("stated", "right"):
        found, before = ([float(row[name]) for row in some] for some in (rows, kept))
        assert found == pytest.approx(before, abs=0.02), name  # a draw or two may fall elsewhere on another processor


@pytest.fixture(scope="module")
def told():
    calibration = mat.calibrate(mat.demo_course(), draws=100, seed=1)
    first, *others = calibration.course.programmes
    again = mat.Programme("the first once more", first.steps)
    return mat.compare(calibration, [first, *others, again], years=2, draws=100, weather_sequences=4)


def test_the_lower_programme_comes_first(told):
    table = told.contrasts()
    rows = list(zip(*table.columns.values(), strict=True))
    assert len(rows) == 6
    om = dict(zip(told.names, told.course_mean(told.om_percent)[:, -1, told.first_sample], strict=True))
    for lower, other, difference, low, high, chance in rows:
        assert difference == pytest.approx(np.median(om[lower] - om[other]))
        assert low <= difference <= min(high, 0)
        same = {lower, other} == {told.names[0], told.names[-1]}
        assert (chance == 0.5) if same else (0.5 <= chance <= 1)
    shown = [cells[2] for cells, row in zip(table.cells(), rows, strict=True) if row[2] != 0]
    assert all(re.search("[1-9]", cell) for cell in shown), shown


def test_a_difference_that_two_decimals_hide_is_shown(told):
    near = 0.9995 * told.om_percent[:1]
    close = replace(told, programmes=told.programmes[:2], om_percent=np.concatenate([told.om_percent[:1], near]))
    ((lower, *_, shown, _, _, chance),) = close.contrasts().cells()
    assert (lower, chance) == (told.names[1], "1.00")
    assert float(shown) < 0


@pytest.mark.parametrize(
    ("chances", "sand", "lower", "close"),
    [
        ((0.9, 0.5), (2, 1), 0.9, True),  # chosen over one of less sand that misses the target
        ((0.9, 0.5), (2, 1), 1.0, False),  # and surely the lower
        ((0.9, 0.5), (1, 2), 0.9, False),  # the other takes more sand and misses too: no contest
        ((0.9, 0.85), (1, 2), 0.6, False),  # both reach it: sand decides
        ((0.7, 0.5), (1, 2), 0.9, True),  # the nearest, where none reaches it
    ],
)
def test_a_close_contest_that_decides_is_told(told, chances, sand, lower, close):
    """Two programmes; the first is lower in a share of the draws, and reaches the target with a chance of its own."""
    om = np.repeat(told.om_percent[:1], 2, axis=0)
    om[0] *= np.where(np.arange(100) < 100 * lower, 0.9, 1.1)
    work = told.work[:2].copy()
    work[:, :, 4] = np.array(sand)[:, None]
    two = replace(
        told,
        programmes=told.programmes[:2],
        om_percent=om,
        work=work,
        budget=None,
        probability_all=np.repeat(np.array(chances)[:, None], len(told.dates), axis=1),
    )
    assert two.advised == 0
    assert bool(two.close_contest) == close
    if close:
        assert f"than {two.names[1]} (in {lower:.2f} of the draws)" in two.close_contest
        assert CAUTION in two.close_contest
