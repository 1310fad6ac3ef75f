import datetime as dt
import inspect
import pickle
import subprocess
import sys
from dataclasses import replace

import pytest
from broken import files

import matledger as mat


@pytest.fixture
def folder(tmp_path):
    for name, text in files.FOLDER.items():
        (tmp_path / name).write_text(text)
    return tmp_path


@pytest.fixture
def course(folder):
    return mat.load_course(folder)


@pytest.fixture
def change(folder):
    def change(*pairs, file="course.toml"):
        text = (folder / file).read_text()
        for old, new in pairs:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        (folder / file).write_text(text)
        return problems(mat.load_course, folder)

    return change


def problems(call, *args, **options):
    with pytest.raises(mat.InputError) as caught:
        call(*args, **options)
    return str(caught.value).splitlines()


def test_everything_is_read(course):
    assert course.name == "Invented Links"
    assert course.invented
    assert [g.name for g in course.greens] == ["Green 1", "Green 2"]
    assert course.green("Green 2").area_m2 == pytest.approx(464.515, abs=1e-3)
    assert course.settings == mat.Settings(grass="creeping bentgrass", lower_c=0.0, column_depth_mm=150.0)
    assert course.target == mat.Target(top_mm=0, bottom_mm=20, om_percent=6, probability=0.8)
    assert course.methods == (mat.Method("440 C", furnace_c=440, verdure="on"),)
    # 24 L on 480 m2 at 60 g dry in a litre of bentgrass (read)
    assert course.clippings_of("Green 1")[0].dry_g_m2 == pytest.approx(3.0)
    assert [t.om_percent for t in course.tests_of("Green 1")] == [6.1, 4.4]
    assert [type(w.work) for w in course.work_of("Green 2")] == [mat.Coring, mat.Topdressing]
    (programme,) = course.programmes
    assert [len(works) for _, works in programme.steps] == [2, 1]


def test_notes_are_no_errors(course):
    assert [note.partition(":")[0] for note in course.notes] == [
        "all tests are of one day (2014-04-01)",
        "never tested",
        "depth of the mat at the start taken as 25 mm on Green 1, Green 2",
        "the data are invented",
    ]


def test_check_says_all_that_a_fit_says_of_the_records(course):
    greens = [replace(green, mat_depth_mm=None) for green in course.greens]
    tests = [replace(test, method=method) for test, method in zip(course.soil_tests, ("440 C", "440C"), strict=True)]
    notes = replace(course, greens=greens, soil_tests=tests, methods=(), units="us").notes
    assert [note.partition(":")[0] for note in notes[:4]] == [
        "all tests are of one day (2014-04-01)",
        "440 C, verdure on was used once",
        "440C, verdure on was used once",
        "440 C and 440C differ by spaces or case alone, and count as 2 methods",
    ]
    (mat_depth,) = (note for note in notes if "mat" in note)
    assert mat_depth == "depth of the mat at the start taken as 0.98 in on Green 1, Green 2"


@pytest.mark.parametrize("name", ["Invented Links", "\u201cInvented Links\u201d"])
def test_text_without_straight_quotes(change, name):
    (told,) = change(('"Invented Links"', name))
    assert told.endswith('; expected true, false, or text in straight quotes, as in name = "My course"')


def test_a_date_that_is_none_needs_no_quotes(change):
    (told,) = change(('"Invented Links"', "1-2"))
    assert told.endswith("; expected a TOML file")


def test_course_pickles(course):
    again = pickle.loads(pickle.dumps(course))
    assert again == course
    assert again.soil_tests[0].row == 2


def test_shown(course):
    assert "Invented Links" in repr(course)
    page = replace(course, name="<b>")._repr_html_()
    assert "&lt;b&gt;" in page
    assert "2014-03-01 to 2014-05-31" in page


def test_unknown_green(course):
    assert problems(course.green, "green 1") == ["green: green 1; expected a green of the course (nearest: Green 1)"]


def test_some_of_the_greens(course):
    few = course.only(["Green 2"])
    assert [green.name for green in few.greens] == ["Green 2"]
    assert {record.green for records in (few.clippings, few.soil_tests, few.cover) for record in records} <= {"Green 2"}
    assert few.work_of("Green 2") == course.work_of("Green 2")
    assert few.tests_of("Green 2") == course.tests_of("Green 2")
    with pytest.raises(mat.InputError, match="Green 2"):
        course.only(["Gren 2"])
    with pytest.raises(mat.InputError, match="at least one green"):
        course.only([])


