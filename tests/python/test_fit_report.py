"""The fit report, its plots, and the tree for ArviZ."""

import re
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from few_greens import demo_greens

mpl.use("Agg")

import matplotlib.pyplot as plt

import matledger as mat
from matledger import fit_plots, plots
from matledger.calibration.diagnostics import ess_bulk, ess_tail
from matledger.errors import InputError


@pytest.fixture(scope="module")
def fit():
    return mat.calibrate(mat.demo_course(), method="laplace", draws=300, seed=1)


@pytest.fixture(scope="module")
def sampled():
    return mat.calibrate(demo_greens(1), method="nuts", chains=2, tune=10, draws=20, seed=1)


@pytest.fixture(autouse=True)
def _closed():
    yield
    plt.close("all")


def section(report, heading):
    return dict(report.sections)[heading]


def test_a_sound_fit_can_be_used(fit):
    report = mat.report_fit(fit)
    assert report.usable
    verdict, origin = section(report, "Can it be used?")
    assert verdict == "yes, short of quoting it: nothing else speaks against it"
    assert origin == fit.notes[0]
    assert "quick look" in origin
    assert origin not in section(report, "To know")
    assert section(report, "What failed, and why") == ("nothing",)
    assert section(report, "What else lies outside") == ("nothing",)
    assert any(line.startswith("profile_scale_mm: ") for line in section(report, "What the tests moved"))
    assert any(line.startswith("om_density_g_cm3 is as believed") for line in section(report, "What did not move"))
    assert any("core_sd_percent and laboratory_sd_percent" in line for line in section(report, "Bound together"))


def test_a_spoilt_fit_says_what_failed_and_why(fit):
    wrong = replace(fit.course.soil_tests[0], om_percent=12.0)
    course = replace(fit.course, soil_tests=[wrong, *fit.course.soil_tests[1:]])
    report = mat.report_fit(mat.calibrate(course, method="laplace", draws=200))
    assert not report.usable
    failed = section(report, "What failed, and why")
    assert any(f"the test of {wrong.green} on {wrong.date}" in line for line in failed)
    assert any("largest residual" in line for line in failed)
    assert section(report, "Can it be used?")[0] == "with care: see what failed"


def test_what_lies_outside_without_failing_is_in_the_verdict(fit):
    """A test between three and four standard deviations off; the table of checks and `tests` tell one residual."""
    tests = fit.course.soil_tests
    odd = replace(tests[0], om_percent=tests[0].om_percent + 1.8)
    spoilt = mat.calibrate(replace(fit.course, soil_tests=[odd, *tests[1:]]), method="laplace", draws=300, seed=1)
    largest = max(map(abs, spoilt.tests().columns["residual_sd"]))
    assert 3 < largest < 4
    report, checks = mat.report_fit(spoilt), mat.predictive_checks(spoilt).columns
    at = checks["what"].index("largest residual at the mode, standard deviations")
    assert checks["measured"][at] == pytest.approx(largest)
    assert checks["5 %"][at] < checks["median"][at] < checks["95 %"][at]
    assert (checks["measured"][at] > checks["95 %"][at]) == (checks["share_below"][at] > 0.95)
    named = f"the test of {odd.green} on {odd.date}, {odd.sampled}, by {odd.method}, verdure {odd.verdure}"
    assert report.usable
    assert section(report, "Can it be used?")[0].startswith(f"yes, short of quoting it, but look at {named}")
    outside = section(report, "What else lies outside")
    assert outside[0] == f"{named}, lies {largest:.1f} standard deviations above the model"
    assert outside[-1] == f"of the {len(checks['what'])} checks one in ten lies outside by chance"
    listed = [
        what
        for what, low, seen, high in zip(*(checks[k] for k in ("what", "5 %", "measured", "95 %")), strict=True)
        if not low <= seen <= high
    ]
    assert [line.split(":")[0] for line in outside[1:-1]] == listed


