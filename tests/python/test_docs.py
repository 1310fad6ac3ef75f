"""Pages hold what they say: their code runs, and their tables agree with the code."""

import csv
import doctest
import os
import re
import shlex
import shutil
from pathlib import Path

import pytest

import matledger as mat
from matledger import _core, cli, course, course_file, labour, money, play, tables
from matledger.cautions import CAUTIONS, FIRST
from matledger.records import clippings, holes, soil_tests, weather, work
from matledger.variables import variables

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
PAGES = [page for page in sorted(DOCS.rglob("*.md")) if "_build" not in page.parts]


def text_of(page):
    return (DOCS / page).read_text(encoding="utf-8")


def blocks(text, language):
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def rows(text):
    """Cells of every table row."""
    return [[cell.strip() for cell in line.strip("|\n").split("|")] for line in text.splitlines() if line[:1] == "|"]


@pytest.mark.parametrize(
    "page", [page for page in PAGES if blocks(page.read_text(encoding="utf-8"), "pycon")], ids=lambda page: page.stem
)
def test_what_a_page_types(page, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    session = "\n".join(blocks(page.read_text(encoding="utf-8"), "pycon"))
    told = []
    runner = doctest.DocTestRunner(optionflags=FLAGS)
    runner.run(doctest.DocTestParser().get_doctest(session, {}, page.name, str(page), 0), out=told.append)
    assert runner.failures == 0, "".join(told)
    assert runner.tries > 0


def test_readme_example(capsys):
    (example,) = blocks((ROOT / "README.md").read_text(encoding="utf-8"), "python")
    exec(compile(example, "README.md", "exec"), {})
    said = capsys.readouterr().out
    assert "what the soil tests taught" in said
    assert "P(target) every green" in said
    assert "- the data are invented" in said


def test_sensitivity_example(capsys):
    (example,) = blocks((ROOT / "docs/how-to/sensitivity.md").read_text(encoding="utf-8"), "python")
    exec(compile(example, "sensitivity.md", "exec"), {})
    share = dict(line.split() for line in capsys.readouterr().out.splitlines())
    assert float(share["litter_ratio"]) == pytest.approx(0.83, abs=0.05)
    assert float(share["fill_fraction"]) == pytest.approx(0, abs=0.01)


def test_the_studies_of_the_page_run(tmp_path, monkeypatch):
    """Starter courses in the place of its sites; dask is left to ``test_study_folder.py``."""
    monkeypatch.chdir(tmp_path)
    page = text_of("how-to/studies.md")
    fit, run, _ = blocks(page, "python")
    (settings,) = blocks(page, "toml")
    for site in ("north", "south", "east"):
        assert cli.main(["new", site]) == cli.OK
        course_toml = tmp_path / site / "course.toml"
        text = course_toml.read_text(encoding="utf-8")
        for old, new in (("My course", site), ("present", "core once"), ("twice, and light sand", "core twice")):
            text = text.replace(f'"{old}"', f'"{new}"')
        course_toml.write_text(text, encoding="utf-8")
        shutil.copytree(tmp_path / site, tmp_path / "my-study" / "sites" / site)
    (tmp_path / "my-study" / "study.toml").write_text(settings.replace("draws = 400", "draws = 40"), encoding="utf-8")
    for block in (fit, run):
        exec(compile(block, "studies.md", "exec"), {"mat": mat})
    assert cli.main(["check", "my-study"]) == cli.OK


def test_the_figure_worth_a_look_is_told_as_written(tmp_path):
    (told,) = blocks(text_of("how-to/course-folder.md"), "text")
    (tmp_path / "work.csv").write_text(
        "green,date,work,tine_inside_diameter_mm,spacing_along_mm,spacing_across_mm,depth_mm\n"
        "all,2014-04-14,coring,0.5,50,50,68\n",
        encoding="utf-8",
    )
    with pytest.warns(mat.UnusualWarning) as warned:
        mat.read_work(tmp_path / "work.csv")
    assert told.strip().removeprefix("worth a look: ") in str(warned[0].message)


def test_versions_are_told_a_line_each(capsys):
    mat.show_versions()
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if not re.fullmatch(r"[\w.-]+ +\S.*", line)] == []


