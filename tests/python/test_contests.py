"""How often a stated chance is right: the page and the caution say what the committed contests show."""

import re

import pytest
from page_maker import DOCS, page_maker

from matledger.comparison import CAUTION


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
    rows = contests.contests(7, "laplace")
    with (DOCS / "contests-laplace.csv").open(encoding="utf-8") as file:
        kept = [row for row in contests.csv.DictReader(file) if row["course"] == "7"]
    assert [(row["first"], row["second"]) for row in rows] == [(int(k["first"]), int(k["second"])) for k in kept]
    for name in ("stated", "right"):
        found, before = ([float(row[name]) for row in some] for some in (rows, kept))
        assert found == pytest.approx(before, abs=0.02), name  # a draw or two may fall elsewhere on another processor