def test_a_bound_and_a_tail_are_named(fit):
    z = fit.coordinates.copy()
    z[:, fit.names.index("fill_fraction")] += 8.0
    z[:, fit.names.index("base_percent")] -= 4.0
    lines = section(mat.report_fit(replace(fit, coordinates=z)), "At a bound or in the tail of its prior")
    assert any(line.startswith("fill_fraction is at a bound (0.9") for line in lines)
    assert any("base_percent stands" in line and "below its prior's median" in line for line in lines)


def test_text_and_page_are_written_whole(fit, tmp_path):
    report = mat.report_fit(fit)
    page = report.save(tmp_path / "fit.html").read_text(encoding="utf-8")
    assert page.count("<img alt=") == 3
    assert page.count("<table>") == 2
    assert "http" not in page
    assert report.save(tmp_path / "fit.txt").read_text(encoding="utf-8") == f"{report!r}\n"
    assert re.search(r"litter_ratio: 2\.\d+ \(1\.\d+ to 3\.\d+\) g/g from 3; \d+ % of the prior", repr(report))
    with pytest.raises(InputError, match=r"\.html or \.txt"):
        report.save(tmp_path / "fit.doc")


def test_short_chains_are_not_usable(sampled):
    report = mat.report_fit(sampled)
    assert not report.usable
    assert any("effective draws" in line for line in section(report, "What failed, and why"))
    assert section(report, "Can it be used?")[0] == "not yet: see what failed"
    assert section(report, "Can it be used?")[1] == "intervals come from 2 chains of the No-U-Turn sampler"


def test_predictive_checks_see_what_the_model_misses(fit):
    columns = mat.predictive_checks(fit).columns
    assert all(0.01 < share < 0.99 for share in columns["share_below"])
    course = fit.course
    turned = [
        replace(test, om_percent=test.om_percent + 0.8 * (test.date.year - 2013.5)) if test.top_mm == 40 else test
        for test in course.soil_tests
    ]
    wrong = mat.calibrate(replace(course, soil_tests=turned), method="laplace", draws=200)
    report = mat.report_fit(wrong)
    assert not report.usable


def test_plots_show_what_they_say(fit):
    axes = fit_plots.learnt(fit)
    of_greens = tuple(f"[{green.name}]" for green in fit.course.greens)
    assert len(axes.get_yticks()) == sum(not name.endswith(of_greens) for name in fit.names)
    assert fit_plots.learnt(fit, ax=axes) is axes
    assert len({line.get_linestyle() for line in axes.get_legend().get_lines()}) == 3  # told apart on a grey print
    legend = plots.over_time(fit, "Tarn", draws=20).get_legend()
    marks = {text.get_text(): line.get_marker() for text, line in zip(legend.texts, legend.get_lines(), strict=True)}
    assert marks["440 C, verdure on (as the lines)"] == "o"
    assert marks["360 C, verdure off"] == "s"
    alone = plots.over_time(mat.calibrate(demo_greens(1), draws=20), draws=20).get_legend()
    assert not any("verdure" in text.get_text() for text in alone.texts)
    grid = fit_plots.over_time_by_depth(fit, draws=20)
    assert grid.shape == (3, 9)
    assert "Brook" in [here.get_title() for here in grid[0]]
    assert "of 234 tests outside" in fit_plots.predictive_check(fit).get_title()
    square = fit_plots.pairs(fit, ["core_sd_percent", "laboratory_sd_percent"])
    assert square.shape == (2, 2)
    assert float(square[0, 1].texts[0].get_text()) < -0.5
    assert fit_plots.pairs(fit).shape == (5, 5)
    with pytest.raises(InputError, match="a name of the calibration"):
        fit_plots.pairs(fit, ["slope", "core_sd_percent"])
    with pytest.raises(InputError, match=r"shape \(3, 9\)"):
        fit_plots.over_time_by_depth(fit, axes=grid[:2])


