"""Pages, budget files and the command line, read back as a reader would."""

import csv
import datetime as dt
import html.parser
import io
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pypdf
import pytest
from few_greens import demo_greens
from matplotlib.colors import to_rgb
from test_decision import PLAY, PRICES

import matledger as mat
from matledger import cli, commands, plots
from matledger.budget_files import write_budget
from matledger.chances import chance
from matledger.demo import demo_folder
from matledger.frames import plain
from matledger.plots import COLOURS
from matledger.reporting import _method, taught


@pytest.fixture(scope="module")
def told():
    calibration = mat.calibrate(mat.demo_course(), draws=60, seed=1)
    return mat.compare(calibration, years=2, draws=60, weather_sequences=3, prices=PRICES, play=PLAY)


def tree(reader):
    return reader.trailer["/Root"]


def tables_of(told, units):
    found = [
        told.summary(units),
        told.contrasts(),
        told.by_green(units),
        told.budget.table(),
        taught(told.calibration, units),
    ]
    return [*found, told.budget.work().to(units)]


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_pdf_holds_the_figures_of_the_tables(told, tmp_path, units):
    path = mat.report(told, tmp_path / "plan.pdf", units=units)
    reader = pypdf.PdfReader(path)
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for table in tables_of(told, units):
        for row in table.cells():
            for cell, numeric in zip(row, table._numeric(), strict=True):
                assert not numeric or cell.replace("-", "\u2212") in text or cell in text
    assert told.verdict(units).split(" reaches ")[0].split(";")[0][:40] in text
    assert "29 CFR 1926.1153" in text
    assert "come first" in reader.pages[0].extract_text()
    assert "Contents" in reader.pages[1].extract_text()
    inches = [float(side) / 72 for side in reader.pages[0].mediabox[2:]]
    assert inches == pytest.approx((8.5, 11) if units == "us" else (210 / 25.4, 297 / 25.4), abs=0.01)
    # tagged, titled, in a language, every figure with a description
    assert tree(reader)["/MarkInfo"]["/Marked"]
    assert tree(reader)["/Lang"].startswith("en")
    assert reader.metadata.title.startswith("Brackenwisp Down")


def as_set(reader):
    """Texts of a PDF and its figures, as they follow each other down the pages."""
    found = []
    for number, page in enumerate(reader.pages):

        def drawn(operator, _, cm, __, number=number):
            if operator == b"Do":
                found.append((number, -cm[5] - cm[3], "figure"))

        def said(text, cm, tm, _, __, number=number):
            if text.strip() and not re.fullmatch(r"\d+ / \d+\s*", text):  # but for the pages' numbers
                found.append((number, -tm[5] * cm[3] - cm[5], text.strip()))

        page.extract_text(visitor_operand_before=drawn, visitor_text=said)
    return [what for _, _, what in sorted(found, key=lambda place: place[:2])]


def test_figures_of_the_pdf_stand_where_they_belong(told, tmp_path):
    reader = pypdf.PdfReader(mat.report(told, tmp_path / "plan.pdf"))
    texts = as_set(reader)
    costs, healing, *ledgers, tests = [texts[i + 1] for i, text in enumerate(texts) if text == "figure"][1:]
    assert costs.startswith("Costs and days below")
    assert "weeks of" in healing
    assert ledgers[:-1] == ["figure"] * (len(told.names) - 1)
    assert ledgers[-1].startswith("The account is of the whole")
    assert tests.startswith("Green Fen is drawn, the first of 9 with tests")
    # the cautions are not torn apart
    assert "Cautions" in reader.pages[-1].extract_text()
    assert "check the current text" in reader.pages[-1].extract_text()


def test_the_first_page_sets_the_present_programme_beside_the_best(told, tmp_path):
    mat.report(told, tmp_path / "plan.pdf", present="sand only")
    first = pypdf.PdfReader(tmp_path / "plan.pdf").pages[0].extract_text()
    p = told.names.index("sand only")
    assert f"{told.budget.a_year[p]:,.0f} EUR" in first
    lines = told.budget.lines()
    of_play = [line.startswith("play ") for line in lines.columns["line"]]
    mine = [name == "sand only" for name in lines.columns["programme"]]
    play = sum(np.array(lines.columns["amount, EUR"])[np.array(of_play) & np.array(mine)]) / told.budget.span_years
    assert f"{play:,.0f} EUR" in first[first.index("play lost or at a discount") :]
    assert chance(float(told.probability_all[p, -1]), told.om_percent.shape[-1], percent=False) in first