def test_every_command_of_a_page_names_what_is_there():
    """Scripts, test files, benchmarks, and tests by the words that pick them."""
    found = 0
    for page in [*ROOT.glob("*.md"), *PAGES]:
        text = page.read_text(encoding="utf-8")
        commands = [(path, "") for path in re.findall(r"python ((?:docs|benches|tests|packaging)/\S+?\.py)", text)]
        rust = re.findall(r"cargo test\s+--test\s+(\w+)(?:\s+(\w+))?", text)
        commands += [(f"tests/{name}.rs", f"fn \\w*{words}") for name, words in rust]
        commands += [(f"benches/{name}.rs", "") for name in re.findall(r"cargo bench --bench (\w+)", text)]
        for path, words in re.findall(r"pytest (?:-s )?(tests/python/\w+\.py)(?: -k (\w+|\"[^\"]+\"))?", text):
            commands += [(path, f"def test\\w*_{word}") for word in words.strip('"').split(" or ")]
        for path, pattern in commands:
            assert (ROOT / path).exists(), (page, path)
            assert re.search(pattern, (ROOT / path).read_text(encoding="utf-8")), (page, path, pattern)
        found += len(commands)
    assert found > 30


def test_course_folder_reads_as_written(tmp_path):
    found = re.findall(
        r"^```\{code-block\} \w+\n:caption: (\S+)\n\n(.*?)^```", text_of("how-to/course-folder.md"), re.M | re.S
    )
    assert {name for name, _ in found} == {
        "course.toml",
        "weather.csv",
        "clippings.csv",
        "soil_tests.csv",
        "work.csv",
        "cover.csv",
    }
    for name, content in found:
        (tmp_path / name).write_text(content, encoding="utf-8")
    read = mat.load_course(tmp_path)
    assert (len(read.greens), len(read.clippings), len(read.soil_tests), len(read.work)) == (2, 2, 2, 2)
    assert (len(read.programmes), len(read.cover)) == (1, 2)
    assert read.prices is not None
    assert read.play is not None
    assert read.target is not None


FILES = {
    "Weather": weather.COLUMNS,
    "Clippings": clippings.COLUMNS,
    "Soil tests": soil_tests.COLUMNS,
    "Work": work.COLUMNS,
    "Cover": holes.COVER,
}
TOML = [
    *course_file.TOP,
    *course_file.WEATHER_FILE,
    *course.GROWTH,
    *course_file.COLUMN,
    *course_file.CLIPPINGS_FILE,
    *course.GREEN,
    *course.METHOD,
    *course_file.PROGRAMME,
    *course_file.STEP,
    *course.TARGET,
    *money.SHARES,
    *play.COLUMNS,
    *labour.MATERIAL,
    *labour.TASK,
]


@pytest.mark.parametrize("section", FILES)
def test_every_column_is_listed_with_what_it_may_say(section):
    part = text_of("how-to/course-folder.md").split(f"\n## {section}\n")[1].split("\n## ")[0]
    listed = {row[0]: row[1] for row in rows(part) if row[0].startswith("`")}
    assert listed == {f"`{column.name}`": column.expected for column in FILES[section]}


def test_every_key_of_course_toml_is_listed_with_what_it_may_say():
    part = text_of("how-to/course-folder.md").split("\n## course.toml\n")[1]
    listed = {(name, row[2]) for row in rows(part) for name in re.findall(r"`(\w+)`", row[1])}
    assert {(key.name, key.expected) for key in TOML} <= listed


def test_the_largest_files_are_those_of_the_code():
    limits = [f"{limit // 1_000_000} MB" for limit in (tables.MAX_BYTES, course_file.MAX_BYTES)]
    for page in (DOCS / "how-to/course-folder.md", ROOT / "SECURITY.md"):
        (line,) = [line for line in page.read_text(encoding="utf-8").splitlines() if " MB" in line]
        assert re.findall(r"\d+ MB", line) == limits, page


CHECKS = ROOT / "tests" / "checks"


