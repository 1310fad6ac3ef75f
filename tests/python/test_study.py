import csv
import io
import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import matledger as mat

CHECKS = Path(__file__).parents[1] / "checks"


def plots(
    sites=("A",), greens=("1",), blocks=("1", "2", "3", "4"), treatments=("none", "sand"), seasons=(2024,), **more
):
    """Invented tests: a row for every combination."""
    rows = [
        {"site": s, "green": g, "block": b, "treatment": t, "season": y}
        for s in sites
        for g in greens
        for b in blocks
        for t in treatments
        for y in seasons
    ]
    table = pd.DataFrame(rows).assign(top_mm=0, bottom_mm=20, method="LOI 360")
    scatter = np.random.default_rng(len(rows)).normal(0, 0.3, len(rows))
    block = table.groupby(["site", "green", "block"]).ngroup() * 0.37 % 1
    table["om_percent"] = 3 + scatter + block - 0.5 * (table["treatment"] != treatments[0])
    return table.assign(**more)


def said(table):
    with pytest.raises(mat.InputError) as caught:
        mat.read_study(table)
    return str(caught.value)


def test_published_one_way_data_through_the_table():
    with (CHECKS / "mixed_data_Dyestuff.csv").open() as file:
        data = list(csv.DictReader(file))
    yields = {batch: [float(r["Yield"]) for r in data if r["Batch"] == batch] for batch in "ABCDEF"}
    # Half the batches under a treatment that does nothing: the contrast is that of six batch means, df 4.
    table = pd.DataFrame(
        {
            "site": "A",
            "green": [b for b, values in yields.items() for _ in values],
            "treatment": ["even" if b in "BDF" else "odd" for b, values in yields.items() for _ in values],
            "season": 2024,
            "top_mm": 0,
            "bottom_mm": 20,
            "method": "LOI",
            "thickness_mm": [v for values in yields.values() for v in values],
        }
    )
    study = mat.read_study(table)
    found = mat.analyse(study, response="thickness_mm", level=0.95)
    means = {batch: np.mean(values) for batch, values in yields.items()}
    odd, even = ([means[b] for b in group] for group in ("ACE", "BDF"))
    contrast = found.treatment_contrasts[0]
    assert study.layout == "completely randomised"
    assert contrast.name == "odd - even"
    assert contrast.value == pytest.approx(np.mean(odd) - np.mean(even))
    assert contrast.se == pytest.approx(np.sqrt((np.var(odd, ddof=1) + np.var(even, ddof=1)) / 3), rel=1e-5)
    assert contrast.df == pytest.approx(4, rel=1e-3)
    assert contrast.high - contrast.value == pytest.approx(2.776445 * contrast.se, rel=1e-3)  # t table, 4 df
    assert pickle.loads(pickle.dumps(found)) == found


def test_blocks_are_a_paired_comparison():
    table = plots()
    study = mat.read_study(table)
    assert study.layout == "randomised complete block"
    contrast = mat.analyse(study).treatment_contrasts[0]
    pairs = table.pivot(index="block", columns="treatment", values="om_percent")
    differences = pairs["none"] - pairs["sand"]
    assert contrast.value == pytest.approx(differences.mean())
    assert contrast.se == pytest.approx(differences.std() / 2, rel=1e-5)
    assert contrast.df == pytest.approx(3, rel=1e-3)


def test_many_sites_and_seasons_rest_on_the_sites():
    table = plots(sites=tuple("ABCDE"), seasons=(2023, 2024))
    table["om_percent"] += (table["site"].map(dict(zip("ABCDE", (0, 0.6, -0.4, 0.9, 0.2), strict=True)))) * (
        table["treatment"] == "sand"
    )
    found = mat.analyse(mat.read_study(table))
    by_site = table.groupby(["site", "treatment"])["om_percent"].mean().unstack()
    differences = by_site["none"] - by_site["sand"]
    contrast = found.treatment_contrasts[0]
    assert contrast.value == pytest.approx(differences.mean())
    assert contrast.se == pytest.approx(differences.std() / np.sqrt(5), rel=1e-4)
    assert contrast.df == pytest.approx(4, rel=1e-2)
    assert {"site by treatment", "site by season", "block", "unit", "residual"} <= {name for name, _ in found.variances}


def test_a_variance_that_is_not_there_is_zero():
    found = mat.analyse(mat.read_study(plots(seasons=(2023, 2024))))
    assert dict(found.variances)["unit"] == 0
    assert "variance estimated as zero: unit;" in found.notes[0]


@pytest.mark.parametrize("effect_sd", [0.0, 0.6])
def test_few_sites_are_not_said_to_be_wide_where_their_variance_went_to_zero(effect_sd):
    table = plots(sites=("A", "B", "C"), treatments=("none", "sand", "core"))
    at = dict(zip("ABC", (-effect_sd, 0, effect_sd), strict=True))
    table["om_percent"] = table["om_percent"] + table["site"].map(at) * (table["treatment"] == "sand")
    found = mat.analyse(mat.read_study(table))
    assert found.error_terms == ("site by treatment",)
    notes, df = " ".join(found.notes), found.treatment_contrasts[0].df
    flat = dict(found.variances)["site by treatment"] == 0
    assert flat == (effect_sd == 0)
    assert ("intervals wide" in notes) == (df < 10) == (not flat)
    at_most = "take the variance of site by treatment as known to be zero"
    assert (at_most in notes) == flat
    assert ("not as those of a population: site by treatment has at most 4 degrees of freedom" in notes) == flat


