"""Killed, crowded, out of room: nothing is half written, and the answers stay the same.

``MATLEDGER_FAULTS=50 python -m pytest tests/python/test_faults.py`` kills each writer 50 times; CI does it a few times.
"""

import csv
import errno
import io
import os
import pickle
import random
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
from few_greens import demo_greens

import matledger as mat
from matledger.budget_files import write_budget

TIMES = int(os.environ.get("MATLEDGER_FAULTS", "1"))
NUTS = {"method": "nuts", "chains": 2, "tune": 10, "draws": 6, "seed": 3}
PRICES = mat.Prices(
    currency="EUR", crew_per_h=25, machine_per_h={"corer": 40, "vehicle": 15, "spreader": 30}, sand_per_t=40
)

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="kills by signal, mounts a small disk")


def one_green():
    course = demo_greens(1)
    return replace(course, programmes=course.programmes[:2])


@pytest.fixture(scope="module")
def course():
    return one_green()


@pytest.fixture(scope="module")
def comparison(course):
    calibration = mat.calibrate(course, draws=30, seed=1)
    return mat.compare(calibration, years=2, draws=30, weather_sequences=3, prices=PRICES)


@pytest.fixture(scope="module")
def kept(comparison, course, tmp_path_factory):
    """A pickled comparison and course, for other processes to start from."""
    path = tmp_path_factory.mktemp("kept") / "kept.pickle"
    path.write_bytes(pickle.dumps((comparison, course)))
    return path


@pytest.fixture
def short_blocks(monkeypatch):
    """Checkpoints after every second draw, as in the processes of `start`: a block has a random stream of its own."""
    monkeypatch.setattr("matledger.calibration.chains.BLOCK", 2)


def start(kept, job, *arguments, writes=True):
    """Start a process that has loaded all that it needs, and return it once it is about to do its job."""
    code = (
        "import pickle, sys\n"
        "from pathlib import Path\n"
        "import matledger as mat, matledger.reporting, matledger.calibration.chains as chains\n"
        "from matledger.budget_files import write_budget\n"
        f"{'import jinja2, matplotlib.pyplot, typst, xlsxwriter' if writes else ''}\n"
        f"NUTS = {NUTS!r}\n"
        "chains.BLOCK = 2\n"
        "comparison, course = pickle.loads(Path(sys.argv[1]).read_bytes())\n"
        "out = Path(sys.argv[2])\n"
        "print('ready', flush=True)\n" + job
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, kept, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "ready\n", process.communicate()[1]
    return process


WRITE = {
    "html": (lambda comparison, path: mat.report(comparison, path), "mat.report(comparison, out)"),
    "pdf": (lambda comparison, path: mat.report(comparison, path), "mat.report(comparison, out)"),
    "xlsx": (lambda comparison, path: write_budget(comparison.budget, path), "write_budget(comparison.budget, out)"),
    "csv": (lambda comparison, path: write_budget(comparison.budget, path), "write_budget(comparison.budget, out)"),
}


def assert_whole(path):
    data = path.read_bytes()
    if path.suffix == ".html":
        assert data.startswith(b"<!doctype html>") or data.startswith(b"<!DOCTYPE html>")
        assert data.rstrip().endswith(b"</html>")
    elif path.suffix == ".pdf":
        assert len(pypdf.PdfReader(path).pages) > 1
    elif path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            assert book.testzip() is None
    else:
        rows = list(csv.reader(io.StringIO(data.decode())))
        assert len({len(row) for row in rows}) == 1
        assert len(rows) > 4


def drafts(folder):
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


@pytest.mark.parametrize("ending", WRITE)
def test_a_killed_writer_leaves_the_old_file_or_the_new_one(ending, kept, comparison, tmp_path):
    write, job = WRITE[ending]
    out = tmp_path / f"plan.{ending}"
    write(comparison, out)
    started = time.perf_counter()
    write(comparison, out)
    takes_s = min(time.perf_counter() - started, 2.0)
    old = b"what was there before"
    chance = random.Random(ending)
    for _ in range(TIMES):
        out.write_bytes(old)
        process = start(kept, f"while True:\n    {job}", out)
        time.sleep(chance.uniform(0, 2 * takes_s))
        process.kill()
        assert process.communicate()[1] == ""
        if out.read_bytes() != old:
            assert_whole(out)
    write(comparison, out)
    assert_whole(out)


def test_a_killed_fit_goes_on_to_the_same_draws(kept, course, tmp_path, short_blocks):
    straight = mat.calibrate(course, **NUTS).chains.coordinates
    path = tmp_path / "chains.npz"
    job = "mat.calibrate(course, **NUTS, checkpoint=out)\nprint('done', flush=True)"
    process = start(kept, job, path, writes=False)
    started = time.perf_counter()
    assert process.communicate() == ("done\n", "")
    takes_s = time.perf_counter() - started
    path.unlink()

    def assert_the_same():
        resumed = mat.calibrate(course, **NUTS, checkpoint=path)
        assert np.array_equal(resumed.chains.coordinates, straight)

    chance = random.Random(5)
    killed = 0
    while killed < TIMES:
        process = start(kept, job, path, writes=False)
        time.sleep(chance.uniform(0, takes_s))
        process.kill()
        said, wrong = process.communicate()
        assert wrong == ""
        killed += said == ""
        if said == "done\n":  # what is whole cannot be killed half way: the next begins anew
            assert_the_same()
            path.unlink()
    assert_the_same()


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 128 kB, or a skip where none may be mounted."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", folder]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no right to mount a small disk")
    yield folder
    subprocess.run(["umount", folder], check=True)


