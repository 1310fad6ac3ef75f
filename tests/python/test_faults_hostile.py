"""A course folder that somebody else made: it changes nothing outside, and what it says shows as text."""

import contextlib
import csv
import os
import subprocess
import sys
from pathlib import Path

import openpyxl
import pypdf
import pytest

import matledger as mat
from matledger import cli

NAMES = (
    "=HYPERLINK(A1)",
    "<script>alert(1)</script>",
    '#eval("1+1") $x^2$ *b* @l',
    "../../escape",
    "\\u202e {{7*7}} {% raw %}",
    "' OR 1=1; --",
)
MONEY = """
[prices]
currency = "EUR"
crew_per_h = 25
machine_per_h = { corer = 40, vehicle = 15, spreader = 30 }
sand_per_t = 40
"""


@pytest.fixture
def hostile(tmp_path):
    """A starter course whose every name is markup, a formula or a path."""
    folder = tmp_path / "in" / "course"
    folder.parent.mkdir()
    assert cli.main(["new", str(folder)]) == cli.OK
    course = (folder / "course.toml").read_text(encoding="utf-8")
    quoted = ["'''" + name + "'''" for name in NAMES]
    for old, new in {
        '"My course"': quoted[1],
        'name = "1"': f"name = {quoted[0]}",
        'name = "2"': f"name = {quoted[2]}",
        '"present"': quoted[3],
        '"twice, and light sand"': quoted[4],
    }.items():
        assert old in course
        course = course.replace(old, new)
    (folder / "course.toml").write_text(course + MONEY, encoding="utf-8")
    path = folder / "soil_tests.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    green = rows[0].index("green")
    for row in rows[1:]:
        row[green] = NAMES[0] if row[green] == "1" else NAMES[2]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    return folder


def everything(folder):
    return {path: path.read_bytes() if path.is_file() else None for path in sorted(folder.rglob("*"))}


QUICK = ("--draws", "20", "--years", "1", "--quiet")


def test_nothing_is_written_but_what_was_asked_for(hostile, tmp_path):
    before = everything(tmp_path)
    for command in ("check", "fit", "compare"):
        quick = {"check": (), "fit": ("--draws", "20", "--quiet"), "compare": QUICK}[command]
        assert cli.main([command, str(hostile), *quick]) in (cli.OK, cli.NO_PROGRAMME)
    assert everything(tmp_path) == before
    assert cli.main(["report", str(hostile), *QUICK, "--budget", str(hostile / "budget.csv")]) in (
        cli.OK,
        cli.NO_PROGRAMME,
    )
    after = everything(tmp_path)
    assert {path.name for path in after.keys() - before.keys()} == {"plan.pdf", "budget.csv"}
    assert {path: after[path] for path in before} == before


def test_names_show_as_text(hostile, tmp_path):
    course = mat.load_course(hostile)
    comparison = mat.compare(mat.calibrate(course, draws=20), years=1, draws=20, weather_sequences=2)
    page = mat.report(comparison, tmp_path / "plan.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "{{7*7}}" in page
    said = "".join(p.extract_text() for p in pypdf.PdfReader(mat.report(comparison, tmp_path / "plan.pdf")).pages)
    assert "alert(1)" in said
    assert "eval" in said
    assert cli.main(["report", str(hostile), *QUICK, "--budget", str(tmp_path / "b.xlsx")]) in (
        cli.OK,
        cli.NO_PROGRAMME,
    )
    book = openpyxl.load_workbook(tmp_path / "b.xlsx")
    formulas = [c.value for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"]
    assert formulas
    assert not any("HYPERLINK" in formula for formula in formulas)


def test_a_link_at_the_place_of_a_page_is_replaced_and_not_followed(hostile, tmp_path):
    outside = tmp_path / "outside.txt"
    outside.write_text("mine", encoding="utf-8")
    (hostile / "plan.pdf").symlink_to(outside)
    assert cli.main(["report", str(hostile), *QUICK]) in (cli.OK, cli.NO_PROGRAMME)
    assert outside.read_text(encoding="utf-8") == "mine"
    assert not (hostile / "plan.pdf").is_symlink()


@pytest.mark.filterwarnings("ignore::matledger.errors.UnusualWarning")
@pytest.mark.parametrize("number", ["1e308", "1e-308", "9" * 400, "-0.0", "1_000", "0x10", "nan", "inf", "1e999999999"])
@pytest.mark.parametrize("place", ["om_percent", "area_m2", "sand_mm"])
def test_numbers_without_measure_are_refused_or_computed(hostile, place, number):
    name = {"om_percent": "soil_tests.csv", "area_m2": "course.toml", "sand_mm": "work.csv"}[place]
    path = hostile / name
    text = path.read_text(encoding="utf-8")
    if name == "course.toml":
        text = text.replace("area_m2 = 450", f"area_m2 = {number}")
    else:
        rows = [line.split(",") for line in text.splitlines()]
        column = rows[0].index(place)
        at = column - len(rows[0])  # a name before it may hold commas, none after
        rows[1][at] = number
        text = "\n".join(",".join(row) for row in rows)
    path.write_text(text, encoding="utf-8")
    with contextlib.suppress(mat.InputError):
        course = mat.load_course(hostile)
        mat.calibrate(course, draws=1)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="reads /proc")
@pytest.mark.parametrize("name", ["/dev/zero", "/dev/stdin", "/proc/self/environ"])
def test_devices_are_no_files_of_a_course(hostile, name):
    path = hostile / "course.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('file = "work.csv"', f'file = "{name}"'), encoding="utf-8")
    with pytest.raises(mat.InputError, match=r"work\.file"):
        mat.load_course(hostile)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_in_place_of_a_file_does_not_hang(hostile):
    (hostile / "work.csv").unlink()
    os.mkfifo(hostile / "work.csv")
    ran = subprocess.run(
        [sys.executable, "-m", "matledger.cli", "check", str(hostile)],
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    assert ran.returncode == cli.BAD_INPUT
    assert "not a file" in ran.stderr