def test_the_same_checks_without_a_folder(course):
    test = mat.SoilTest(
        green="Green 3", date=dt.date(2013, 1, 1), top_mm=100, bottom_mm=200, om_percent=1, cores=8, method="440 C",
        verdure="on",
    )  # fmt: skip
    assert problems(replace, course, soil_tests=[test]) == [
        "soil_tests[0].green: Green 3; expected a green of the course (nearest: Green 2)",
        "soil_tests[0].date: 2013-01-01; expected a day of the weather, 2014-03-01 to 2014-05-31",
        "soil_tests[0].bottom_mm: 200; expected at most the depth of the column (150 mm)",
    ]
    days = [dt.date(2014, 4, 2), dt.date(2014, 4, 5)]
    assert problems(replace, course, clippings=[*course.clippings, mat.ClippingRecord("Green 1", *days, 2.0)]) == [
        "clippings[1].first_day: 2014-04-02 to 2014-04-05, shared with row 2;"
        " expected records of a green that share no day"
    ]
    assert problems(replace, course, greens=[], soil_tests=[], clippings=[]) == [
        "green: no green; expected at least one green"
    ]


def test_one_bad_name_is_one_problem(folder):
    """What follows from it in hundreds of rows is told once, with how many and where."""
    (folder / "soil_tests.csv").write_text(
        files.TESTS_HEADER + "".join(f"Green 1,2014-04-0{n},0,20,6,8,440 C,on\n" for n in range(1, 10))
    )
    path = folder / "course.toml"
    text = path.read_text()
    path.write_text(text.replace('name = "Green 1"', 'name = "Gren 1"'))
    assert problems(mat.load_course, folder) == [
        "clippings.csv, row 2, column green: Green 1 (and in 11 more rows, also of soil_tests.csv, cover.csv);"
        " expected a green of the course (nearest: Gren 1)"
    ]
    path.write_text(text.replace("area_m2 = 480", "area_m2 = -480"))
    assert problems(mat.load_course, folder) == [
        "course.toml, green[0].area_m2: -480; expected a number above 0 and at most 100000 (m2)"
    ]
    path.write_text(text.replace("[[green]]", "[[grean]]"))
    assert [line.split(":")[0] for line in problems(mat.load_course, folder)] == [
        "course.toml, grean",
        "course.toml, green",
    ]
    path.write_text(text.replace("depth_mm = 150", "depth_mm = 15"))
    assert problems(mat.load_course, folder)[0] == (
        "soil_tests.csv, row 2, column bottom_mm: 20 (and in 8 more rows);"
        " expected at most the depth of the column (15 mm)"
    )


def test_rows_that_are_wrong_alike_fill_no_screen(folder):
    (folder / "work.csv").write_text(files.FOLDER["work.csv"] + "all,1/5/2014,topdressing,,,,,4.5\n" * 90)
    said = problems(mat.load_course, folder)
    assert len(said) == 6  # and nothing of the cover that follows that work
    assert said[-1] == "... and 85 more rows of work.csv, column date, like those above"


def test_a_mapping_is_told_of_course_toml(change):
    assert change(
        ('file = "weather.csv"', 'file = "weather.csv"\ncolumns = { tmin_f = "Low (F)" }'),
        ('file = "cover.csv"', 'file = "cover.csv"\nunits = { date = "d" }'),
    ) == [
        'course.toml, weather.columns.tmin_f: Low (F); expected tmin_c in its place, and units = { tmin_c = "degF" }',
        "course.toml, cover.units.date: d; expected no unit: date has none",
    ]


def test_what_follows_work_out_of_place_is_not_told(change, folder):
    (told,) = change(("all,2014-04-14,coring", "All,2014-04-14,coring"), file="work.csv")
    assert told == "work.csv, row 2, column green: All; expected a green of the course (nearest: all)"
    (folder / "work.csv").write_text(files.FOLDER["work.csv"])
    (told,) = change(("all,2014-04-14,coring", "Hill,2014-04-14,coring"), file="work.csv")
    assert told == "work.csv, row 2, column green: Hill; expected a green of the course: Green 1, Green 2, all"
    (folder / "work.csv").write_text(files.FOLDER["work.csv"])
    (told,) = change(("all,2014-04-14,coring", "all,2013-04-14,coring"), file="work.csv")
    assert told.startswith("work.csv, row 2, column date: 2013-04-14; expected a day of the weather")