def test_a_variance_that_cancels_from_changes_is_no_error_of_them():
    both = [plots(sites=("A", "B", "C"), seasons=(y,), period=p) for y, p in ((2023, "before"), (2024, "after"))]
    table = pd.concat(both, ignore_index=True)
    table["om_percent"] += np.random.default_rng(1).normal(0, 0.2, len(table))
    found = mat.analyse(mat.read_study(table))
    assert found.error_terms == ("site by treatment by period",)


def test_split_plots_have_two_errors():
    rng = np.random.default_rng(2)
    rows = [(b, m, s) for b in "1234" for m in ("core", "none") for s in ("high", "low", "no")]
    table = pd.DataFrame(rows, columns=["block", "treatment", "subtreatment"])
    table["plot"] = table["block"] + table["treatment"]
    whole = {plot: rng.normal(0, 0.5) for plot in dict.fromkeys(table["plot"])}
    block = {"1": 0.0, "2": 2.0, "3": 1.0, "4": 3.0}
    table["om_percent"] = 4 + table["block"].map(block) + table["plot"].map(whole) + rng.normal(0, 0.1, len(table))
    table = table.assign(site="A", green="1", season=2024, top_mm=0, bottom_mm=20, method="LOI")
    found = mat.analyse(mat.read_study(table))
    assert found.layout == "split-plot"
    assert found.treatment_contrasts[0].df == pytest.approx(3, rel=0.05)
    assert [c.name for c in found.subtreatment_contrasts] == ["high - low", "high - no", "low - no"]
    assert found.subtreatment_contrasts[0].df == pytest.approx(12, rel=1e-2)  # (4 - 1)(2)(2), the interaction kept
    assert found.subtreatment_contrasts[0].se < 0.3 * found.treatment_contrasts[0].se


def test_before_and_after_compares_changes():
    rng = np.random.default_rng(5)
    greens = [f"{n}" for n in range(8)]
    rows = [(g, "control" if n < 4 else "impact", y) for n, g in enumerate(greens) for y in (2022, 2024)]
    table = pd.DataFrame(rows, columns=["green", "treatment", "season"])
    table["period"] = np.where(table["season"] < 2023, "before", "after")
    ground = {g: rng.normal(0, 0.8) for g in greens}
    table["om_percent"] = 4 + table["green"].map(ground) + rng.normal(0, 0.2, len(table))
    table = table.assign(site="A", top_mm=0, bottom_mm=20, method="LOI")
    found = mat.analyse(mat.read_study(table))
    changes = table.pivot(index="green", columns="period", values="om_percent")
    change = (changes["after"] - changes["before"]).to_numpy()
    contrast = found.treatment_contrasts[0]
    assert found.layout == "before-after-control"
    assert contrast.value == pytest.approx(change[:4].mean() - change[4:].mean())
    pooled = (change[:4].var(ddof=1) + change[4:].var(ddof=1)) / 2
    assert contrast.se == pytest.approx(np.sqrt(pooled / 2), rel=1e-4)
    assert contrast.df == pytest.approx(6, rel=1e-2)
    alone = table.drop(table[(table["green"] == "2") & (table["period"] == "before")].index)
    assert "site A, green 2: after only; expected tests before and after" in said(alone)
    inside = said(table.assign(season=2023))
    assert (
        "season 2023: before and after; expected one of them, since a period is of whole seasons: count tests" in inside
    )


def test_bad_studies_are_named():
    table = plots(sites=("Site A", "B"))
    assert "block 2, season 2024, 0 to 20 mm: sand missing" in said(table.drop(index=3))
    spaced = table.copy()
    spaced.loc[[2, 3], "site"] = "SiteA"
    assert "row 4, column site: 'SiteA'; expected one spelling: 'Site A'" in said(spaced)
    trailing = table.copy()
    trailing.loc[0, "site"] = "Site A "
    assert "row 2, column site: 'Site A '; expected text without a space at either end" in said(trailing)
    windows = table.copy()
    windows.loc[table["site"] == "B", "bottom_mm"] = 25
    assert "0 to 25 mm; expected the windows of the other greens: 0 to 20 mm" in said(windows)
    methods = table.copy()
    methods.loc[table["site"] == "B", "method"] = "LOI 440"
    assert "column method: LOI 360 at Site A; LOI 440 at B; expected one method" in said(methods)
    assert "at least two treatments" in said(table[table["treatment"] == "sand"])
    lonely = plots(blocks=("1",)).drop(columns="block").assign(green=["1", "2"])
    assert "treatment sand: one unit; expected at least two units" in said(lonely)
    assert "no response; expected a column om_percent, om_kg_m2" in said(table.drop(columns="om_percent"))
    both = spaced.copy()
    both.loc[table["site"] == "B", "method"] = "loi360"
    assert said(both).count("one spelling") == 2