@pytest.mark.parametrize("ending", ["html", "pdf"])
def test_a_full_disk_leaves_what_was_there(ending, comparison, small_disk):
    out = small_disk / f"plan.{ending}"
    out.write_text("what was there before")
    (small_disk / "rest").write_bytes(bytes(100_000))
    with pytest.raises(OSError, match=r"No space left") as caught:
        mat.report(comparison, out)
    assert caught.value.errno == errno.ENOSPC
    assert out.read_text() == "what was there before"
    assert drafts(small_disk) == []


@pytest.mark.parametrize("ending", WRITE)
def test_a_file_that_may_not_grow_leaves_what_was_there(ending, kept, tmp_path):
    out = tmp_path / f"plan.{ending}"
    out.write_text("what was there before")
    limit = "import resource\nresource.setrlimit(resource.RLIMIT_FSIZE, (300, 300))\n"
    process = start(kept, f"{limit}{WRITE[ending][1]}", out)
    _, said = process.communicate()
    assert process.returncode == 1
    assert "File too large" in said.splitlines()[-1]
    assert out.read_text() == "what was there before"
    assert drafts(tmp_path) == []


def run_cli(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "matledger.cli", *map(str, arguments)], capture_output=True, text=True, check=False
    )


def test_a_read_only_folder_is_read_and_not_written(small_disk, tmp_path):
    folder = small_disk / "course"
    assert run_cli("new", folder).returncode == 0
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    assert run_cli("check", folder).returncode == 0
    quick = ("--draws", "20", "--years", "1", "--quiet")
    here = run_cli("report", folder, *quick)
    assert (here.returncode, len(here.stderr.splitlines())) == (4, 1), here.stderr
    assert "Read-only file system" in here.stderr
    there = run_cli("report", folder, *quick, "--out", tmp_path / "plan.html")
    assert there.returncode in (0, 3), there.stderr
    assert_whole(tmp_path / "plan.html")


@pytest.mark.parametrize("ending", ["html", "pdf", "xlsx"])
def test_two_processes_may_write_one_file(ending, kept, tmp_path):
    out = tmp_path / f"plan.{ending}"
    both = [start(kept, f"for _ in range(2):\n    {WRITE[ending][1]}", out) for _ in range(2)]
    assert [process.communicate()[1] for process in both] == ["", ""]
    assert_whole(out)
    assert drafts(tmp_path) == []