def test_the_validation_page_counts_the_rows_of_its_tables():
    part = text_of("validation.md").split("\n## Published values\n")[1].split("\n## ")[0]
    counted = 0
    for files, count, *_ in rows(part):
        if re.fullmatch(r"`[\w/]+\.csv`(, `[\w/]+\.csv`)*", files):
            tables = [(CHECKS / name).open(encoding="utf-8", newline="") for name in re.findall(r"`(.+?)`", files)]
            assert int(count) == sum(len(list(csv.DictReader(table))) for table in tables), files
            for table in tables:
                table.close()
            counted += 1
    assert counted > 10


def test_every_table_of_published_values_is_on_a_page():
    named = text_of("validation.md") + text_of("trials.md")
    data = {"seattle_weather.csv", *(path.name for path in CHECKS.glob("mixed_data_*.csv"))}
    assert [path.name for path in CHECKS.glob("*.csv") if path.name not in data and path.name not in named] == []


def test_symbols_are_names_of_the_registry():
    symbols = text_of("nomenclature.md").split("## Symbols")[1].split("\n## ")[0]
    listed = [(name, row[3]) for row in rows(symbols)[2:] for name in re.findall(r"`(\w+)`", row[1])]
    known = {(name, one.unit) for (name, _), one in variables().items()}
    assert [pair for pair in listed if pair not in known | COLUMN_ONLY] == []


COLUMN_ONLY = {("mineral", "g/m2"), ("young", "g/m2"), ("old", "g/m2"), ("densities", "g/cm3")}
"""Names of the crate alone."""


def test_priors_are_those_of_the_code():
    listed = {row[0]: row[1:4] for row in rows(text_of("model.md")) if len(row) == 5 and row[0].startswith("`")}
    site = mat.calibrate(mat.demo_course(), draws=1).site
    priors = dict(zip(site.names, site.priors, strict=True))
    expected = {f"`{name}`": priors[name] for name, *_ in _core.Site.unknowns()}
    assert {name: (float(m), float(sd), scale) for name, (m, sd, scale) in listed.items()} == expected


def test_every_public_name_has_a_home():
    assert [name for name in mat.__all__ if not hasattr(mat, name)] == []


def test_every_public_name_is_in_the_reference():
    reference = "".join(page.read_text(encoding="utf-8") for page in (DOCS / "reference").glob("*.md"))
    listed = set(re.findall(r"auto\w+:: matledger\.(\w+)$", reference, re.MULTILINE))
    assert set(mat.__all__) - {"__version__"} <= listed


def test_cautions_are_those_of_the_reports():
    page = text_of("cautions.md")
    assert FIRST in page
    for caution in CAUTIONS:
        assert f"**{caution.hazard.capitalize()}.** {caution.advice} ({caution.standard})" in page


LINK = re.compile(r"\]\((?!https?:|#)([^)#]+)")


@pytest.mark.parametrize(
    "page", [*sorted(ROOT.glob("*.md")), *PAGES], ids=lambda page: os.fspath(page.relative_to(ROOT))
)
def test_links_lead_somewhere(page):
    for link in LINK.findall(page.read_text(encoding="utf-8")):
        assert (page.parent / link).exists(), link


def test_a_guide_needs_no_copy_of_the_repository():
    for page in (DOCS / "tutorial.md", DOCS / "first-hour.md", *(DOCS / "how-to").glob("*.md")):
        text = page.read_text(encoding="utf-8")
        assert not re.search(r"\bmake\b|\.venv|cargo", "".join(blocks(text, "sh"))), page
        assert not re.search(r"\b(benches|tests|src)/", text), page
    assert "pip install" in blocks(text_of("tutorial.md"), "sh")[0]


def test_the_commands_for_the_committee_run_as_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for line in blocks(text_of("how-to/committee-page.md"), "sh")[0].splitlines():
        name, *arguments = shlex.split(line, comments=True)
        assert name == "matledger"
        assert cli.main(arguments) in (cli.OK, cli.NO_PROGRAMME), line
    assert (tmp_path / "my-course" / "plan.pdf").exists()


def test_house_rules_of_committed_pages():
    for page in [*ROOT.glob("*.md"), *PAGES, *(ROOT / "requirements").iterdir()]:
        text = page.read_text(encoding="utf-8")
        assert not re.search(r"/work/|/tmp/|/root/|/home/|--(extra-)?index-url|--find-links", text), page
