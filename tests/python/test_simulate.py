"""simulate() against SciPy, a published trial, closed forms, and what users may do with it."""

import datetime as dt
import pickle
import signal
import subprocess
import sys
import time
import tracemalloc
import warnings
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import matledger as mat
from matledger.errors import InputError
from matledger.simulation import InterruptedWarning, LeftDomainWarning, SinkingWarning, simulate

START = dt.date(2012, 1, 1)


def season(days):
    day = np.arange(days)
    return 0.5 - 0.5 * np.cos(2 * np.pi * day / 365.25)


def scenario(days=3653, **more):
    return {"start": START, "clippings_g_m2": season(days), "decay_modifier": 0.3 + 1.5 * season(days)} | more


def cores(bore_mm=12.7, depth_mm=75.0):
    return mat.Coring(tine=mat.Tine(inside_diameter_mm=bore_mm), spacing_mm=(50, 50), depth_mm=depth_mm)


PROGRAMME = mat.Programme(
    "two corings, light sand",
    [
        ("10 April and 12 September", [cores(), mat.Topdressing(sand_mm=4)]),
        ("every 14 days from 1 May to 15 October", [mat.Topdressing(sand_mm=0.3)]),
    ],
)


def test_one_parcel_follows_scipy():
    """All litter falls in one parcel: the column's OM is the solution of the two-pool equations."""
    days = 400
    rng = np.random.default_rng(3)
    clippings, modifier = rng.uniform(0, 1.5, days), rng.uniform(0.1, 2.5, days)
    unknowns = {
        "litter_ratio": 2.5,
        "young_decay_per_year": 1.4,
        "old_decay_per_year": 0.04,
        "humified_share": 0.25,
        "root_share": 0.0,
        "young_share": 0.3,
        "base_percent": 4.0,
        "surface_percent": 0.0,
    }
    run = simulate(
        start=START,
        clippings_g_m2=clippings,
        decay_modifier=modifier,
        unknowns=unknowns,
        windows=[],
        column_depth_mm=12,
        mat_depth_mm=12,
        fine_mm=12,
        coarse_mm=12,
        keep_ledger="total",
    )
    om, mineral = run.ledger.values
    assert om[0] == pytest.approx(0.04 / 0.96 * mineral[0])
    pools = np.array([0.3, 0.7]) * om[0]
    k1, k2, e = 1.4 / 365.25, 0.04 / 365.25, 0.25
    for c, f in zip(clippings, modifier, strict=True):
        slope = lambda _, p, c=c, f=f: [2.5 * c - k1 * f * p[0], e * k1 * f * p[0] - k2 * f * p[1]]  # noqa: E731
        pools = solve_ivp(slope, (0, 1), pools, method="DOP853", rtol=1e-12, atol=1e-12).y[:, -1]
    assert run.ledger.total("gained") == pytest.approx(2.5 * clippings.sum(), rel=1e-12)
    assert run.ledger.total("end") == pytest.approx(pools.sum(), rel=1e-10)


def test_a_published_trial():
    """Fu, Dernoeden & Murphy 2009 (Crop Sci. 49:1079-1087), creeping bentgrass at College Park, two years.

    Cored and sanded plots against uncored ones, thatch-mat layer: thickness +66 %, OM per area about the same, OM
    concentration a third (`trials.csv`, read from the abstract). Assumed, for the abstract does not say: uncored plots
    get no sand, a coring is followed by 8 mm of sand in all, the season's weather and growth are ours, and the mat is
    12 mm with 12 % of OM at its surface. The directions are the published ones; the sizes depend on the sand.
    """
    days = 731
    sand = mat.Topdressing(sand_mm=8, picked_up_share=0)
    cored = [(dt.date(year, 4, 15), work) for year in (2012, 2013) for work in (cores(12.7, 90), sand)]
    run = simulate(
        **scenario(days),
        work={"uncored": [], "spring": cored},
        unknowns={"surface_percent": 12.0, "profile_scale_mm": 15.0, "fill_fraction": 0.8},
        layers=["thatch-mat"],
        windows=[],
        mat_depth_mm=12,
        read_on="2013-12-31",
    )
    thickness, stock, percent = (v[1, 0, 0] / v[0, 0, 0] for v in (run.thickness_mm, run.om_kg_m2, run.om_percent))
    assert 1.3 < thickness < 2.2
    assert 0.9 < stock < 1.05
    assert 0.2 < percent < 0.6