def test_two_commands_may_work_on_one_course(tmp_path):
    folder = tmp_path / "course"
    assert run_cli("new", folder).returncode == 0
    arguments = ("report", folder, "--draws", "20", "--years", "1", "--quiet", "--out", folder / "plan.html")
    command = [sys.executable, "-m", "matledger.cli", *map(str, arguments)]
    both = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    said = [process.communicate() for process in both]
    assert said[0] == said[1]
    assert [wrong for _, wrong in said] == ["", ""]
    assert_whole(folder / "plan.html")
    assert drafts(folder) == []


def test_two_fits_may_share_a_checkpoint(kept, course, tmp_path, short_blocks):
    path = tmp_path / "chains.npz"
    both = [start(kept, "mat.calibrate(course, **NUTS, checkpoint=out)", path, writes=False) for _ in range(2)]
    assert [process.communicate()[1] for process in both] == ["", ""]
    assert np.array_equal(
        mat.calibrate(course, **NUTS, checkpoint=path).chains.coordinates,
        mat.calibrate(course, **NUTS).chains.coordinates,
    )


def test_ctrl_c_at_any_moment_is_said_in_one_word(kept, tmp_path, hears_ctrl_c):
    folder = tmp_path / "course"
    assert run_cli("new", folder).returncode == 0
    arguments = [
        "report",
        str(folder),
        "--draws",
        "200",
        "--years",
        "10",
        "--out",
        str(tmp_path / "plan.html"),
        "--quiet",
    ]
    job = f"from matledger.cli import main\nprint('go', flush=True)\nsys.exit(main({arguments!r}))"
    process = start(kept, job, tmp_path)
    assert process.stdout.readline() == "go\n"
    started = time.perf_counter()
    assert process.communicate()[1] == ""
    takes_s = time.perf_counter() - started
    assert_whole(tmp_path / "plan.html")
    chance = random.Random(7)
    stopped = 0
    for _ in range(2 * TIMES):
        process = start(kept, job, tmp_path)
        assert process.stdout.readline() == "go\n"
        time.sleep(chance.uniform(0, takes_s))
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
        stopped += process.returncode == 130
        assert (process.returncode, said) in ((130, "stopped\n"), (0, ""), (3, ""), (-signal.SIGINT, ""))
        assert_whole(tmp_path / "plan.html")
        assert drafts(tmp_path) == []
    assert stopped


def answer(course):
    calibration = mat.calibrate(course, draws=20, seed=1)
    return mat.compare(calibration, years=1, draws=20, weather_sequences=2).om_percent


def test_eight_python_threads_get_the_answer_of_one(course):
    alone = answer(course)
    with ThreadPoolExecutor(8) as pool:
        for found in pool.map(answer, [course] * 8):
            assert np.array_equal(found, alone)


POOLS = """
import multiprocessing, sys, warnings
from concurrent.futures import ProcessPoolExecutor
from test_faults import answer, one_green
import matledger as mat
if __name__ == "__main__":
    warnings.simplefilter("ignore")  # CPython 3.12 warns of any fork of a process with threads
    course = one_green()
    alone = answer(course)
    with ProcessPoolExecutor(3, mp_context=multiprocessing.get_context(sys.argv[1])) as pool:
        print(all((found == alone).all() for found in pool.map(answer, [course] * 6)))
"""


@pytest.mark.parametrize("how", ["fork", "spawn", "forkserver"])
def test_pools_of_processes_get_the_answer_of_one(how, tmp_path):
    script = tmp_path / "pools.py"
    script.write_text(POOLS)
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent)}
    ran = subprocess.run(
        [sys.executable, script, how], capture_output=True, text=True, check=False, timeout=120, env=environment
    )
    assert (ran.stdout, ran.stderr) == ("True\n", "")