def test_a_study_from_csv_with_two_windows():
    table = pd.concat([plots(), plots().assign(top_mm=20, bottom_mm=40)])
    study = mat.read_study(table)
    with pytest.raises(
        mat.InputError, match=r"window: none; expected a depth window of the study: \(0, 20\) or \(20, 40\)"
    ):
        mat.analyse(study)
    assert mat.analyse(study, window=(20, 40)).window == (20, 40)
    with pytest.raises(mat.InputError, match="response: om_kg_m2; expected one of om_percent"):
        mat.analyse(study, response="om_kg_m2")
    text = io.StringIO()
    table.to_csv(text, index=False)
    assert "sand" in repr(mat.analyse(study, window=(0, 20)))


VARIANCES = mat.StudyVariances(core_sd_percent=0.5, laboratory_sd_percent=0.1, plot_sd_percent=0.2)


def test_power_rises_with_what_is_paid_for():
    designs = [mat.StudyDesign(blocks=blocks, cores=cores) for blocks, cores in ((3, 2), (6, 2), (6, 10))]
    prices = mat.SamplingPrices(test=20, core=1, visit=50)
    table = mat.weigh_designs(designs, VARIANCES, prices, difference_percent=0.5, trials=400, seed=3)
    assert table.columns["tests"] == [6, 12, 12]
    assert table.columns["cost"] == [6 * 22 + 50, 12 * 22 + 50, 12 * 30 + 50]
    assert np.all(np.diff(table.columns["power"]) > 0.1)
    assert table.columns["overstated"][0] > 1.2
    nothing = mat.study_power(designs[1], VARIANCES, difference_percent=0, trials=2000)
    assert nothing.power == pytest.approx(0.05, abs=3 * nothing.power_se)


def test_a_probe_that_meets_few_holes_costs_power():
    coring = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50.8, 50.8), depth_mm=75)
    sds = [
        mat.probe_sd_percent(coring, probe_diameter_mm=d, hole_om_percent=0.5, between_om_percent=4) for d in (12, 108)
    ]
    design = mat.StudyDesign(blocks=5, cores=3)
    narrow, wide = (
        mat.study_power(design, VARIANCES, difference_percent=0.7, probe_sd_percent=sd, trials=500).power for sd in sds
    )
    assert narrow < wide - 0.05


def test_designs_that_cannot_be():
    with pytest.raises(mat.InputError, match="no blocks: whole greens are treated"):
        mat.StudyDesign(treated="greens", blocks=2)
    with pytest.raises(mat.InputError, match="blocks: 0"):
        mat.study_power(mat.StudyDesign(), VARIANCES, difference_percent=1)
    with pytest.raises(mat.InputError, match=r"core_sd_percent: -1"):
        mat.study_power(mat.StudyDesign(blocks=4), mat.StudyVariances(core_sd_percent=-1), difference_percent=1)
    with pytest.raises(mat.InputError, match="alpha: 2"):
        mat.study_power(mat.StudyDesign(blocks=4), VARIANCES, difference_percent=1, alpha=2)


def test_weather_to_come():
    assert str(mat.WeatherToCome(shift_c=[0] * 6 + [2] * 6)) == "whole years at a time, shifted by 0 to 2 degC by month"
    with pytest.raises(mat.InputError, match=r"block_days: 0; .*\n.*shift_c: 3 values"):
        mat.WeatherToCome(block_days=0, shift_c=[1, 2, 3])
    calibration = mat.calibrate(mat.demo_course(), draws=60, seed=1)
    run = {
        name: mat.compare(calibration, years=2, draws=60, weather_sequences=3, weather_to_come=to_come)
        for name, to_come in (
            ("same", None),
            ("warm", mat.WeatherToCome(shift_c=2.0)),
            ("blocks", mat.WeatherToCome(block_days=30)),
        )
    }
    assert np.array_equal(run["same"].om_percent[:, :, 0], run["warm"].om_percent[:, :, 0])
    assert not np.array_equal(run["same"].om_percent, run["blocks"].om_percent)
    # Common random numbers: programmes share weather and draws, so their difference scatters less than either.
    last = run["same"].course_mean(run["same"].om_percent)[:, -1, 0]
    assert (last[0] - last[1]).std() < 0.5 * last[0].std()
    assert any("2 degC warmer" in note for note in run["warm"].notes)


def test_changes_that_are_all_alike_tell_no_error():
    before = plots(seasons=(2023,), period="before")
    change = 0.2 - 0.4 * (before["treatment"] == "sand")
    after = before.assign(season=2024, period="after", om_percent=before["om_percent"] + change)
    study = mat.read_study(pd.concat([before, after], ignore_index=True))
    with pytest.raises(mat.InputError, match="response: all explained by the effects, the random ones too"):
        mat.analyse(study)