def test_shapes_follow_what_was_asked():
    ask = {
        "windows": [(0, 20), ("20 mm", "2 in")],
        "layers": ["thatch-mat", 3.0],
        "read_on": ["2013-01-01", "2014-01-01"],
    }
    run = simulate(**scenario(800), work=PROGRAMME, **ask)
    assert run.dims == ()
    assert run.samples == ("0 to 20 mm", "20 to 50.8 mm", "thatch-mat layer", "above 3 %")
    assert run.om_percent.shape == (4, 2)
    assert run.surface_mm.shape == (2,)
    assert run.ledger.values.shape == (3, 2, 7)
    many = simulate(
        **scenario(800),
        work=[PROGRAMME, mat.Programme("sand only", [("1 May", [mat.Topdressing(sand_mm=1)])])],
        unknowns={"litter_ratio": [2.0, 3.0, 4.0], "year_multipliers": [1.0, 1.1, 0.9]},
        profile_on=["2014-01-01"],
        **ask,
    )
    assert many.dims == ("programme", "member")
    assert many.om_percent.shape == (2, 3, 4, 2)
    assert many.profile_om_percent.shape == (2, 3, 1, 60)
    assert np.all(np.diff(many.om_percent[:, :, 0, 1], axis=1) > 0)
    assert not many.om_percent.flags.writeable


def test_a_member_does_not_depend_on_its_neighbours_or_on_threads():
    rng = np.random.default_rng(11)
    litter, fill = rng.lognormal(1, 0.4, 37), rng.uniform(0.3, 0.9, 37)
    ask = scenario(800, work=PROGRAMME, read_on=["2014-01-01"], windows=[(0, 20), (20, 40)])
    whole = simulate(**ask, unknowns={"litter_ratio": litter, "fill_fraction": fill}, threads=2)
    single = simulate(**ask, unknowns={"litter_ratio": litter, "fill_fraction": fill}, threads=1)
    assert whole == single
    order = rng.permutation(37)
    shuffled = simulate(**ask, unknowns={"litter_ratio": litter[order], "fill_fraction": fill[order]})
    np.testing.assert_array_equal(shuffled.om_percent, whole.om_percent[order])


def test_the_ledger_closes_and_speaks():
    run = simulate(**scenario(800), work=PROGRAMME, read_on=["2014-01-01"])
    start, gained, respired, cored, mown, below, end = np.moveaxis(run.ledger.values, -1, 0)
    np.testing.assert_allclose(start + gained, end + respired + cored + mown + below, rtol=1e-9)
    text = run.ledger_in_words()
    assert text.startswith(f"{run.ledger.total('gained'):,.0f} g/m2 of organic matter grew, ")
    assert "left in cores" in text
    assert "mm of new sand" in text
    frame = run.ledger.to_pandas()
    assert list(frame.columns)[:3] == ["year", "substance", "start"]
    assert len(frame) == 6
    assert run.ledger.to_polars().shape == frame.shape


def test_results_travel():
    run = simulate(
        **scenario(400),
        work={"a": PROGRAMME, "b": []},
        unknowns={"litter_ratio": [2.0, 3.0]},
        layers=["thatch-mat"],
        read_on=["2012-06-01", "2013-01-01"],
        profile_on=["2013-01-01"],
    )
    data = run.to_xarray()
    assert data["om_percent"].dims == ("programme", "member", "sample", "date")
    assert data["om_percent"].attrs["units"] == "%"
    assert data["ledger"].attrs["units"] == "g m-2"
    assert data["depth"].attrs["positive"] == "down"
    assert (
        float(data["om_percent"].sel(programme="b", member=1, sample="thatch-mat layer", date="2013-01-01"))
        == run.om_percent[1, 1, 1, 1]
    )
    frame = run.to_pandas()
    assert len(frame) == 16
    row = frame[(frame.programme == "b") & (frame.member == 1) & (frame["sample"] == "thatch-mat layer")].iloc[-1]
    assert row.om_percent == run.om_percent[1, 1, 1, 1]
    assert row.surface_mm == run.surface_mm[1, 1, 1]
    assert run.to_polars().shape == frame.shape
    assert pickle.loads(pickle.dumps(run)) == run
    assert run != simulate(**scenario(400), read_on=["2013-01-01"])
    assert "2 members over 2 programmes" in repr(run)
    assert "<table>" in run._repr_html_()


def test_sinking_is_said():
    work = [(f"2012-04-{day:02}", cores(depth_mm=100)) for day in (1, 8, 15)]
    with pytest.warns(SinkingWarning, match="no dilution"):
        run = simulate(**scenario(366), work=work, read_on=["2012-12-31"])
    assert run.surface_mm[0] < -10
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        simulate(**scenario(366), work=[*work, ("2012-04-16", mat.Topdressing(sand_mm=16))], read_on=["2012-12-31"])


def test_recorded_sand_is_scaled():
    work = [("2012-05-01", mat.Topdressing(sand_mm=2)), ("2012-08-01", mat.Topdressing(sand_mm=2))]
    run = simulate(
        **scenario(366), work=work, unknowns={"sand_scale": 1.5}, recorded_before="2012-06-01", keep_ledger="total"
    )
    assert run.ledger.total("gained", "mineral") == pytest.approx(3200 * 2.5)


