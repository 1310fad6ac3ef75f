import json
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

import matledger as mat
from matledger.demo import HERE, demo_folder
from matledger.demo.__main__ import main
from matledger.demo.make import make


@pytest.fixture(scope="module")
def calibration():
    return mat.calibrate(mat.demo_course(), draws=1000, seed=1)


@pytest.fixture(scope="module")
def comparison(calibration):
    return mat.compare(calibration, years=2, draws=100, weather_sequences=5, seed=1)


@pytest.fixture(scope="module")
def truth():
    return json.loads((HERE / "truth.json").read_text())


def python(code, **environment):
    return subprocess.run(
        [sys.executable, "-c", code], env=os.environ | environment, capture_output=True, text=True, check=True
    ).stdout


def test_the_course_is_whole():
    course = mat.load_course(demo_folder())
    assert course == mat.demo_course()
    assert course.invented
    assert "NOAA" in course.note
    assert course.weather.years == (2012, 2013, 2014, 2015)
    assert len(course.greens) == 9
    assert all(350 <= green.area_m2 <= 750 for green in course.greens)
    assert len({green.area_m2 for green in course.greens}) == 9
    assert {test.window for test in course.soil_tests} == {(0, 20), (20, 40), (40, 60)}
    assert {record.green for record in course.clippings} == {"Knoll", "Tarn", "Spinney", "Dell"}
    assert {record.work.kind for record in course.work} == {"coring", "topdressing", "vertical_mowing"}
    assert len(course.programmes) == 3


def test_the_generator_reproduces_the_committed_files(tmp_path):
    make(tmp_path)
    names = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    assert names == sorted([*(Path("course", path.name) for path in demo_folder().iterdir()), Path("truth.json")])
    for name in names:
        assert (tmp_path / name).read_bytes() == (HERE / name).read_bytes(), name


def test_the_weather_is_the_public_record():
    """The same days and values as the copy under tests/checks, which came by another way."""
    checks = Path(__file__).parents[1] / "checks" / "seattle_weather.csv"
    rows = [line for line in checks.read_text().splitlines() if not line.startswith("#")]
    assert (demo_folder() / "weather.csv").read_text().splitlines() == rows


def test_the_truth_is_not_the_prior(calibration, truth):
    assert list(truth["values"]) == list(truth["coordinates"]) == list(calibration.names)
    shared = [name for name, *_ in type(calibration.site).unknowns()]
    assert all(abs(truth["coordinates"][name]) > 0.1 for name in shared)
    natural = calibration.site.natural(np.array([list(truth["coordinates"].values())]))[0]
    assert natural == pytest.approx(list(truth["values"].values()), rel=1e-4)


def test_recovery(calibration, truth):
    """Readings simulated anew thirty times at this truth gave shares from 0.76 to 0.98, mean 0.94."""
    assert calibration.converged
    low, high = np.quantile(calibration.draws, [0.05, 0.95], axis=0)
    true = np.array([truth["values"][name] for name in calibration.names])
    inside = (low <= true) & (true <= high)
    missed = [name for name, held in zip(calibration.names, inside, strict=True) if not held]
    print(f"\n90 % intervals hold {inside.sum()} of {inside.size} true values; not {', '.join(missed)}")
    assert inside.mean() >= 0.75


def test_residuals_are_as_large_as_stated(calibration):
    residuals = np.array(calibration.tests().columns["residual_sd"])
    assert abs(residuals.mean()) < 0.2
    assert 0.8 < residuals.std() < 1.2


def test_pickling(calibration, comparison):
    for whole in (calibration.course, calibration, comparison):
        again = pickle.loads(pickle.dumps(whole))
        assert again == whole
        assert type(again) is type(whole)
    again = pickle.loads(pickle.dumps(comparison))
    assert again.dates == comparison.dates
    assert again.samples == comparison.samples
    assert np.array_equal(again.probability_all, comparison.probability_all)
    assert again.calendars == comparison.calendars
    assert again.summary() == comparison.summary()
    assert again.calibration.taught() == calibration.taught()


def test_shapes(comparison):
    assert comparison.names == ("twice 12.7 mm", "three times 9.5 mm", "sand only")
    assert comparison.samples == ("0 to 20 mm", "20 to 40 mm", "40 to 60 mm", "thatch-mat layer")
    shape = (3, 9, 3, 4, 100)
    assert comparison.om_percent.shape == comparison.om_kg_m2.shape == comparison.thickness_mm.shape == shape
    assert comparison.surface_mm.shape == (3, 9, 3, 100)
    assert comparison.ledgers.shape == (3, 9, 2, 2, 7)
    assert comparison.work.shape == (3, 2, 5)
    assert comparison.probability.shape == (3, 9, 3)
    assert comparison.probability_all.shape == (3, 3)
    assert np.isfinite(comparison.om_percent).all()


def test_ledgers_close(comparison):
    start, gained, respired, cored, mown, below, end = np.moveaxis(comparison.ledgers, -1, 0)
    assert start + gained == pytest.approx(respired + cored + mown + below + end, rel=1e-9)