def test_a_key_without_its_unit(change):
    (told,) = change(("area_m2 = 480", "area_m2 = 480\nmat_depth = 1"))
    assert told.startswith(
        "course.toml, green[0].mat_depth: unknown key; expected a known unit at its end: mat_depth_mm, mat_depth_cm,"
    )


def test_own_headings_stand_in_no_sentence(change, folder):
    (folder / "cover.csv").write_text("Hole,date,cover_percent\nGren 1,2014-04-28,97\n")
    told = change(('file = "cover.csv"', 'file = "cover.csv"\ncolumns = { green = "Hole" }'))
    assert told == ["cover.csv, row 2, column Hole: Gren 1; expected a green of the course (nearest: Green 1)"]


def test_a_grass_is_told_of_where_it_stands(change, folder):
    """Only a volume needs to know it, and what else is wrong with it is told once."""
    told = "course.toml, growth.grass: bent grass; expected creeping bentgrass, ultradwarf bermudagrass or manilagrass"
    (line,) = change(("creeping bentgrass", "bent grass"))
    assert line == f"{told}, or dry_matter_g_l for the clippings"
    (folder / "clippings.csv").write_text("green,first_day,last_day,dry_g_m2\nGreen 1,2014-04-01,2014-04-02,3\n")
    assert mat.load_course(folder).settings.grass == "bent grass"
    (folder / "clippings.csv").write_text(files.FOLDER["clippings.csv"])
    (folder / "course.toml").write_text(files.COURSE.replace("creeping bentgrass", "Creeping Bent grass"))
    assert mat.load_course(folder).clippings[0].dry_g_m2 == pytest.approx(3.0)
    assert [line.split(":")[0] for line in change(("[growth]", "[Growth]"))] == [
        "course.toml, Growth",
        "course.toml, growth",
    ]


def test_clippings_that_share_a_day_are_told_by_check(folder):
    with (folder / "clippings.csv").open("a") as file:
        file.write("Green 2,2014-04-01,2014-04-02,24\nGreen 1,2014-04-02,2014-04-03,20\n")
    assert problems(mat.load_course, folder) == [
        "clippings.csv, row 4, column first_day: 2014-04-02 to 2014-04-03, shared with row 2;"
        " expected records of a green that share no day"
    ]


def test_cover_is_read_and_teaches_recovery(course):
    """Nearly green two weeks after: faster than the prior has it."""
    assert [record.cover_percent for record in course.cover] == [97, None]
    told, prior = mat.healing(course), mat.healing(course, readings=())
    assert (told.readings, prior.readings) == (2, 0)
    assert told.draws[:, 0].mean() > prior.draws[:, 0].mean()
    assert problems(replace, course, work=[]) == [
        "cover.csv, row 2, column date: 2014-04-28 on Green 1 (and in 1 more row: 2014-05-02 on Green 1); expected"
        " work that opens the surface, on that green in the 150 days before"
    ]


def test_a_green_is_read_once_a_day(folder, course):
    twice = "a second time, first in {}; expected one reading of a green a day: of several, their mean"
    record = mat.CoverRecord(green="Green 1", date="2014-04-28", cover_percent=80)
    told = ["cover[2].date: 2014-04-28 " + twice.format("row 2")]
    assert problems(replace, course, cover=[*course.cover, record]) == told
    assert problems(mat.cover_readings, course, [record, record]) == [
        "cover[1].date: 2014-04-28 " + twice.format("cover[0]")
    ]
    with (folder / "cover.csv").open("a") as file:
        file.write("Green 2,2014-04-28,80,,\nGreen 1,2014-05-02,90,,\n")
    told = ["cover.csv, row 5, column date: 2014-05-02 " + twice.format("row 3")]
    assert problems(mat.load_course, folder) == problems(mat.read_cover, folder / "cover.csv") == told


