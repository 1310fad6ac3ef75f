import csv
import hashlib
import json
import os
import re
import shutil
import signal
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

import matledger as mat
from matledger.cli import main
from matledger.demo import demo_folder

SETTINGS = "seed = 3\nyears = 2\ndraws = 40\nweather_sequences = 4\nblock_days = 60\nshift_c = 1\n"


def invented_study(folder, sites):
    """Sites that differ from the demo course by a factor on every test."""
    rng = np.random.default_rng(8)
    for number in range(sites):
        home = folder / "sites" / f"site {number}"
        shutil.copytree(demo_folder(), home)
        with (home / "soil_tests.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        factor = float(np.exp(rng.normal(0, 0.15)))
        with (home / "soil_tests.csv").open("w", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows([row | {"om_percent": f"{factor * float(row['om_percent']):.3f}"} for row in rows])
    (folder / "study.toml").write_text(SETTINGS)
    return folder


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    home = invented_study(tmp_path_factory.mktemp("study"), 6)
    return home, mat.run_study(home)


def manifest(home):
    return json.loads((home / "manifest.json").read_text())


def digests(home):
    return manifest(home)["files"]


def test_sites_are_written_in_chunks_with_provenance(ran):
    home, study = ran
    data = study.site("site 2")
    assert data.om_percent.encoding["chunks"][:3] == (1, 1, 1)
    assert data.attrs["Conventions"].startswith("CF-")
    assert data.om_percent.attrs["units"] == "%"
    assert data.total_sand_kg_m2.attrs["units"] == "kg m-2"
    origin = json.loads(data.attrs["provenance"])
    assert origin["settings"]["seed"] == 3
    assert origin["matledger"] == mat.__version__
    assert "blocks of 60 days at a time, 1 degC warmer" in data.attrs["comment"]
    assert mat.open_study(home) == study
    with pytest.raises(mat.InputError, match="site: site 9; expected one of site 0"):
        study.site("site 9")


def test_contrasts_of_sites_and_their_population(ran):
    home, study = ran
    first, second, _ = study.site("site 0")["programme"].values
    found = study.contrasts(first, second)
    course = mat.load_course(home / "sites" / "site 0")
    assert found.sites == tuple(f"site {n}" for n in range(6))
    data = study.site("site 0")
    weights = np.array([green.area_m2 for green in course.greens])
    at_end = np.tensordot(weights / weights.sum(), data.om_percent.values[:, :, -1, 0], axes=(0, 1))
    assert found.means[0] == pytest.approx((at_end[0] - at_end[1]).mean())
    assert min(found.means) <= found.mean <= max(found.means)
    assert found.new_site[0] < found.interval[0] < found.mean < found.interval[1] < found.new_site[1]
    assert study.contrasts(second, first).mean == pytest.approx(-found.mean)
    assert "population of sites" in repr(found)
    assert {"difference, % OM", "sand in all years, difference, kg/m2"} <= set(found.table().columns)
    sand = data.total_sand_kg_m2.mean("draw")
    assert sand.values == pytest.approx(data.sand_kg_m2.sum("year").values, rel=0.02)
    assert found.sand_difference_kg_m2[0] == pytest.approx(float(sand[0] - sand[1]))
    assert found.sand_intervals[0][0] <= found.sand_difference_kg_m2[0] <= found.sand_intervals[0][1]
    with pytest.raises(mat.InputError, match="pooling: alone"):
        study.population()
    with pytest.raises(mat.InputError, match="programme: none; expected one of") as caught:
        study.contrasts("none", first)
    assert len(caught.value.problems) == 1
    with pytest.raises(mat.InputError, match=r"^quantity: om; expected one of om_percent, om_kg_m2, thickness_mm$"):
        study.contrasts(first, second, quantity="om")


def test_thickness_is_that_of_the_mat(ran):
    _, study = ran
    first, second, _ = study.site("site 0")["programme"].values
    found = study.contrasts(first, second, quantity="thickness_mm")
    data = study.site("site 0")
    mat_mm = data.thickness_mm.sel(sample="thatch-mat layer").isel(date=-1).weighted(data.area_m2).mean("green")
    difference = mat_mm.sel(programme=first) - mat_mm.sel(programme=second)
    assert found.sample == "thatch-mat layer"
    assert found.means[0] == pytest.approx(float(difference.mean()))
    assert 0 not in found.means
    with pytest.raises(mat.InputError, match="sample: 0 to 20 mm; expected the thatch-mat layer: a window is as thick"):
        study.contrasts(first, second, quantity="thickness_mm", sample="0 to 20 mm")


def test_check_names_what_changed(ran, tmp_path, capsys):
    home = shutil.copytree(ran[0], tmp_path / "copy")
    assert mat.check_study(home) == ()
    assert main(["check", str(home)]) == 0
    with (home / "sites" / "site 1" / "work.csv").open("a") as file:
        file.write("\n")
    (home / "sites" / "site 3" / "more.csv").touch()
    shutil.rmtree(home / "results" / "site 4.zarr" / "sand_kg_m2")
    with pytest.raises(mat.InputError) as caught:
        mat.check_study(home)
    said = str(caught.value)
    assert "sites/site 1/work.csv: changed; expected the file as it was" in said
    assert "sites/site 3/more.csv: a file that was not there" in said
    assert "results/site 4.zarr/sand_kg_m2/.zarray: no such file" in said
    assert main(["check", str(home)]) != 0
    assert "work.csv: changed" in capsys.readouterr().err
    written = manifest(ran[0])
    written["versions"]["numpy"] = "0.1"
    (home / "manifest.json").write_text(json.dumps(written))
    shutil.rmtree(home / "sites")
    shutil.rmtree(home / "results")
    shutil.copytree(ran[0] / "sites", home / "sites")
    shutil.copytree(ran[0] / "results", home / "results")
    assert mat.check_study(home) == (f"numpy is {np.__version__}; the results were written with 0.1",)


def test_folders_that_are_no_study(tmp_path):
    home = invented_study(tmp_path, 1)
    shutil.copytree(home / "sites" / "site 0", home / "sites" / "site  0")
    (home / "study.toml").write_text(SETTINGS.replace("seed = 3", "sed = 3").replace("draws = 40", "draws = 19"))
    with pytest.raises(mat.InputError) as caught:
        mat.run_study(home)
    said = str(caught.value)
    assert "study.toml, sed: unknown key" in said
    assert "study.toml, draws: 19; expected a whole number of 20 or more" in said
    assert "sites: 'site 0'; expected a name that differs from 'site  0' by more than spaces or case" in said
    (home / "study.toml").write_text(SETTINGS)
    shutil.rmtree(home / "sites" / "site  0")
    with pytest.raises(mat.InputError, match=r"results/site 0\.zarr: nothing"):
        mat.open_study(home)
    with pytest.raises(mat.InputError, match=r"manifest\.json"):
        mat.check_study(home)


def test_the_answer_does_not_depend_on_the_executor(ran, tmp_path):
    home = invented_study(tmp_path, 3)
    with ThreadPoolExecutor(2) as pool:
        mat.run_study(home, executor=pool)
    wanted = {path: digest for path, digest in digests(ran[0]).items() if path in digests(home)}
    assert digests(home) == wanted


@pytest.mark.filterwarnings("default")
def test_two_dask_workers_one_of_them_killed(ran, tmp_path):
    distributed = pytest.importorskip("distributed")
    home = invented_study(tmp_path, 6)
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        executor = Killing(client)
        mat.run_study(home, executor=executor)
    assert executor.killed
    assert digests(home) == digests(ran[0])


class Killing:
    """The executor of a dask client that loses a worker once six sites were looked at and two are done."""

    def __init__(self, client):
        self.executor, self.killed, self.done = client.get_executor(pure=False), False, 0
        self.process = min(client.run(os.getpid).values())

    def submit(self, function, *arguments):
        future = self.executor.submit(function, *arguments)
        future.add_done_callback(self.kill)
        return future

    def kill(self, _):
        self.done += 1
        if self.done == 8:
            os.kill(self.process, signal.SIGKILL)
            self.killed = True


@pytest.fixture(scope="module")
def pooled(tmp_path_factory):
    home = invented_study(tmp_path_factory.mktemp("pooled"), 4)
    feed = "".join(f'"site {n}" = {n}.5\n' for n in range(4))
    (home / "study.toml").write_text(f'{SETTINGS}pooling = "pooled"\n[covariates.feed]\n{feed}')
    told = []
    return home, mat.run_study(home, progress=told.append), told


def test_a_pooled_study_is_that_of_fit_sites(pooled):
    home, study, told = pooled
    assert told == list(range(1, 13))
    population = study.population()
    assert population.effects.shape == (40, 2)
    assert population.covariates["feed"][0] == pytest.approx(2.0)
    courses = [replace(mat.load_course(home / "sites" / name), name=name) for name in study.sites]
    feed = {"feed": {f"site {n}": n + 0.5 for n in range(4)}}
    beside = mat.fit_sites(courses, covariates=feed, draws=4000, seed=9).population
    assert population.effects.mean(axis=0) == pytest.approx(beside.effects.mean(axis=0), abs=4 / 40**0.5)
    first, second, _ = study.site("site 0")["programme"].values
    found = study.contrasts(first, second)
    assert found.pooling == "pooled"
    by_draw = []
    for name in study.sites:
        data = study.site(name)
        weights = data.area_m2.values / data.area_m2.values.sum()
        om = data.om_percent.values[:, :, -1, 0]
        by_draw.append(weights @ (om[0] - om[1]))
    assert found.mean == pytest.approx(np.mean(by_draw))
    assert found.interval == pytest.approx(tuple(np.quantile(np.mean(by_draw, axis=0), [0.05, 0.95])))
    assert found.new_site[1] - found.new_site[0] > found.interval[1] - found.interval[0]
    assert "mean of these sites" in repr(found)
    for quantity in ("om_kg_m2", "thickness_mm"):
        assert data[f"new_site_{quantity}"].attrs["units"] == data[quantity].attrs["units"]
        assert np.isfinite(study.contrasts(first, second, quantity=quantity).new_site).all()


def test_sites_of_different_methods_are_not_set_side_by_side(ran, tmp_path):
    home = shutil.copytree(ran[0], tmp_path / "copy")
    for name in (".zattrs", ".zmetadata"):
        file = home / "results" / "site 2.zarr" / name
        text = file.read_text()
        assert "360 C" in text
        file.write_text(text.replace("360 C, 440 C", "360 C"))
    study = mat.open_study(home)
    first, second, _ = study.site("site 0")["programme"].values
    with pytest.raises(
        mat.InputError, match=r"site site 2, method: 360 C; expected the methods of the other courses: 360 C, 440 C"
    ):
        study.contrasts(first, second)


def test_a_pooled_study_comes_out_again_whoever_runs_it(pooled):
    home, _, _ = pooled
    assert mat.check_study(home) == ()
    with ThreadPoolExecutor(2) as pool:
        assert mat.check_study(home, again=True, executor=pool) == ()


def test_results_of_another_seed_are_found_out(ran, tmp_path):
    home = shutil.copytree(ran[0], tmp_path / "copy")
    (home / "study.toml").write_text(SETTINGS.replace("seed = 3", "seed = 4"))
    forged = manifest(home)
    forged["settings"]["seed"] = 4
    forged["files"]["study.toml"] = hashlib.sha256((home / "study.toml").read_bytes()).hexdigest()
    (home / "manifest.json").write_text(json.dumps(forged))
    with pytest.raises(mat.InputError) as caught:
        mat.check_study(home)
    # once for the study, and not again as the seed of each site that is made of it
    assert str(caught.value) == "results, seed: 3; expected that of this study: 4"


def test_settings_that_were_changed_are_told_by_key_and_once(ran, tmp_path):
    home = shutil.copytree(ran[0], tmp_path / "copy")
    (home / "study.toml").write_text(SETTINGS.replace("years = 2", "years = 3"))
    origin = home / "results" / "site 2.zarr" / ".zattrs"
    text = origin.read_text()
    assert '\\"shift_c\\": 1' in text
    origin.write_text(text.replace('\\"shift_c\\": 1', '\\"shift_c\\": 2'))
    with pytest.raises(mat.InputError) as caught:
        mat.check_study(home)
    said = str(caught.value).splitlines()
    assert said.count("study.toml, years: 3; expected as when the study was run: 2") == 1
    assert said.count("results, years: 2; expected that of this study: 3") == 1
    assert said.count("results/site 2.zarr, shift_c: 2.0; expected that of this study: 1.0") == 1
    assert not [line for line in said if "{" in line]


def test_a_study_that_was_not_run_is_checked_and_says_so(tmp_path, capsys):
    home = invented_study(tmp_path, 3)
    assert main(["check", str(home)]) == 2
    said = capsys.readouterr().err
    assert said == (
        "manifest.json: no such file; expected results: run the study; its settings and its sites have no problem\n"
    )
    for number, (file, old, new) in enumerate(
        [
            ("soil_tests.csv", "date,", "dat,"),
            ("course.toml", "[growth]", "[grwth]"),
            ("work.csv", ",coring,", ",coreing,"),
        ]
    ):
        path = home / "sites" / f"site {number}" / file
        path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    for look in (mat.check_study, mat.run_study):
        with pytest.raises(mat.InputError) as caught:
            look(home)
        said = str(caught.value)
        for place in ("sites/site 0/soil_tests.csv", "sites/site 1/course.toml", "sites/site 2/work.csv"):
            assert place in said
        assert ("run the study" in said) == (look is mat.check_study)
        assert "have no problem" not in said


def test_a_programme_that_one_site_lacks_is_told_before_the_run(tmp_path, monkeypatch):
    home = invented_study(tmp_path, 3)
    path = home / "sites" / "site 1" / "course.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"sand only"', '"sand ony"'), encoding="utf-8")

    def begun(*_):
        raise InterruptedError

    monkeypatch.setattr("matledger.study_folder.run_site", begun)
    with pytest.warns(mat.UnusualWarning) as warned, pytest.raises(InterruptedError):
        mat.run_study(home)
    assert [str(each.message) for each in warned] == [
        "sites, programme 'sand only': not at site 1; contrasts take programmes that every site has",
        "sites, programme 'sand ony': at site 1 only; contrasts take programmes that every site has",
    ]


def test_a_site_that_was_run_and_is_gone_is_missed(ran, tmp_path):
    home = shutil.copytree(ran[0], tmp_path / "copy")
    shutil.rmtree(home / "sites" / "site 1")
    missed = r"^sites/site 1: no folder; expected the site, as it was when the study was run"
    with pytest.raises(mat.InputError, match=missed):
        mat.open_study(home)
    shutil.rmtree(home / "results" / "site 1.zarr")
    with pytest.raises(mat.InputError, match=missed):
        mat.open_study(home)
    (home / "manifest.json").unlink()
    assert mat.open_study(home).sites == tuple(f"site {n}" for n in (0, 2, 3, 4, 5))


def test_a_forged_result_is_found_out_by_running_again(pooled, tmp_path):
    home = shutil.copytree(pooled[0], tmp_path / "copy")
    chunk = next((home / "results" / "site 1.zarr" / "om_percent").glob("0.0.0*"))
    chunk.write_bytes(bytes([chunk.read_bytes()[0] ^ 1]) + chunk.read_bytes()[1:])
    place = chunk.relative_to(home).as_posix()
    with pytest.raises(mat.InputError, match=re.escape(f"{place}: changed")):
        mat.check_study(home)
    forged = manifest(home)
    forged["files"][place] = hashlib.sha256(chunk.read_bytes()).hexdigest()
    (home / "manifest.json").write_text(json.dumps(forged))
    assert mat.check_study(home) == ()
    with pytest.raises(mat.InputError, match=re.escape(f"{place}: does not come out again")):
        mat.check_study(home, again=True)


def test_covariates_of_a_study_are_read_with_care(pooled, tmp_path):
    home = invented_study(tmp_path, 3)

    def said(settings):
        (home / "study.toml").write_text(SETTINGS + settings)
        with pytest.raises(mat.InputError) as caught:
            mat.run_study(home)
        return str(caught.value)

    table = '[covariates.feed]\n"site 0" = 1\n"site 1" = 2\n'
    assert "covariates: given; expected none, or pooling" in said(table)
    pooled_too = said('pooling = "pooled"\nyeers = 2\n' + table)
    assert "yeers: unknown key" in pooled_too
    assert "covariates: given" not in pooled_too
    assert "study.toml, covariates.feed.site 0: '1'; expected a number" in said(
        'pooling = "pooled"\n' + table.replace("= 1", '= "1"')
    )
    misnamed = said('pooling = "pooled"\n' + table + '"siet 2" = 3\n')
    assert "study.toml, covariates.feed.siet 2: 3; expected a site of the study (nearest: site 2)" in misnamed
    assert "study.toml, covariates.feed.site 2: not given; expected a number" in misnamed
    assert "pooling: both; expected alone or pooled" in said('pooling = "both"\n')
    assert "covariates: 3; expected a table" in said('pooling = "pooled"\ncovariates = 3\n')