def test_the_tree_goes_through_netcdf(sampled, tmp_path):
    import xarray as xr

    tree = sampled.to_arviz()
    path = tmp_path / "fit.nc"
    tree.to_netcdf(path)
    with xr.open_datatree(path) as again:
        for name in tree.children:
            for variable in tree[name].data_vars:
                np.testing.assert_array_equal(again[name][variable], tree[name][variable])
        assert again["posterior"]["profile_scale_mm"].attrs["units"] == "mm"


# Groups, dimensions and names of ArviZ's schema (0.23 and 1.x share them; 1.x takes the tree itself).
SCHEMA = {
    "posterior": ("chain", "draw"),
    "sample_stats": ("chain", "draw"),
    "log_likelihood": ("chain", "draw", "test"),
    "posterior_predictive": ("chain", "draw", "test"),
    "prior": ("chain", "draw"),
    "observed_data": ("test",),
}


def test_the_tree_keeps_to_the_schema(sampled):
    tree = sampled.to_arviz()
    assert set(tree.children) == set(SCHEMA)
    for group, dims in SCHEMA.items():
        for variable in tree[group].data_vars.values():
            assert variable.dims[: len(dims)] == dims, (group, variable.name)
        assert tree[group].attrs["inference_library"] == "matledger"
    assert set(tree["sample_stats"].data_vars) == {"energy", "lp", "diverging", "n_steps", "reached_max_treedepth"}
    assert set(tree["log_likelihood"].data_vars) == set(tree["observed_data"].data_vars)
    assert set(tree["prior"].data_vars) == set(tree["posterior"].data_vars)


@pytest.mark.filterwarnings("ignore")  # ArviZ 0.23 warns of its own next version on import
def test_arviz_reads_the_tree_and_agrees(sampled):
    az = pytest.importorskip("arviz")
    tree = sampled.to_arviz()
    read = az.InferenceData.from_datatree(tree) if hasattr(az, "InferenceData") else tree
    assert hasattr(read, "posterior")
    diagnosis, draws = sampled.diagnosis, sampled.chains.coordinates
    for i, name in enumerate(sampled.names):
        assert float(az.rhat(draws[:, :, i])) == pytest.approx(diagnosis.rhat[i]), name
        assert float(az.ess(draws[:, :, i], method="bulk")) == pytest.approx(diagnosis.ess_bulk[i]), name
        # A quantile that falls on a draw may count it or not: among 40 draws that one weighs.
        assert float(az.ess(draws[:, :, i], method="tail")) == pytest.approx(diagnosis.ess_tail[i], rel=0.3), name
    assert len(az.summary(read, var_names=["profile_scale_mm", "litter_ratio"])) == 2
    several = mat.calibrate(mat.demo_course().only(["Tarn"]), method="nuts", chains=2, tune=10, draws=20).to_arviz()
    whole = az.summary(az.InferenceData.from_datatree(several) if hasattr(az, "InferenceData") else several)
    assert "method_offset_percent[360 C, verdure off]" in whole.index
    rng = np.random.default_rng(7)
    for count in (20, 50, 501):
        slow = rng.normal(size=(4, count)).cumsum(axis=1) + rng.normal(size=(4, count))
        for theirs, ours in (("bulk", ess_bulk), ("tail", ess_tail)):
            assert float(az.ess(slow, method=theirs)) == pytest.approx(ours(slow)), (count, theirs)
    loo = az.loo(read, pointwise=True)
    ours = mat.leave_one_out(sampled).columns
    shape = np.array(ours["pareto_k"])
    told = np.isfinite(shape)  # of a tail of few draws ours tells no shape, and smooths no weight by one
    assert told.sum() >= 12
    theirs = np.asarray(getattr(loo, "loo_i", getattr(loo, "elpd_i", None)))
    np.testing.assert_allclose(np.array(ours["elpd"])[told], theirs[told], atol=0.03)
    np.testing.assert_allclose(shape[told], np.asarray(loo.pareto_k)[told], atol=0.03)
