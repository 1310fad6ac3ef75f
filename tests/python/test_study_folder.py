import csv
import json
import os
import shutil
import signal
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

import matledger as mat
from matledger.cli import main
from matledger.demo import demo_folder

SETTINGS = "seed = 3\nyears = 2\ndraws = 40\nweather_sequences = 4\nblock_days = 60\nwarmer_c = 1\n"


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


def digests(home):
    return json.loads((home / "manifest.json").read_text())["files"]


def test_sites_are_written_in_chunks_with_provenance(ran):
    home, study = ran
    data = study.site("site 2")
    assert data.om_percent.encoding["chunks"][:3] == (1, 1, 1)
    assert data.attrs["Conventions"].startswith("CF-")
    assert data.om_percent.attrs["units"] == "%"
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
    with pytest.raises(mat.InputError, match="site site 5, programme: none; expected one of"):
        study.contrasts("none", first)


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
    written = json.loads((ran[0] / "manifest.json").read_text())
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
    (home / "study.toml").write_text(SETTINGS.replace("seed = 3", "sed = 3"))
    with pytest.raises(mat.InputError) as caught:
        mat.run_study(home)
    said = str(caught.value)
    assert "study.toml, sed: unknown key" in said
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
    """The executor of a dask client that loses a worker once two sites are done."""

    def __init__(self, client):
        self.executor, self.killed, self.done = client.get_executor(pure=False), False, 0
        self.process = min(client.run(os.getpid).values())

    def submit(self, function, *arguments):
        future = self.executor.submit(function, *arguments)
        future.add_done_callback(self.kill)
        return future

    def kill(self, _):
        self.done += 1
        if self.done == 2:
            os.kill(self.process, signal.SIGKILL)
            self.killed = True
