"""Ranks of the truth among draws: the page says what was measured, and the measure finds what is wrong."""

import multiprocessing
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from page_maker import DOCS, page_maker

import matledger as mat


@pytest.fixture(scope="module")
def maker():
    return page_maker("make_ranks")


def test_page_says_what_was_measured(maker):
    page = (DOCS / "validation.md").read_text(encoding="utf-8")
    assert maker.table(maker.files()) in page
    assert maker.held(maker.files()) in page
    assert maker.settled(maker.files()["nuts"]) in page


@pytest.mark.parametrize("method", ["laplace", "nested"])
def test_a_course_of_the_table_comes_out_again(maker, method):
    kept = next(row for row in maker.read(maker.files()[method]) if row["course"] == "7")
    found = maker.ranks(7, method)
    apart = [abs(int(kept[name]) - int(found[name])) for name in kept if name not in ("course", "rhat", "effective")]
    assert max(apart) <= 2  # draws may fall on the other side of the truth on another processor


def test_a_stopped_run_goes_on_to_the_same_file(maker, tmp_path):
    whole, parts = tmp_path / "whole.csv", tmp_path / "parts.csv"
    with ThreadPoolExecutor(2) as pool:
        maker.measure("laplace", 3, whole, pool)
        maker.measure("laplace", 1, parts, pool)
        maker.measure("laplace", 3, parts, pool)
    assert parts.read_bytes() == whole.read_bytes()


def test_the_ranks_do_not_depend_on_who_finds_them(maker, tmp_path):
    spawned = multiprocessing.get_context("spawn")
    alone, threads, processes = (tmp_path / f"{name}.csv" for name in ("alone", "threads", "processes"))
    maker.measure("laplace", 3, alone, None)
    with ThreadPoolExecutor(2) as pool:
        maker.measure("laplace", 3, threads, pool)
    with ProcessPoolExecutor(2, spawned) as pool:
        maker.measure("laplace", 3, processes, pool)
    assert alone.read_bytes() == threads.read_bytes() == processes.read_bytes()


def test_even_ranks_leave_the_band_as_often_as_said_and_uneven_ones_always(maker):
    rng, count = np.random.default_rng(1), 200
    limit = maker.even(count)[maker.SIMULATED // 20]
    outside = maker.unlikeliest(rng.integers(0, maker.DRAWS + 1, (2000, count))) < limit
    assert 0.035 < outside.mean() < 0.065
    truth = rng.standard_normal((100, count))
    for bias, width in ((0.35, 1.0), (0.0, 0.75), (0.0, 1.5)):
        draws = bias + width * rng.standard_normal((maker.DRAWS, 100, count))
        assert (maker.unlikeliest((draws < truth).sum(axis=0)) < limit).mean() > 0.9, (bias, width)


def test_a_fill_fraction_that_no_test_has_seen_keeps_its_prior(maker):
    course = maker.course()
    bare = replace(course, work=[record for record in course.work if record.work.hole_volume_mm == 0])
    fit = mat.calibrate(bare, method="nested", draws=2000, seed=1)
    fill = fit.coordinates[:, fit.names.index("fill_fraction")]
    # The mode's mean and spread to 4 standard errors of 2000 draws; beyond 4 standard deviations nothing is drawn.
    assert abs(fill.mean()) < 4 / np.sqrt(2000)
    assert abs(fill.std() - 1) < 4 / np.sqrt(4000)


def test_nested_draws_depend_on_the_seed_alone_and_show_what_they_are(maker):
    fits = [mat.calibrate(maker.course(), method="nested", draws=20, seed=seed) for seed in (1, 1, 2)]
    assert fits[0] == fits[1] != fits[2]
    assert "nested Laplace" in repr(fits[0])
    with pytest.raises(mat.InputError, match="laplace, nested or nuts"):
        mat.calibrate(maker.course(), method="cubic")