def test_bad_input_is_refused_before_work_starts():
    with pytest.raises(InputError) as caught:
        simulate(
            start="01/02/2014",
            clippings_g_m2=[1.0, "x"],
            decay_modifier=[[1.0]],
            work=[("2012-01-01", "coring")],
            windows=[(0,)],
            layers=["thatch"],
            read_on=["tomorrow"],
            unknowns={"litter_ratio": np.ones((3, 2)), "root_share": [0.1, 0.2], "young_share": [0.1, 0.2, 0.3]},
            stretch_days=0,
            keep=["om"],
            column_depth_mm="deep",
        )
    text = str(caught.value)
    for part in (
        "start: '01/02/2014'",
        "clippings_g_m2",
        "decay_modifier: shape (1, 1)",
        "windows[0]",
        "layers[0]: 'thatch'",
        "read_on[0]",
        "unknowns['litter_ratio']: shape (3, 2)",
        "unequal length (root_share: 2, young_share: 3)",
        "stretch_days",
        "keep: 'om'",
        "column_depth_mm: 'deep'",
    ):
        assert part in text
    rows = np.ones(1_000_000)
    rows[7], rows[9] = np.nan, -1
    with pytest.raises(InputError) as caught:
        simulate(**scenario(366), unknowns={"litter_ratio": rows, "fill_fraction": 1.5, "clay": 2.0})
    text = str(caught.value)
    assert 'unknowns["litter_ratio"][7]: NaN (and 1 more); expected a number from 0 to 1000' in text
    assert 'unknowns["fill_fraction"]: 1.5; expected a number from 0 to 1' in text
    assert "unknowns: clay; expected one of litter_ratio" in text
    for work in ({}, [PROGRAMME, PROGRAMME], ["sand"], [("2012-05-01", mat.Topdressing(sand_mm=1), 3)]):
        with pytest.raises(InputError, match="work"):
            simulate(**scenario(366), work=work)
    with pytest.raises(InputError, match="topdressing on 2020-01-01"):
        simulate(**scenario(366), work=[("2020-01-01", mat.Topdressing(sand_mm=1))])
    with pytest.raises(InputError, match=r"programmes\[1\].*200|200 mm"):
        simulate(**scenario(366), windows=[(0, 200)], read_on="2012-06-01", work={"a": [], "b": []})


MILLION = np.full(1_000_000, 0.5)


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        ({"unknowns": {"litter_ratio": np.broadcast_to(0.5, (1_000_000, 2))}}, "shape (1000000, 2); expected a number"),
        ({"unknowns": {"litter_ratio": MILLION, "root_share": MILLION[1:]}}, "unequal length"),
        ({"unknowns": {"litter_ratio": np.where(np.arange(1_000_000) == 999_999, np.nan, MILLION)}}, "[999999]: NaN"),
        ({"unknowns": {"fill_fraction": MILLION + 1}}, "1.5 (and 999999 more); expected a number from 0 to 1"),
        ({"unknowns": {"year_multipliers": np.broadcast_to(1.0, (3, 1_000_000))}}, "3 years; expected shape (years,)"),
        ({"unknowns": {"year_multipliers": np.broadcast_to(1.0, (1_000_000, 1))}}, "1000000 years; expected"),
        ({"clippings_g_m2": MILLION.reshape(-1, 2)}, "shape (500000, 2); expected shape (days,)"),
        ({"unknowns": {"litter_ratio": MILLION}, "work": {}}, "work: no programme; expected at least one programme"),
    ],
    ids=lambda value: None if isinstance(value, dict) else "",
)
def test_a_million_rows_are_refused_before_any_work(wrong, expected):
    stepped = []
    arguments = {"work": PROGRAMME} | scenario(366) | wrong | {"progress": lambda *done: stepped.append(done)}
    tracemalloc.start()
    try:
        with pytest.raises(InputError) as caught:
            simulate(**arguments)
        assert tracemalloc.get_traced_memory()[1] < 30e6
    finally:
        tracemalloc.stop()
    assert expected in str(caught.value)
    assert len(str(caught.value)) < 500
    assert stepped == []


def test_no_work_is_the_untreated_control():
    bare, named = simulate(**scenario(366), work=[]), simulate(**scenario(366), work={"control": []})
    assert bare.om_percent.tolist() == named.om_percent[0].tolist()