def test_programmes_start_from_the_same_ground(comparison):
    assert np.array_equal(comparison.om_percent[0, :, 0], comparison.om_percent[1, :, 0])
    assert not np.array_equal(comparison.om_percent[0, :, 1], comparison.om_percent[1, :, 1])


def test_seeds(calibration, comparison):
    options = {"years": 2, "draws": 100, "weather_sequences": 5}
    assert mat.compare(calibration, **options, seed=1) == comparison
    assert mat.compare(calibration, **options, seed=2) != comparison
    course = calibration.course
    assert mat.calibrate(course, draws=1000, seed=1) == calibration
    assert mat.calibrate(course, draws=1000, seed=2) != calibration


def test_threads_do_not_change_a_number():
    code = (
        "import hashlib, matledger as mat\n"
        "calibration = mat.calibrate(mat.demo_course(), draws=40, seed=3)\n"
        "found = mat.compare(calibration, years=1, weather_sequences=4, seed=3)\n"
        "arrays = (calibration.mode, calibration.coordinates, found.om_percent, found.surface_mm, found.ledgers)\n"
        "print(hashlib.sha256(b''.join(array.tobytes() for array in arrays)).hexdigest())\n"
    )
    assert python(code, RAYON_NUM_THREADS="1") == python(code, RAYON_NUM_THREADS="4")


@pytest.mark.skipif(sys.platform == "win32", reason="sends SIGINT")
@pytest.mark.parametrize(
    "long",
    [
        "mat.compare(calibration, years=40, draws=None, progress=say)",
        "[mat.calibrate(course, draws=1, progress=say) for _ in range(10_000)]",
    ],
)
def test_ctrl_c(long, hears_ctrl_c):
    code = (
        "import matledger as mat\n"
        "course = mat.demo_course()\n"
        "calibration = mat.calibrate(course, draws=4000)\n"
        "said = []\n"
        "def say(done):\n"
        "    if not said:\n"
        "        said.append(print('started', flush=True))\n"
        "try:\n"
        f"    {long}\n"
        "except KeyboardInterrupt:\n"
        "    print('stopped')\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    guard = threading.Timer(120, process.kill)
    guard.start()
    try:
        assert process.stdout.readline() == "started\n"
        time.sleep(0.3)
        assert process.poll() is None
        asked = time.monotonic()
        process.send_signal(signal.SIGINT)
        assert process.communicate()[0] == "stopped\n"
        assert time.monotonic() - asked < 2
    finally:
        guard.cancel()
        process.kill()
        process.wait()


def test_import_leaves_heavy_packages_alone():
    heavy = "{'pandas', 'polars', 'xarray', 'matplotlib', 'scipy', 'jinja2', 'vega_datasets'}"
    code = f"import sys, matledger; matledger.demo_course(); print(sorted({heavy} & set(sys.modules)))"
    assert python(code) == "[]\n"


class TestMain:
    """`python -m matledger.demo OUT`."""

    def test_everything_is_written(self, tmp_path, capsys):
        out = tmp_path / "out"
        (out / "tables").mkdir(parents=True)
        (out / "tables" / "old.csv").touch()
        assert main([str(out)]) == 0
        said = capsys.readouterr().out.splitlines()
        assert len(said) <= 10
        assert "Brackenwisp Down" in said[0]
        assert str(out / "report.html") in said[-1]
        assert sorted(path.name for path in out.iterdir()) == ["plots", "report.html", "tables"]
        tables = sorted(path.name for path in (out / "tables").iterdir())
        stems = ["by_green", "by_year", "contrasts", "costs", "ledger", "regret", "summary"]
        stems += ["tests_and_model", "what_the_tests_taught"]
        assert tables == [f"{stem}.{suffix}" for stem in stems for suffix in ("csv", "txt")]
        plots = list((out / "plots").iterdir())
        assert len(plots) == 2 + 3 + 2 * 9
        assert all(plot.read_bytes().startswith(b"\x89PNG") for plot in plots)
        assert "<html" in (out / "report.html").read_text(encoding="utf-8")
        assert list(tmp_path.iterdir()) == [out]

    def test_nothing_is_left_of_a_run_that_fails(self, tmp_path, monkeypatch, capsys):
        def full(*_):
            raise OSError("disk full")

        monkeypatch.setattr("matledger.demo.__main__._save_plots", full)
        monkeypatch.setattr("matledger.demo.__main__.DRAWS", 20)
        out = tmp_path / "out"
        out.mkdir()
        (out / "report.html").write_text("old")
        assert main([str(out)]) == 1
        assert "disk full" in capsys.readouterr().err
        assert (out / "report.html").read_text() == "old"
        assert list(tmp_path.iterdir()) == [out]

    @pytest.mark.parametrize("name", ["notes.txt", "course.toml"])
    def test_a_folder_of_the_user_is_left_alone(self, tmp_path, name, capsys):
        (tmp_path / name).write_text("mine")
        with pytest.raises(SystemExit):
            main([str(tmp_path)])
        assert name in capsys.readouterr().err
        with pytest.raises(SystemExit):
            main([str(tmp_path / name)])
        assert (tmp_path / name).read_text() == "mine"
