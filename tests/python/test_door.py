"""The door of the command line and of what is written: Ctrl-C, and files that cannot be."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from few_greens import demo_greens

import matledger as mat
from matledger import atomic, cli, commands, reporting
from matledger.budget_files import write_budget

INTERRUPTED = """
import os, signal, sys

from matledger.cli import main


class Presser:
    left = int(sys.argv.pop(1))

    def find_spec(self, name, path=None, target=None):
        Presser.left -= 1
        if not Presser.left:
            os.kill(os.getpid(), signal.SIGINT)


sys.meta_path.insert(0, Presser())
code = main()
print(Presser.left)
sys.exit(code)
"""

UNRAISABLE = """
import os, signal, sys, time
import matledger.commands
from matledger.cli import main


class Deaf:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0)


def run(arguments):
    Deaf()
    time.sleep(5)
    return 0


matledger.commands.run = run
sys.exit(main())
"""

no_windows = pytest.mark.skipif(sys.platform == "win32", reason="sends the signal of Ctrl-C")


def python(code, *arguments, within=()):
    command = [*within, sys.executable, "-c", code, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_the_door_imports_next_to_nothing():
    run = python("import sys; before = set(sys.modules); import matledger.cli; print(*{*sys.modules} - before)")
    allowed = "__future__ matledger matledger.cli signal enum types operator _operator functools _functools"
    also = "collections _collections keyword reprlib itertools"
    assert set(run.stdout.split()) <= {*allowed.split(), *also.split()}


@no_windows
@pytest.mark.parametrize("imports", [1, 2, 3, 10, 40, 100, 160])
def test_ctrl_c_while_modules_are_imported(imports, tmp_path, hears_ctrl_c):
    cli.main(["new", str(tmp_path / "mine")])
    run = python(INTERRUPTED, imports, "compare", tmp_path / "mine", "--draws", "20", "--years", "1", "--quiet")
    assert run.stdout == "0\n"  # it was pressed
    assert (run.returncode, run.stderr) == (cli.STOPPED, "stopped\n")


@no_windows
def test_ctrl_c_where_nothing_can_be_raised(hears_ctrl_c):
    run = python(UNRAISABLE, "check", "somewhere")
    assert (run.returncode, run.stderr) == (cli.STOPPED, "stopped\n")


@no_windows
def test_a_job_that_was_started_deaf_to_ctrl_c_stays_so(tmp_path):
    cli.main(["new", str(tmp_path / "mine")])
    deaf = ["sh", "-c", "trap '' INT; exec \"$@\"", "sh"]
    run = python(INTERRUPTED, 10, "check", tmp_path / "mine", within=deaf)
    assert (run.returncode, run.stderr) == (cli.OK, "")
    assert int(run.stdout.splitlines()[-1]) < 0  # it was pressed


@pytest.mark.parametrize(
    ("method", "page", "advice"),
    [
        ("laplace", "a somewhat narrow normal approximation at the most probable values", "this fit is a quick look"),
        ("nested", "normal approximations at many fill fractions", "this fit is approximate"),
        ("nuts", "4 chains of the No-U-Turn sampler", None),
    ],
)
def test_the_method_that_is_asked_for(method, page, advice, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(commands, "TUNE", 30)
    folder, kept = str(tmp_path / "mine"), tmp_path / "draws.npz"
    cli.main(["new", folder])
    fits, fit = [], commands._fit
    monkeypatch.setattr(commands, "_fit", lambda *given: fits.append(fit(*given)) or fits[0])
    options = ["--draws", "20", "--method", method, *(["--checkpoint", str(kept)] if method == "nuts" else [])]
    assert cli.main(["fit", folder, *options]) == cli.OK
    said = capsys.readouterr().out
    assert said.count(f"note: intervals come from {page}") == 1
    assert said.count("sample before quoting it (method nuts)") == (advice is not None)
    assert advice is None or f"; {advice}" in said
    assert kept.exists() == (method == "nuts")
    comparison = mat.compare(fits[0], years=1, draws=20, weather_sequences=2)
    told = reporting._method(comparison, "metric")[1]
    assert f"Intervals come from {page}," in told
    assert told.endswith(f"The method of the fit is {method}.")
    assert [note for note in comparison.notes if note.startswith("intervals come from")] == [fits[0].notes[0]]
    told = [note for note in fits[0].notes_in_words() if page in note or "sample before quoting it" in note]
    assert len(told) == (advice is not None)  # the page names the method in its own part


@pytest.mark.parametrize("kept", [False, True])
@pytest.mark.parametrize("command", ["fit", "report"])
def test_a_stopped_sampler_ends_the_command(command, kept, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(commands, "TUNE", 30)
    monkeypatch.setattr("matledger.calibration.chains.BLOCK", 5)
    folder, draws = tmp_path / "mine", tmp_path / "draws.npz"
    cli.main(["new", str(folder)])
    capsys.readouterr()
    options = [command, str(folder), "--method", "nuts", "--draws", "20", "--quiet"]
    options += ["--checkpoint", str(draws)] if kept else []

    def stop(_, done):
        if done > 4 * (30 + 5):
            raise KeyboardInterrupt

    with monkeypatch.context() as pressed:
        pressed.setattr(commands.Bar, "show", stop)
        assert cli.main(options) == cli.STOPPED
    how = f"; the same command goes on from {draws}" if kept else " and are lost; with --checkpoint FILE a run goes on"
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith(f"stopped: 5 draws of each chain were made{how}")
    assert said.err.count("\n") == 1
    assert not (folder / "plan.pdf").exists()
    if kept and command == "fit":
        assert cli.main(options) == cli.OK
        assert "the run was stopped" not in capsys.readouterr().out


def test_only_chains_are_kept(tmp_path, capsys):
    cli.main(["new", str(tmp_path / "mine")])
    assert cli.main(["fit", str(tmp_path / "mine"), "--checkpoint", "draws.npz"]) == cli.BAD_INPUT
    assert capsys.readouterr().err == "--checkpoint: draws.npz; expected none, or --method nuts: only chains are kept\n"


def test_a_course_remembers_its_units(tmp_path, capsys):
    folder = str(tmp_path / "mine")
    cli.main(["new", folder, "--units", "us"])
    assert mat.load_course(folder).units == "us"
    quick = ["--draws", "20", "--years", "1", "--quiet"]
    capsys.readouterr()
    cli.main(["compare", folder, *quick])
    assert " in 0 to 0.8 in " in capsys.readouterr().out
    cli.main(["compare", folder, *quick, "--units", "metric"])
    said = capsys.readouterr().out
    assert " in 0 to 0.8 in " not in said
    assert " in 0 to 20.32 mm " in said


# What cannot be written is told before the work, by the name that the user gave.


@pytest.fixture(scope="module")
def calibration():
    return mat.calibrate(demo_greens(1), draws=20)


@pytest.fixture(scope="module")
def comparison(calibration):
    prices = mat.Prices(
        currency="EUR", crew_per_h=25, machine_per_h={"corer": 40, "vehicle": 15, "spreader": 30}, sand_per_t=40
    )
    return mat.compare(calibration, years=1, draws=20, weather_sequences=2, prices=prices)


@pytest.fixture
def no_work(monkeypatch):
    """Let nothing be done that takes long."""

    def worked(*_, **__):
        raise AssertionError("work was done first")

    monkeypatch.setattr("matledger.reporting._content", worked)
    monkeypatch.setattr("matledger.fit_report.predictive_checks", worked)
    monkeypatch.setattr("matledger.fit_report.FitReport.html", worked)
    monkeypatch.setattr("matledger.calibration.fit.build_site", worked)
    monkeypatch.setattr("matledger.study_folder.run_each", worked)
    monkeypatch.setattr("matledger.demo.__main__.calibrate", worked)
    monkeypatch.setattr("matledger.commands._fit", worked)


@pytest.fixture
def study(tmp_path):
    folder = tmp_path / "study"
    cli.main(["new", str(folder / "sites" / "one")])
    (folder / "study.toml").write_text("seed = 1\nyears = 1\ndraws = 20\nweather_sequences = 4\n", encoding="utf-8")
    return folder


@pytest.fixture
def course_folder(tmp_path):
    cli.main(["new", str(tmp_path / "mine")])
    return tmp_path / "mine"


def test_a_report_that_cannot_be_written_is_refused_first(calibration, comparison, tmp_path, no_work):
    fitted = mat.fit_report.FitReport(calibration=calibration, usable=True, sections=(), tables=())
    nowhere = tmp_path / "nowhere"
    for write, path in (
        (lambda path: mat.report(comparison, path), nowhere / "plan.pdf"),
        (lambda path: mat.report_fit(calibration, path), nowhere / "fit.html"),
        (fitted.save, nowhere / "fit.html"),
        (lambda path: mat.calibrate(calibration.course, method="nuts", checkpoint=path), nowhere / "fit.npz"),
    ):
        with pytest.raises(FileNotFoundError) as error:
            write(path)
        assert error.value.filename == str(path)
        path = tmp_path / path.name
        path.mkdir(exist_ok=True)
        with pytest.raises(IsADirectoryError) as error:
            write(path)
        assert error.value.filename == str(path)
    assert not nowhere.exists()


def test_a_checkpoint_is_kept_of_chains_alone(calibration, tmp_path):
    with pytest.raises(mat.InputError, match='expected none, or method="nuts"'):
        mat.calibrate(calibration.course, checkpoint=tmp_path / "fit.npz")


def test_a_study_that_cannot_be_written_is_refused_first(study, no_work):
    (study / "results").write_text("no folder", encoding="utf-8")
    with pytest.raises(FileExistsError) as error:
        mat.run_study(study)
    assert error.value.filename == str(study / "results")
    (study / "results").unlink()
    (study / "manifest.json").mkdir()
    with pytest.raises(IsADirectoryError) as error:
        mat.run_study(study)
    assert error.value.filename == str(study / "manifest.json")
    (study / "manifest.json").rmdir()
    with pytest.raises(AssertionError, match="work was done first"):
        mat.run_study(study)
    assert [path.name for path in (study / "results").iterdir()] == []


@pytest.mark.parametrize("option", ["--out", "--budget"])
def test_the_command_refuses_it_first(option, course_folder, no_work, capsys):
    text = (course_folder / "course.toml").read_text(encoding="utf-8")
    prices = '[prices]\ncurrency = "EUR"\ncrew_per_h = 25\nsand_per_t = 40\n'
    prices += "machine_per_h = { corer = 40, vehicle = 15, spreader = 30 }\n"
    (course_folder / "course.toml").write_text(f"{text}\n{prices}", encoding="utf-8")
    name = {"--out": "page.html", "--budget": "budget.csv"}[option]
    (course_folder / name).mkdir()
    assert cli.main(["report", str(course_folder), option, str(course_folder / name)]) == cli.NO_FILE
    assert capsys.readouterr().err.splitlines() == [f"[Errno 21] Is a directory: '{course_folder / name}'"]
    (course_folder / "plan.pdf").mkdir()
    assert cli.main(["report", str(course_folder)]) == cli.NO_FILE


def test_the_demo_refuses_it_first(tmp_path, no_work, capsys):
    from matledger.demo.__main__ import main

    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main([str(tmp_path / "file" / "out")]) == 1
    assert str(tmp_path / "file") in capsys.readouterr().err


@pytest.mark.parametrize("ending", ["xlsx", "csv"])
def test_a_failure_while_writing_bears_the_users_name(ending, comparison, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left") as error:
        write_budget(comparison.budget, tmp_path / f"b.{ending}")
    assert error.value.filename == str(tmp_path / f"b.{ending}")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_which_writing_fails_bears_the_users_name(tmp_path):
    with pytest.raises(FileNotFoundError) as error, atomic.fresh_folder(tmp_path / "out") as draft:
        (draft / "no" / "file").write_text("x", encoding="utf-8")
    assert error.value.filename == str(tmp_path / "out" / "no" / "file")
    with pytest.raises(FileNotFoundError) as error, atomic.fresh_file(tmp_path / "b.csv") as draft:
        Path("nowhere").read_text(encoding="utf-8")
    assert error.value.filename == "nowhere"


def test_every_writer_takes_its_path_first_and_refuses_another_ending(calibration, tmp_path):
    report = mat.report_fit(calibration, tmp_path / "fit.HTML")
    assert (tmp_path / "fit.HTML").read_text(encoding="utf-8") == report.html()
    assert report.save(str(tmp_path / "fit.txt")).read_text(encoding="utf-8") == f"{report!r}\n"
    for write in (report.save, lambda path: mat.report_fit(calibration, path)):
        with pytest.raises(mat.InputError, match=r"fit.doc; expected a file name ending in .html or .txt"):
            write(tmp_path / "fit.doc")