def test_a_member_that_leaves_its_domain_is_marked():
    work = [(f"2012-05-{day:02}", cores(depth_mm=60)) for day in (1, 10, 20)]
    ask = scenario(
        366, work=work, column_depth_mm=60, mat_depth_mm=20, windows=[(0, 20), (0, 55)], read_on="2012-12-31"
    )
    with pytest.warns(LeftDomainWarning, match="^1 member lost so much ground"), pytest.warns(SinkingWarning):
        run = simulate(**ask, unknowns={"litter_ratio": [30.0, 0.0, 30.0]})
    assert run.finished.all()
    assert np.isnan(run.om_percent).tolist() == [[[False], [False]], [[False], [True]], [[False], [False]]]


def test_sand_by_the_metre_is_refused():
    with pytest.raises(InputError, match="at most 160 kg/m2"):
        mat.Topdressing(sand_kg_m2=1e305)


def test_each_member_is_read_within_an_error():
    ask = scenario(366, work=PROGRAMME, unknowns={"litter_ratio": [0.3, 3.0, 12.0]}, read_on=["2012-12-31"])
    ask["windows"] = ((0, 10), (10, 20))
    fine = simulate(**ask, fine_mm=0.25, fine_to_mm=150, coarse_mm=0.25, edge_mm=0.25, blur_percent_mm=0)
    within, coarse = simulate(**ask, error_percent=0.02), simulate(**ask, fine_mm=7, coarse_mm=7, edge_mm=7)
    assert np.abs(within.om_percent - fine.om_percent).max() < 0.02
    assert np.abs(coarse.om_percent - fine.om_percent).max() > 0.02
    with pytest.raises(InputError) as told:
        simulate(**ask, error_percent=0.02, fine_mm=1, stretch_days=30)
    assert [problem.place for problem in told.value.problems] == ["fine_mm", "stretch_days"]
    with pytest.raises(InputError, match=r"0\.01 to 1"):
        simulate(**ask, error_percent=0.001)


def test_a_member_that_decays_too_fast_is_marked_and_the_rest_finish():
    ask = scenario(366, read_on=["2012-12-31"])
    with pytest.warns(LeftDomainWarning):
        run = simulate(**ask, unknowns={"young_decay_per_year": [1.0, 12.5, 2.0]})
    assert run.finished.tolist() == [True, False, True]
    assert np.isnan(run.om_percent).ravel().tolist() == [False, True, False]


INTERRUPTED = """
import time, warnings
import numpy as np
from matledger.simulation import simulate
def told(done, total):
    if done and not seen:
        seen.append(done)
        print("running", flush=True)
seen = []
days = 3653
with warnings.catch_warnings(record=True) as said:
    warnings.simplefilter("always")
    run = simulate(start="2012-01-01", clippings_g_m2=np.ones(days), decay_modifier=np.ones(days), keep_ledger="none",
        unknowns={"litter_ratio": np.full(400_000, 3.0)}, read_on=["2014-01-01"], progress=told)
finished = run.finished
print(time.time(), finished.sum(), np.isfinite(run.om_percent[finished]).all(),
    np.isnan(run.om_percent[~finished]).all(), said[-1].category.__name__, flush=True)
"""


def test_ctrl_c_keeps_what_is_finished(hears_ctrl_c):
    with subprocess.Popen([sys.executable, "-c", INTERRUPTED], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout.readline() == "running\n"
        pressed = time.time()
        child.send_signal(signal.SIGINT)
        ended, finished, whole, rest, said = child.stdout.readline().split()
    assert 0 < int(finished) < 400_000
    assert (whole, rest, said) == ("True", "True", InterruptedWarning.__name__)
    assert float(ended) - pressed < 1.0  # 0.2 s on a quiet machine


def test_progress_is_told_and_may_fail():
    told = []
    ask = scenario(work=PROGRAMME, unknowns={"litter_ratio": np.full(3000, 3.0)}, keep_ledger="none")
    simulate(**ask, progress=lambda done, total: told.append((done, total)))
    assert told[-1] == (3000, 3000)
    with pytest.raises(ZeroDivisionError):
        simulate(**ask, progress=lambda done, total: 1 / 0)


def test_several_python_threads_at_once():
    ask = scenario(800, work=PROGRAMME, read_on=["2014-01-01"])
    with ThreadPoolExecutor(4) as pool:
        runs = list(
            pool.map(lambda r: simulate(**ask, unknowns={"litter_ratio": np.full(50, r)}), [2.0, 3.0, 2.0, 3.0])
        )
    assert runs[0] == runs[2]
    assert runs[1] == runs[3]


def test_more_sand_lowers_the_percentage():
    def top(sand_mm):
        work = [(f"2012-{month:02}-01", mat.Topdressing(sand_mm=sand_mm)) for month in range(4, 11)]
        return simulate(**scenario(366), work=work, read_on="2012-12-31").om_percent[0, 0]

    assert top(0.8) < top(0.4) < top(0.2)