def test_all_files_are_checked_at_once(folder):
    (folder / "weather.csv").write_text("date,tmin_c\n2014-03-01,4\n")
    (folder / "soil_tests.csv").write_text(files.TESTS_HEADER + "Green 9,2014-04-01,0,20,610,8,440 C,on\n")
    (folder / "work.csv").unlink()
    (folder / "clippings.csv").write_text("green,first_day,last_day,dry_g_m2\nGreen 9,2014-04-01,2014-04-02,3\n")
    assert problems(mat.load_course, folder) == [
        "weather.csv, row 1: no column tmax_c; expected column tmax_c: a number from -90 to 60 (degC)",
        "soil_tests.csv, row 2, column om_percent: 610; expected a number from 0 to 100 (%)",
        "work.csv: No such file or directory; expected a file that can be read",
        "clippings.csv, row 2, column green: Green 9; expected a green of the course (nearest: Green 2)",
    ]


PRICES = '[prices]\ncurrency = "EUR"\ncrew_per_h = 25\nsand_per_t = 40\n'


@pytest.mark.parametrize(
    ("pair", "expected"),
    [
        (('name = "Invented Links"', 'nam = "Invented Links"'), "course.toml, nam: unknown key; expected one of name,"),
        (("[target]", "[tarjet]"), "(nearest: target)"),
        (("invented = true", 'invented = "yes"'), "course.toml, invented: yes; expected true or false"),
        (("area_m2 = 480", "area_m2 = -480"), "course.toml, green[0].area_m2: -480; expected a number above 0"),
        (("area_m2 = 480", 'area_m2 = "480 ft"'), "course.toml, green[0].area_m2: 480 ft; expected an area such as"),
        (('name = "Green 1"', 'name = "All"'), "course.toml, green[0].name: All; expected a name other than all"),
        (
            ("lower_c = 0", "lower_c = 10\nupper_c = 5"),
            "course.toml, growth.upper_c: 5; expected more than lower_c (10 degC)",
        ),
        (("bottom_mm = 20", "bottom_mm = 5\n"), None),
        (("top_mm = 0", "top_mm = 30"), "course.toml, target.bottom_mm: 20; expected a depth below top_mm (30 mm)"),
        (
            ("bottom_mm = 20", "bottom_mm = 200"),
            "course.toml, target.bottom_mm: 200; expected at most the depth of the",
        ),
        (
            ("sand_mm = 0.4", "sand_mm = -0.4"),
            "course.toml, programme[0].step[1].work[0].sand_mm: -0.4; expected a number",
        ),
        (("sand_mm = 0.4", "depth_mm = 4"), "course.toml, programme[0].step[1].work[0].depth_mm: 4; expected nothing"),
        (('work = "topdressing", sand_mm = 3', 'work = "sanding"'), "step[0].work[1].work: sanding; expected coring,"),
        (('file = "weather.csv"', 'file = "weather.csv"\nfill = [{ rule = "guess" }]'), "weather.fill[0].rule: guess;"),
        (('file = "weather.csv"', 'file = "weather.csv"\nfill = "guess"'), "weather.fill: guess; expected tables"),
        (('file = "work.csv"', 'file = "work.csv"\ncolumns = 3'), "course.toml, work.columns: 3; expected texts by"),
        (('[[green]]\nname = "Green 2"', '[[greens]]\nname = "Green 2"'), "course.toml, greens: unknown key"),
        (("[growth]", "[rowth]"), "course.toml, growth: not given; expected a section [growth]"),
        (("depth_mm = 150", "depth_mm = 30"), "soil_tests.csv, row 3, column bottom_mm: 40; expected at most"),
        (
            ('when = "second Monday of April"', "whenever = 3"),
            "course.toml, programme[0].step[0].whenever: unknown key",
        ),
        (
            ("[target]", PRICES + "machine_per_h = { corer = 40 }\n[target]"),
            "course.toml, prices.machine_per_h.spreader: not given; expected the price of an hour; the task 'spread'",
        ),
        (
            ("[target]", PRICES + '[[task]]\nname = "by hand"\nwork = "coring"\n[target]'),
            "course.toml, labour.tasks: none for topdressing; expected a task with work = 'topdressing'",
        ),
    ],
)
def test_what_course_toml_may_not_say(change, folder, pair, expected):
    if expected is None:
        (folder / "course.toml").write_text(files.COURSE.replace(*pair))
        assert mat.load_course(folder).target.bottom_mm == 5
    else:
        assert any(expected in line for line in change(pair))


