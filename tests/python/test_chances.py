"""A chance is said no finer than the draws behind it allow, and few draws are told."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from few_greens import demo_greens
from test_decision import PRICES

import matledger as mat
from matledger import plots, reporting
from matledger.chances import ENOUGH, chance, chance_if_all, few_draws, of_courses


@pytest.mark.parametrize("draws", [1, 20, 60, 256, 1000])
def test_the_limit_is_the_exact_one_of_a_binomial_share(draws):
    stats = pytest.importorskip("scipy.stats")
    exact = stats.binomtest(draws, draws, alternative="greater").proportion_ci(0.95, method="exact").low
    assert chance_if_all(draws) == pytest.approx(exact, rel=1e-9)


@pytest.mark.parametrize(
    ("held", "draws", "said"),
    [
        (60, 60, "at least 95 % (60 draws)"),
        (59, 60, "95 % (60 draws)"),
        (49, 60, "80 % (60 draws)"),
        (1, 60, "5 % (60 draws)"),
        (0, 60, "at most 5 % (60 draws)"),
        (20, 20, "at least 86 % (20 draws)"),
        (9, 10, "90 % (10 draws)"),
        (120, 120, "at least 97 % (120 draws)"),
        (119, 120, "99 % (120 draws)"),
        (255, 256, "99 %"),
        (400, 400, "over 99 %"),
        (399, 400, "99 %"),
        (317, 400, "79 %"),
        (1, 400, "1 %"),
        (0, 400, "under 1 %"),
    ],
)
def test_what_is_said(held, draws, said):
    assert chance(held / draws, draws) == said


def test_a_thousand_shares_are_never_certain_nor_finer_than_their_draws():
    rng = np.random.default_rng(5)
    for draws in rng.integers(1, 100, 300):
        for held in range(draws + 1):
            said = chance(held / draws, int(draws))
            number = int(said.split(" %")[0].split()[-1])
            assert 0 < number < 100
            assert "least" in said or "most" in said or abs(number - 100 * held / draws) <= 10
            assert f"({draws} draw" in said


def test_enough_draws_hold_a_chance_within_a_twentieth():
    assert 2 * math.sqrt(0.8 * 0.2 / ENOUGH) == pytest.approx(0.05)
    assert few_draws(ENOUGH) == ""
    assert f"{ENOUGH} draws would bring that to 0.05" in few_draws(ENOUGH - 1)


@pytest.fixture(scope="module")
def easy():
    """A comparison of few draws in all of which each programme holds."""
    course = demo_greens(1)
    target = mat.Target(top_mm=0, bottom_mm=20, om_percent=20, probability=0.8)
    course = replace(course, target=target, programmes=course.programmes[:2])
    return mat.compare(mat.calibrate(course, draws=60), years=1, draws=60, weather_sequences=4)


def test_the_page_and_the_verdict_of_few_draws_say_so(easy):
    assert (easy.probability_all[:, -1] == 1).all()
    assert " with a probability of at least 0.95 (60 draws) and the least" in easy.verdict()
    glance = reporting.side_by_side(easy, 0)
    assert glance.columns["measure"][1] == "chance that every green holds"
    assert {column[1] for column in list(glance.columns.values())[1:]} == {"at least 0.95 (60 draws)"}
    axes = plots.costs(mat.compare(easy.calibration, years=1, draws=60, weather_sequences=4, prices=PRICES))
    said = [text.get_text() for text in axes.get_legend().get_texts()]
    assert said == [f"{name} (holds the target: at least 0.95)" for name in easy.names]
    words = reporting._chance(easy)
    assert words.startswith(
        "In words: of 20 courses like this one, at most 1 would still have a green above the limit."
    )
    assert words.endswith(f" {few_draws(60).capitalize()}.")
    assert few_draws(60) in easy.notes


def test_many_draws_are_not_told(easy):
    many = replace(easy, om_percent=np.repeat(easy.om_percent, 20, axis=-1))
    assert few_draws(60) not in many.notes
    assert "with a probability of over 0.99 and" in many.verdict()
    assert reporting._chance(many) == "In words: nearly certain."


@pytest.mark.parametrize("draws", [20, 60, 100, 400])
def test_courses_in_words_tell_the_chance_beside_them(draws):
    """Of 10 courses 1 is nine in ten, and neither 0.87 nor 0.95."""
    for held in range(draws + 1):
        failing, of = (int(number) for number in re.findall(r"\d+", of_courses(held / draws, draws))[::-1])
        said = int(re.search(r"\d+", chance(held / draws, draws))[0])
        assert 100 * failing == of * (100 - said)
    assert [of_courses(share, 400)[-1] for share in (0.87, 0.92, 0.95)] == ["3", "8", "1"]


def test_nothing_is_recommended_on_fewer_than_twenty_draws(easy, tmp_path):
    assert easy.recommended is not None
    few = replace(easy, om_percent=easy.om_percent[..., :19])
    assert few.recommended is None
    assert few.verdict() == "No programme is recommended on 19 draws: at least 20 are needed."
    with pytest.raises(mat.InputError, match="19 draws; expected at least 20"):
        mat.report(few, tmp_path / "plan.html")
    assert not (tmp_path / "plan.html").exists()