def test_a_close_contest_that_decides_stands_on_the_first_page(told, tmp_path, monkeypatch):
    said = "This choice rests on a close contest."
    monkeypatch.setattr(mat.Comparison, "close_contest", said)
    mat.report(told, tmp_path / "plan.pdf")
    assert said in " ".join(pypdf.PdfReader(tmp_path / "plan.pdf").pages[0].extract_text().split())
    page = mat.report(told, tmp_path / "plan.html").read_text(encoding="utf-8")
    assert said in page[: page.index("</section>")]


def test_a_page_of_turf_that_heals_too_slowly_says_over_150_days(told, tmp_path):
    day, work = told.openings(told.advised)[0]
    done = day.replace(year=2014)
    reading = mat.CoverReading(work=work, done=done, date=done + dt.timedelta(days=40), cover_percent=60)
    slow = replace(told, recovery=mat.healing(mat.demo_course(), readings=[reading], draws=50))
    page = page_of(slow, tmp_path / "plan.html")
    assert "over 150" in page.cells
    assert not {"inf", "nan"} & set(page.cells)
    assert any("no 99 % cover within 150 days" in text for text in page.said)


class Page(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.alts, self.ids, self.links, self.cells, self.said = [""], [], set(), [], [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.tags.append(tag)
        self.ids.add(given.get("id"))
        if tag == "img":
            self.alts.append(given.get("alt"))
        if tag == "a":
            self.links.append(given["href"])

    def handle_data(self, data):
        if self.tags[-1] in ("td", "th"):
            self.cells.append(data)
        if self.tags[-1] != "style":
            self.said.append(data)


def page_of(told, path, units="metric"):
    page = Page()
    page.feed(mat.report(told, path, units=units).read_text(encoding="utf-8"))
    return page


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_page_is_whole_and_described(told, tmp_path, units):
    page = page_of(told, tmp_path / "plan.html", units)
    assert page.tags.count("h1") == 1
    assert len(page.links) == page.tags.count("h2") - 3  # the question, the recommendation, the contents themselves
    assert {link.removeprefix("#") for link in page.links} <= page.ids
    assert all(page.alts)
    assert len(page.alts) >= 4
    assert "script" not in page.tags
    for table in tables_of(told, units):
        assert {cell for row in table.cells() for cell in row} - {""} <= set(page.cells)


def test_no_metric_unit_is_left_on_a_page_in_us_units(told, tmp_path):
    units = re.compile(r"(?<=[\d ,(])(mm|cm|kg/m2|g/m2|kg|t|degC|L)\b")
    for system in ("us", "metric"):
        said = " ".join(page_of(told, tmp_path / "plan.html", system).said)
        for text in (*told.names, "23 kg (51 lb)"):  # the user's own words, and a caution that says both
            said = said.replace(text, "")
        assert bool(units.search(said)) == (system == "metric"), units.search(said)


def test_the_page_ranks_dates_and_says_why(told, tmp_path):
    said = " ".join(page_of(told, tmp_path / "plan.html").said)
    for day, _ in told.openings(told.advised):
        assert re.search(
            rf"{day.day} {day:%B}, the programme's own day, (ranks \d+ of \d+ open weeks|is in a week)", said
        )
    assert "days to 99 % cover" in said
    # what the table of weeks counts, and how it goes with the programme's own days
    assert "those of work on its first day" in said
    assert f"of these {PLAY.lost_share:.0%} are taken to be lost" in said
    assert f"played at {PLAY.discount_share:.0%} off" in said


def test_the_page_tells_dry_sand_from_moist(told, tmp_path):
    said = " ".join(page_of(told, tmp_path / "plan.html").said)
    assert "dry sand a year, course, t" in said
    assert "Suppliers sell it moist" in said
    assert "moist sand t" in said
    assert "tonne" not in " ".join(page_of(told, tmp_path / "plan.html", "us").said)
    loads = told.budget.work().columns["loads"]
    assert all(load.is_integer() for load in loads)
    at = list(told.budget.work().columns).index("loads")
    assert [row[at] for row in told.budget.work().cells()] == [f"{load:.0f}" for load in loads]


def test_the_page_says_which_fit_stands_behind_it(told):
    assert "normal approximation" in " ".join(_method(told, "metric"))
    assert "The method of the fit is laplace." in " ".join(_method(told, "metric"))
    assert "Close contests are called too surely" in " ".join(told.notes)
    sampled = mat.calibrate(demo_greens(1), method="nuts", chains=2, tune=10, draws=10, seed=3)
    told = mat.compare(sampled, told.programmes[:2], years=1, draws=8, weather_sequences=1)
    said = " ".join((*_method(told, "metric"), *told.notes))
    assert "2 chains of the No-U-Turn sampler, 20 draws in all; forecasts take 8 of them" in said
    assert "The method of the fit is nuts." in said
    assert "normal approximation" not in said
    assert "How surely this kind of fit calls close contests was not measured" in said


def test_no_two_colours_are_the_same_grey():
    greys = sorted(np.dot(to_rgb(colour), (0.299, 0.587, 0.114)) for colour in COLOURS)
    assert min(np.diff(greys)) > 0.08


def test_no_label_lies_over_a_mark(told):
    axes = plots.programmes(told)
    assert [text.get_text() for text in axes.texts] == []
    assert "target: at or below 4 %" in [text.get_text() for text in axes.get_legend().get_texts()]


def test_bars_of_the_account_say_which_way_they_go(told):
    said = [text.get_text() for text in plots.ledger(told).texts]
    assert [text[0] for text in said if text != "0"][1:3] == ["+", "\u2212"]
    assert all(text[0].isdigit() for text in (said[0], said[-1]))


CHROMIUM = shutil.which("chromium")


@pytest.mark.skipif(CHROMIUM is None, reason="needs Debian's chromium")
@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_browser_opens_the_page_without_a_word(told, tmp_path, units):
    path = mat.report(told, tmp_path / "plan.html", units=units)
    flags = ["--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path}", "--enable-logging=stderr"]
    run = subprocess.run(
        [CHROMIUM, *flags, "--dump-dom", path.as_uri()], capture_output=True, text=True, timeout=120, check=True
    )
    assert "CONSOLE" not in run.stderr
    assert run.stdout.count("<table") >= 6


def test_a_name_that_is_markup_stays_text(tmp_path):
    calibration = mat.calibrate(mat.demo_course(), draws=20, seed=1)
    name = "<b>#strong[x] $\\q *z*$</b>"
    told = mat.compare(calibration, [mat.Programme(name, [])], years=1, draws=20, weather_sequences=1)
    assert "<b>#strong" not in mat.report(told, tmp_path / "a.html").read_text(encoding="utf-8")
    text = "".join(page.extract_text() for page in pypdf.PdfReader(mat.report(told, tmp_path / "a.pdf")).pages)
    assert "#strong[x]" in text


def test_other_endings_and_unknown_programmes_are_named(told, tmp_path):
    with pytest.raises(mat.InputError) as caught:
        mat.report(told, tmp_path / "plan.doc", present="none such")
    assert {problem.place for problem in caught.value.problems} == {"path", "present"}
    with pytest.raises(mat.InputError, match="xlsx or"):
        write_budget(told.budget, tmp_path / "plan.ods")


def test_the_spreadsheet_adds_up_by_itself(told, tmp_path):
    path = write_budget(told.budget, tmp_path / "budget.xlsx")
    live, cached = (openpyxl.load_workbook(path, data_only=values) for values in (False, True))
    years = len(told.budget.years)
    for p in range(len(told.names)):
        assert live["Total"].cell(p + 3, years + 2).value.startswith("=SUM(")
        assert live["Total"].cell(p + 3, years + 3).value.startswith("=SUMPRODUCT(")
        assert cached["Total"].cell(p + 3, years + 3).value == pytest.approx(told.budget.total[p])
        sheet = cached.worksheets[p + 1]
        amounts = [[sheet.cell(r + 3, c + 2).value for r in range(9)] for c in range(years)]
        np.testing.assert_allclose(amounts, told.budget.amounts[p])
        assert live.worksheets[p + 1].cell(12, 2).value == "=SUM(B3:B11)"


def worked_out(book, title, cell):
    """Work out a cell as a spreadsheet would: sums of ranges, products of two ranges, and cells of other sheets."""
    value = book[title][cell].value
    if not isinstance(value, str):
        return value
    if other := re.fullmatch(r"='(.+)'!(\$?[A-Z]+\$?\d+)", value):
        return worked_out(book, *other.groups())

    def numbers(span):
        cells = [cell for row in book[title][span.replace("$", "")] for cell in row]
        return np.array([worked_out(book, title, cell.coordinate) for cell in cells])

    if total := re.fullmatch(r"=SUM\(([^,]+)\)", value):
        return numbers(total[1]).sum()
    product = re.fullmatch(r"=SUMPRODUCT\(([^,]+),([^,]+)\)", value)
    return numbers(product[1]) @ numbers(product[2])


def test_the_totals_are_live(told, tmp_path):
    book = openpyxl.load_workbook(write_budget(told.budget, tmp_path / "budget.xlsx"))
    years = len(told.budget.years)
    present = book["Total"].cell(3, years + 3).coordinate
    assert worked_out(book, "Total", present) == pytest.approx(told.budget.total[0])
    first = book.worksheets[1]
    first["B3"] = first["B3"].value + 1000
    assert worked_out(book, "Total", present) == pytest.approx(told.budget.total[0] + 1000 * told.budget.discount[0])


def test_the_spread_that_a_note_of_the_budget_speaks_of_is_in_its_columns(told, tmp_path):
    sheet = openpyxl.load_workbook(write_budget(told.budget, tmp_path / "budget.xlsx"))["Total"]
    heads = [cell.value for cell in sheet[1]]
    assert "lie between 5 % and 95 %" in " ".join(str(row[0].value) for row in sheet)
    for name, by_draw in (
        ("present value, EUR", told.budget.total_by_draw),
        ("disrupted days a year", told.budget.disrupted_days_by_draw),
    ):
        for point in (5, 95):
            column = heads.index(f"{name}, {point} %") + 1
            found = [sheet.cell(3 + p, column).value for p in range(len(told.names))]
            assert found == pytest.approx(np.percentile(by_draw, point, axis=1))


def test_cells_that_could_be_formulas_are_escaped(told, tmp_path):
    evil = "=HYPERLINK(1)"
    budget = mat.Budget(**{**vars(told.budget), "programmes": (evil, "+a", "@b")})
    with write_budget(budget, tmp_path / "b.csv").open(encoding="utf-8") as file:
        names = {row["programme"] for row in csv.DictReader(file)}
    assert names == {"'=HYPERLINK(1)", "'+a", "'@b"}
    book = openpyxl.load_workbook(write_budget(budget, tmp_path / "b.xlsx"))
    assert book["Total"].cell(3, 1).value == "'" + evil
    assert plain("-1") == "'-1"


@pytest.fixture
def course(tmp_path):
    folder = tmp_path / "course"
    shutil.copytree(demo_folder(), folder)
    return folder


QUICK = ("--draws", "20", "--quiet", "--seed", "1")


def test_a_starter_course_can_be_checked_fitted_and_compared(tmp_path, capsys):
    folder = tmp_path / "mine"
    assert cli.main(["new", str(folder)]) == cli.OK
    assert cli.main(["check", str(folder)]) == cli.OK
    assert "the data are invented" in capsys.readouterr().out
    assert cli.main(["compare", str(folder), "--years", "1", *QUICK]) in (cli.OK, cli.NO_PROGRAMME)
    assert "did not settle" not in capsys.readouterr().out
    assert cli.main(["new", str(folder)]) == cli.BAD_INPUT


def test_the_us_starter_is_the_same_course_in_other_units(tmp_path, capsys):
    read = []
    for units in ("metric", "us"):
        assert cli.main(["new", str(tmp_path / units), "--units", units]) == cli.OK
        read.append(mat.load_course(tmp_path / units))
    metric, us = read
    assert "_mm" not in "".join(path.read_text() for path in (tmp_path / "us").iterdir())
    np.testing.assert_allclose(us.weather.tmax_c, metric.weather.tmax_c, atol=0.08)  # a tenth of a degree each
    assert [green.area_m2 for green in us.greens] == pytest.approx([green.area_m2 for green in metric.greens], rel=0.01)
    cores = [course.programmes[0].steps[0][1][0] for course in read]
    assert cores[1].area_share == pytest.approx(cores[0].area_share, rel=0.05)
    capsys.readouterr()
    cli.main(["fit", str(tmp_path / "us"), "--units", "us", *QUICK])
    assert not re.search(r"\b(mm|g/cm3|degC)\b", capsys.readouterr().out)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_what_the_starter_leaves_out_can_be_put_in(tmp_path, capsys, units):
    folder = tmp_path / "mine"
    cli.main(["new", str(folder), "--units", units])
    path = folder / "course.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith("# [prices]"))
    lines[at:] = [line.removeprefix("# ") for line in lines[at:]]
    path.write_text("\n".join(lines), encoding="utf-8")
    budget = folder / "budget.xlsx"
    code = cli.main(["report", str(folder), "--years", "1", "--budget", str(budget), *QUICK])
    assert code in (cli.OK, cli.NO_PROGRAMME)
    assert budget.exists()
    text = "".join(page.extract_text() for page in pypdf.PdfReader(folder / "plan.pdf").pages)
    assert ("USD" if units == "us" else "EUR") in text
    assert "rounds during" in text


@pytest.mark.parametrize("option", ["--seed", "--draws"])
def test_counts_beyond_measure_are_refused(course, capsys, option):
    assert cli.main(["fit", str(course), option, "9" * 25, "--quiet"]) == cli.BAD_INPUT
    assert f"{option[2:]}: {'9' * 25}; expected a whole number from " in capsys.readouterr().err


def test_a_folder_that_is_not_there_is_named(tmp_path, capsys):
    assert cli.main(["check", str(tmp_path / "none such")]) == cli.BAD_INPUT
    assert "none such; expected a folder that holds course.toml" in capsys.readouterr().err


def test_the_next_command_can_be_pasted(tmp_path, capsys):
    folder = tmp_path / "my course é"
    assert cli.main(["new", str(folder)]) == cli.OK
    command = capsys.readouterr().out.split("then run: matledger ")[1]
    assert shlex.split(command) == ["check", str(folder)]


def test_a_missing_extra_is_named_before_the_work(course, capsys, monkeypatch):
    monkeypatch.setattr(commands, "_fit", lambda *_: pytest.fail("the work was begun"))
    monkeypatch.setattr(commands, "find_spec", lambda name: None if name == "typst" else object())
    assert cli.main(["report", str(course)]) == cli.BAD_INPUT
    assert 'typst not installed; expected the extra that brings it: pip install "matledger[report]"' in (
        capsys.readouterr().err
    )


def test_numbers_that_fail_end_in_a_line_and_no_traceback(course, capsys, monkeypatch):
    def fail(*_):
        raise RuntimeError("the information matrix is singular")

    monkeypatch.setattr(commands, "_fit", fail)
    assert cli.main(["fit", str(course)]) == cli.NO_ANSWER
    assert capsys.readouterr().err == "no answer could be computed: the information matrix is singular\n"


def test_what_could_not_be_written_is_refused_before_the_work(course, capsys, monkeypatch):
    monkeypatch.setattr(commands, "_fit", lambda *_: pytest.fail("the work was begun"))
    out, budget = str(course / "plan.doc"), str(course / "none" / "b.xlsx")
    assert (
        cli.main(["report", str(course), "--out", out, "--budget", budget, "--present", "none such"]) == cli.BAD_INPUT
    )
    said = capsys.readouterr().err
    assert all(
        text in said for text in ("--out: ", ".pdf or .html", "--budget: ", "folder that is there", "--present: ")
    )


def test_us_units_reach_every_word_of_compare(course, capsys):
    cli.main(["compare", str(course), "--years", "1", "--units", "us", *QUICK])
    said = capsys.readouterr().out
    for name in ("twice 12.7 mm", "three times 9.5 mm"):
        said = said.replace(name, "")
    assert " in 0 to 0.79 in" in said
    assert not re.search(r"\d (mm|kg|t|degC)\b", said)


@pytest.mark.parametrize(
    "name", ['=HYPERLINK("x")', "<script>alert(1)</script>", "#set page(", "../../x", "-rf", "Fén \u202e", "%s{0}"]
)
def test_a_hostile_name_is_only_a_name(course, capsys, name):
    path = course / "course.toml"
    text = path.read_text(encoding="utf-8").replace('name = "sand only"', f"name = '{name}'")
    path.write_text(text, encoding="utf-8")
    budget, page = course / "budget.csv", course / "plan.html"
    code = cli.main(["report", str(course), "--years", "1", "--out", str(page), "--budget", str(budget), *QUICK])
    if code == cli.BAD_INPUT:  # a sign that turns text around is refused by name
        assert "printable" in capsys.readouterr().err
        return
    assert "<script>alert" not in page.read_text(encoding="utf-8")
    with budget.open(encoding="utf-8") as file:
        assert plain(name) in {row["programme"] for row in csv.DictReader(file)}
    assert sorted(path.name for path in course.parent.iterdir()) == ["course"]


def test_a_terminal_that_cannot_show_a_name_shows_its_code(course):
    path = course / "course.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"sand only"', '"s\u00e5nd"'), encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "-m", "matledger.cli", "check", course],
        capture_output=True,
        text=True,
        check=True,
        env={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
    )
    assert "s\\xe5nd" in run.stdout
    assert "no problem was found" in run.stdout


def test_report_writes_the_page_and_the_budget(course, capsys):
    budget = course / "budget.csv"
    code = cli.main(["report", str(course), "--years", "1", "--budget", str(budget), "--units", "us", *QUICK])
    assert code in (cli.OK, cli.NO_PROGRAMME)
    assert (course / "plan.pdf").read_bytes().startswith(b"%PDF")
    assert budget.exists()
    assert str(budget) in capsys.readouterr().out


def test_problems_name_file_and_key_and_set_the_exit_code(course, capsys):
    text = (course / "course.toml").read_text(encoding="utf-8")
    text = text.replace("sand_per_t = 42", 'sand_per_t = "42 USD"').replace("round = 24", "rond = 24")
    (course / "course.toml").write_text(text, encoding="utf-8")
    assert cli.main(["check", str(course)]) == cli.BAD_INPUT
    said = capsys.readouterr().err
    assert "course.toml, prices.rond: unknown key" in said
    assert "an amount in EUR, one currency for all" in said


def test_a_bad_cell_is_named_by_file_row_and_column(course, capsys):
    path = course / "soil_tests.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[3] = lines[3].replace(lines[3].split(",")[4], "many")
    path.write_text("\n".join(lines), encoding="utf-8")
    assert cli.main(["check", str(course)]) == cli.BAD_INPUT
    assert "soil_tests.csv, row 4, column om_percent: many" in capsys.readouterr().err


def test_a_budget_needs_prices_and_a_folder_that_is_no_course_is_named(tmp_path, capsys):
    out = tmp_path / "b.xlsx"
    starter = str(tmp_path / "mine")
    cli.main(["new", starter])
    page = str(tmp_path / "p.pdf")
    assert cli.main(["report", starter, "--years", "1", "--out", page, "--budget", str(out), *QUICK]) == cli.BAD_INPUT
    assert "[prices]" in capsys.readouterr().err
    assert cli.main(["check", str(tmp_path)]) == cli.BAD_INPUT


def test_a_seed_gives_the_same_words(course, capsys):
    said = []
    for _ in range(2):
        cli.main(["compare", str(course), "--years", "1", *QUICK])
        said.append(capsys.readouterr().out)
    assert said[0] == said[1]


@pytest.mark.skipif(sys.platform == "win32", reason="sends the signal of Ctrl-C")
def test_ctrl_c_has_its_own_exit_code(course, hears_ctrl_c):
    command = [sys.executable, "-m", "matledger.cli", "compare", course, "--years", "50", "--draws", "8000"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        time.sleep(3)
        run.send_signal(signal.SIGINT)
        _, said = run.communicate(timeout=60)
    assert (run.returncode, said) == (cli.STOPPED, "stopped\n")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal of its own")
def test_a_terminal_sees_the_bar_and_a_pipe_does_not(course, tmp_path):
    import pty

    command = [sys.executable, "-m", "matledger.cli", "compare", course, "--years", "1", *QUICK[:2]]
    ours, theirs = pty.openpty()
    shown = []
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=theirs) as run:
        os.close(theirs)
        while True:
            try:
                shown.append(os.read(ours, 4096))
            except OSError:  # the other end was closed
                break
            if not shown[-1]:
                break
    os.close(ours)
    assert run.returncode in (cli.OK, cli.NO_PROGRAMME)
    assert re.search(rb"comparing \[#+\] (\d+)/\1", b"".join(shown))
    assert b"fitting" in b"".join(shown)
    assert subprocess.run(command, capture_output=True, check=False).stderr == b""


def test_help_says_what_there_is(capsys):
    with pytest.raises(SystemExit) as caught:
        cli.main(["--help"])
    assert caught.value.code == 0
    said = capsys.readouterr().out
    assert all(word in said for word in ("new", "check", "fit", "compare", "report", "exit codes"))


def test_the_bar_fills():
    stream = io.StringIO()
    bar = commands.Bar(stream, shown=True)
    bar.start("comparing", 10)
    bar.show(5)
    assert "[###############...............] 5/10" in stream.getvalue()


def test_the_script_is_installed():
    script = Path(sys.executable).with_name("matledger")
    run = subprocess.run([script, "--version"], capture_output=True, text=True, check=True)
    assert run.stdout.startswith("matledger ")