@pytest.mark.parametrize(
    "name", ["../work.csv", "/etc/hostname", "a/../../b.csv", "C:\\\\b.csv", "..\\\\b.csv", "\\\\\\\\host\\\\b.csv"]
)
def test_paths_out_of_the_folder(change, name):
    (line,) = change(('file = "work.csv"', f'file = "{name}"'))
    assert line.startswith("course.toml, work.file: ")
    assert "expected a file within the course's folder" in line


def test_links_out_of_the_folder(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "work.csv"
    outside.write_text(files.FOLDER["work.csv"])
    (folder / "work.csv").unlink()
    (folder / "work.csv").symlink_to(outside)
    assert problems(mat.load_course, folder) == [
        "course.toml, work.file: work.csv (a link that leaves the folder); expected a file within the course's folder, "
        "such as weather.csv"
    ]


def test_links_within_the_folder(folder):
    (folder / "work.csv").rename(folder / "2014.csv")
    (folder / "work.csv").symlink_to("2014.csv")
    assert len(mat.load_course(folder).work) == 2


def test_own_column_names_and_units(folder):
    text = files.COURSE.replace(
        'file = "soil_tests.csv"',
        'file = "soil_tests.csv"\ncolumns = { om_percent = "LOI" }\nunits = { top_mm = "cm", bottom_mm = "cm" }',
    )
    (folder / "course.toml").write_text(text)
    rows = files.FOLDER["soil_tests.csv"].replace("om_percent", "LOI").replace("20,40", "2,4").replace(",0,20", ",0,2")
    (folder / "soil_tests.csv").write_text(rows)
    assert mat.load_course(folder).soil_tests[1].window == (20.0, 40.0)


def test_ghcn_weather_and_fill_rules(folder):
    rows = "".join(
        f"X1,{day:%Y%m%d},{element},{value},,{'X' if day.day == 9 else ''},S,\n"
        for day in (dt.date(2014, 3, 1) + dt.timedelta(days=n) for n in range(92))
        for element, value in (("TMIN", 50), ("TMAX", 150), ("PRCP", 0))
    )
    (folder / "X1.csv").write_text(rows)
    weather = 'file = "X1.csv"\nlayout = "ghcn_daily"\nrain = false\nfirst_day = 2014-03-05\n'
    weather += 'fill = [{ rule = "interpolate", max_days = 2 }, { rule = "same_day_other_years" }]\n'
    (folder / "course.toml").write_text(files.COURSE.replace('file = "weather.csv"\n', weather))
    course = mat.load_course(folder)
    assert course.weather.filled.sum() == 3
    assert course.weather.rain_mm is None


def test_no_folder(tmp_path):
    assert problems(mat.load_course, tmp_path / "none") == ["folder: none; expected a folder that holds course.toml"]
    assert problems(mat.load_course, tmp_path) == [
        "course.toml: No such file or directory; expected a file that can be read"
    ]


def test_the_layout_in_the_docstring_is_read(folder):
    text = inspect.cleandoc(mat.load_course.__doc__ or "").split(".. code-block:: toml")[1].split("Parameters\n")[0]
    text = text.replace("2010-01-01", "2014-03-01").replace("soil-tests", "soil_tests")
    (folder / "course.toml").write_text(inspect.cleandoc(text))
    (folder / "soil_tests.csv").write_text(
        "green,date,top_mm,bottom_mm,LOI,cores,method,verdure\n1,2014-04-01,0,1,6,8,440 C,on\n"
    )
    (folder / "clippings.csv").write_text("green,first_day,last_day,dry_g_m2\n1,2014-04-01,2014-04-02,3\n")
    (folder / "cover.csv").write_text("green,date,cover_percent\n1,2014-04-28,97\n")
    course = mat.load_course(folder)
    assert course.green("1").mat_depth_mm == 60
    assert course.soil_tests[0].window == (0.0, 25.4)
    assert course.programmes[0].no_work == ("1 July to 14 July",)


def test_import_is_quick_and_light():
    code = "import matledger, sys; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"numpy", "pandas", "polars", "narwhals", "matledger.course"} & set(loaded)
