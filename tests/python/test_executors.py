"""Parts run by pools of threads and processes: the same answers, stopped by Ctrl-C, told as they go."""

import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from few_greens import demo_greens

import matledger as mat
from matledger import _core
from matledger.executors import run_each


@pytest.fixture(scope="module", params=["threads", "processes"])
def pool(request):
    spawned = multiprocessing.get_context("spawn")
    made = ThreadPoolExecutor(2) if request.param == "threads" else ProcessPoolExecutor(2, mp_context=spawned)
    with made as executor:
        yield executor


@pytest.fixture(scope="module")
def calibration():
    small = demo_greens(2)
    return mat.calibrate(replace(small, soil_tests=small.soil_tests[:20]), draws=100, seed=1)


def halves(number):
    if number == 3:
        raise ValueError("three")
    return number / 2, _core.keep_to_one_thread(True)


def test_parts_come_back_in_order_and_keep_to_one_thread(pool):
    told = []
    found = run_each(halves, [(8,), (4,), (2,)], executor=pool, progress=told.append)
    assert found == [(4.0, True), (2.0, True), (1.0, True)]
    assert told == [1, 2, 3]
    assert not _core.keep_to_one_thread(False)
    assert run_each(halves, [(8,)], executor=None) == [(4.0, False)]
    _core.keep_to_one_thread(False)


def test_an_error_or_a_stop_begins_no_further_part():
    begun = []

    def part(number):
        begun.append(number)
        time.sleep(0.01)

    def stop(done):
        raise KeyboardInterrupt

    for executor in (None, ThreadPoolExecutor(1)):
        begun.clear()
        with pytest.raises(KeyboardInterrupt):
            run_each(part, [(n,) for n in range(100)], executor=executor, progress=stop)
        if executor is not None:
            executor.shutdown()
        assert len(begun) < 50
    with ThreadPoolExecutor(1) as executor, pytest.raises(ValueError, match="three"):
        run_each(halves, [(3,), (4,)], executor=executor)


def test_a_search_in_blocks_finds_the_same(calibration, pool, monkeypatch):
    space = mat.Space(coring_days=[(), ("15 April",), ("10 September",)], topdressing_mm=[0.2, 0.4, 0.6])
    alone = mat.search(calibration, space, years=2, draws=50)
    monkeypatch.setattr("matledger.scanning.BLOCK", 2)
    blocks = []
    parted = mat.search(calibration, space, years=2, draws=50, executor=pool, progress=blocks.append)
    assert blocks == [1, 2, 3, 4, 5]
    assert np.array_equal(alone.om_percent, parted.om_percent)
    assert np.array_equal(alone.sand_kg_m2, parted.sand_kg_m2)
    assert np.array_equal(alone.disrupted_days, parted.disrupted_days)


def test_tests_left_out_by_fitting_again(calibration, pool):
    alone = mat.leave_one_out(calibration, refit=True).columns
    parted = mat.leave_one_out(calibration, refit=True, executor=pool).columns
    assert parted["elpd"] == alone["elpd"]
    assert all(alone["trusted"])
    assert len(alone["elpd"]) == len(calibration.course.soil_tests)
    # What a test adds to the others cannot be foreseen better than with it in hand.
    within = calibration.site.log_likelihoods(calibration.coordinates)
    seen = np.logaddexp.reduce(within, axis=0) - np.log(len(within))
    assert np.mean(alone["elpd"]) < seen.mean()
    with pytest.raises(mat.InputError, match="refit=True"):
        mat.leave_one_out(calibration)


def test_the_only_test_of_a_method_cannot_be_foreseen(calibration):
    first, *rest = calibration.course.soil_tests
    odd = replace(calibration.course, soil_tests=[replace(first, method="other"), *rest], methods=())
    found = mat.leave_one_out(mat.calibrate(odd, draws=50), refit=True).columns
    assert np.isnan(found["elpd"]).sum() == 1
    assert not found["trusted"][int(np.flatnonzero(np.isnan(found["elpd"]))[0])]
