"""Figures that are possible but unusual are told once a column, with the unit that would explain them."""

import datetime as dt
import warnings

import pytest
from broken import files

import matledger as mat
from matledger import cli, commands
from matledger.errors import UnusualWarning
from matledger.variables import variables

TESTS = "green,date,top_mm,bottom_mm,om_percent,cores,method,verdure\n"
WORK = "green,date,work,tine_inside_diameter_mm,spacing_along_mm,spacing_across_mm,depth_mm\n"


def days(low, high, rain, count=365):
    start = dt.date(2014, 1, 1)
    return "".join(f"{start + dt.timedelta(days=n)},{low},{high},{rain}\n" for n in range(count))


def told(read, tmp_path, text, **options):
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        read(path, **options)
    assert {each.category for each in caught} <= {UnusualWarning}
    assert {each.filename for each in caught} <= {__file__}
    return [str(each.message).removeprefix("a.csv, ") for each in caught]


@pytest.mark.parametrize(
    ("read", "text", "expected"),
    [
        (
            mat.read_soil_tests,
            TESTS + "1,2014-04-01,0,20,0.032,8,a,on\n1,2014-04-01,20,40,2.1,8,a,on\n",
            ["row 2, column om_percent: 0.032 %; usual is from 0.3 to 25 %; 0.032 as a share = 3.2 %?"],
        ),
        (
            mat.read_soil_tests,
            TESTS + "1,2014-04-01,0,20,32,8,a,on\n",
            ["row 2, column om_percent: 32 %; usual is from 0.3 to 25 %; 32 g/kg = 3.2 %?"],
        ),
        (
            mat.read_soil_tests,
            TESTS + "1,2014-04-01,0,20,0.061,8,a,on\n1,2014-04-01,20,40,62,8,a,on\n1,2014-04-01,40,60,0.04,8,a,on\n",
            [
                "row 2, column om_percent: 0.061 % (and 1 more like it); usual is from 0.3 to 25 %; 0.061 as a share = "
                "6.1 %?",
                "row 3, column om_percent: 62 %; usual is from 0.3 to 25 %; 62 g/kg = 6.2 %?",
            ],
        ),
        (
            mat.read_work,
            WORK.replace("depth_mm", "depth_in") + "all,2014-04-14,coring,12.7,50,50,75\n",
            ["row 2, column depth_in: 75 in = 1905 mm; usual is from 5 to 400 mm; 75 mm?"],
        ),
        (
            mat.read_work,
            "green,date,work,sand_g_m2\nall,2014-04-14,topdressing,1.5\nall,2014-05-14,topdressing,1.6\n",
            [
                "row 2, column sand_g_m2: 1.5 g/m2 = 0.0015 kg/m2 (and 1 more like it); usual is from 0.15 to 35 "
                "kg/m2; 1.5 kg/m2?"
            ],
        ),
        (
            mat.read_work,
            WORK + "all,2014-04-14,coring,12.7,50,50,0.1 in\n",
            ["row 2, column depth_mm: 0.1 in = 2.54 mm; usual is from 5 to 400 mm"],
        ),
        (
            mat.read_weather,
            "date,tmin_c,tmax_c,rain_mm\n" + days(46, 59, 0.07),
            [
                "column tmin_c: a mean of 46 degC; usual is a mean from -6 to 28 degC; 46 degF = 7.78 degC?",
                "column tmax_c: a mean of 59 degC; usual is a mean from 4 to 42 degC; 59 degF = 15 degC?",
                "column rain_mm: a mean of 0.07 mm; usual is a mean from 0.2 to 12 mm; 0.07 cm = 0.7 mm or 0.07 in = "
                "1.78 mm?",
            ],
        ),
        (mat.read_weather, "date,tmin_c,tmax_c,rain_mm\n" + days(46, 59, 0.07, count=364), []),
        (mat.read_weather, "date,tmin_f,tmax_f,rain_in\n" + days(46, 59, 0.07), []),
        (mat.read_soil_tests, TESTS + "1,2014-04-01,0,0.8 in,3.2,8,a,on\n", []),
    ],
)  # fmt: skip
def test_what_is_told(read, text, expected, tmp_path):
    assert told(read, tmp_path, text) == expected


def test_a_figure_is_read_as_it_stands(tmp_path):
    (tmp_path / "a.csv").write_text(TESTS + "1,2014-04-01,0,0.8,0.032,8,a,on\n", encoding="utf-8")
    with pytest.warns(UnusualWarning):
        (test,) = mat.read_soil_tests(tmp_path / "a.csv")
    assert (test.window, test.om_percent) == ((0, 0.8), 0.032)


def test_a_data_frame_is_looked_at_too():
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame([["1", "2014-04-01", 0, 20, 0.032, 8, "a", "on"]], columns=TESTS.strip().split(","))
    with pytest.warns(UnusualWarning, match="data frame, row 2, column om_percent: 0.032 %"):
        mat.read_soil_tests(frame)


def test_what_is_usual_is_allowed():
    judged = [one for one in variables().values() if one.usual]
    assert len(judged) > 30
    for one in judged:
        for end in (one.usual.range.low, one.usual.range.high):
            assert end in one.range, one


@pytest.fixture
def folder(tmp_path):
    for name, text in files.FOLDER.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def change(folder, file, old, new):
    text = (folder / file).read_text(encoding="utf-8")
    assert text.count(old) == 1
    (folder / file).write_text(text.replace(old, new), encoding="utf-8")


def test_check_lists_each_column_once(folder, capsys):
    assert cli.main(["check", str(folder)]) == cli.OK
    assert capsys.readouterr().out.splitlines()[-1] == "no problem was found"
    change(folder, "course.toml", '"5000 ft2"', "5000")
    change(folder, "course.toml", "area_m2 = 480", "area_m2 = 4800")
    change(folder, "course.toml", "bottom_mm = 20", "bottom_mm = 0.8")
    change(folder, "work.csv", "coring,12.7", "coring,0.5")
    assert cli.main(["check", str(folder)]) == cli.OK
    *_, area, target, bore, last = capsys.readouterr().out.splitlines()
    assert area.startswith("worth a look: course.toml, green[0].area_m2: 4800 m2 (and 1 more like it); ")
    assert area.endswith("; 4800 ft2 = 446 m2?")
    assert target.startswith("worth a look: course.toml, target.bottom_mm: 0.8 mm; ")
    assert bore.startswith("worth a look: work.csv, row 2, column tine_inside_diameter_mm: 0.5 mm; ")
    assert last == "no problem was found, but 3 worth a look"


@pytest.mark.parametrize(
    ("grass", "told"),
    [
        ("bermudagras", ["worth a look: course.toml, growth.grass: bermudagras; is bermudagrass meant?"]),
        ("Annual Blugrass", ["worth a look: course.toml, growth.grass: Annual Blugrass; is annual bluegrass meant?"]),
        ("an invented creeping bentgrass", []),
        ("Poa annua", []),
        ("couch", []),
        ("bent grass", []),
    ],
)  # fmt: skip
def test_a_grass_that_is_nearly_known(grass, told, folder, capsys):
    change(folder, "course.toml", 'grass = "creeping bentgrass"', f'grass = "{grass}"')
    change(folder, "course.toml", 'file = "clippings.csv"', 'file = "clippings.csv"\ndry_matter_g_l = 60')
    assert cli.main(["check", str(folder)]) == cli.OK
    assert [line for line in capsys.readouterr().out.splitlines() if line.startswith("worth")] == told


@pytest.mark.parametrize("units", ["metric", "us"])
def test_nothing_of_the_starter_or_the_demo_is_worth_a_look(units, tmp_path):
    cli.main(["new", str(tmp_path / "mine"), "--units", units])
    mat.load_course(tmp_path / "mine")  # a warning would be an error here
    mat.demo_course()


def coring(green, day):
    return f"{green},{day},coring,12.7,50,50,75,\n"


def sand(green, day):
    return f"{green},{day},topdressing,,,,,3\n"


SAND = WORK.strip() + ",sand_mm\n"
SAND_FIRST = (
    "work of a day is done in the order given, so these holes get none of that sand; is it the other way round?"
)
TURN = "rows of a day count as done from the top: turn all rows round (a sort by date leaves those of a day)"


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        (
            sand("all", "2023-04-10") + coring("1", "2023-04-10"),
            [f"row 2, column work: topdressing stands before the coring of row 3; {SAND_FIRST}"],
        ),
        (
            sand("1", "2024-04-10") + coring("1", "2024-04-10") + sand("1", "2023-04-10") + coring("1", "2023-04-10"),
            [
                f"row 2, column work: topdressing stands before the coring of row 3 (and 1 more like it); {SAND_FIRST}",
                f"row 2, column date: the rows run from the newest day, 2024-04-10, to the oldest; {TURN}",
            ],
        ),
        (coring("1", "2024-04-10") + sand("all", "2024-04-10") + sand("all", "2023-04-10"), []),  # newest day first
        (sand("1", "2024-04-10") + coring("2", "2024-04-10"), []),
        (sand("1", "2024-04-10") + coring("1", "2024-04-10") + sand("1", "2024-04-10"), []),
        (sand("1", "2024-04-10") + coring("1", "2024-04-11"), []),
    ],
)  # fmt: skip
def test_sand_before_the_holes_that_it_should_fill(rows, expected, tmp_path):
    assert told(mat.read_work, tmp_path, SAND + rows) == expected


def test_a_programme_with_sand_before_its_holes():
    cores = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    light = mat.Topdressing(sand_mm=1)
    mat.Programme("right", [("15 April", [cores, light]), ("15 May", [light])])
    with pytest.warns(
        UnusualWarning, match="^programme, work of 15 April: topdressing stands before coring; work of a"
    ):
        mat.Programme("wrong", [("15 April", [light]), ("15 april", [cores])])


def test_check_tells_the_order_of_a_step(folder, capsys):
    text = (folder / "course.toml").read_text(encoding="utf-8")
    coring_line = next(line for line in text.splitlines() if '{ work = "coring"' in line)
    sand_line = next(line for line in text.splitlines() if '{ work = "topdressing", sand_mm = 3' in line)
    turned = text.replace(f"{coring_line}\n{sand_line}", f"{sand_line}\n{coring_line}")
    assert turned != text
    (folder / "course.toml").write_text(turned, encoding="utf-8")
    assert cli.main(["check", str(folder)]) == cli.OK
    *_, order, last = capsys.readouterr().out.splitlines()
    assert order.startswith("worth a look: programme, work of second Monday of April: topdressing")
    assert last == "no problem was found, but 1 worth a look"


def test_check_tells_of_cover_that_falls_without_work(folder, capsys):
    change(folder, "cover.csv", "Green 1,2014-05-02,,50,10\n", "Green 1,2014-05-02,86,,\nGreen 1,2014-05-09,98,,\n")
    assert cli.main(["check", str(folder)]) == cli.OK
    *_, told, last = capsys.readouterr().out.splitlines()
    assert told == (
        "worth a look: cover.csv, row 3, column cover_percent: 86 % after 97 % on 2014-04-28;"
        " cover rises until the green is worked on again"
    )
    assert last == "no problem was found, but 1 worth a look"
    with (folder / "work.csv").open("a", encoding="utf-8") as file:
        file.write("all,2014-04-30,topdressing,,,,,4.5\n")
    assert cli.main(["check", str(folder)]) == cli.OK
    assert capsys.readouterr().out.splitlines()[-1] == "no problem was found"


def test_other_commands_tell_it_beside_their_answer(folder, capsys, monkeypatch):
    change(folder, "work.csv", "coring,12.7", "coring,0.5")
    monkeypatch.setattr(commands, "_fit", lambda *_: (_ for _ in ()).throw(RuntimeError("far enough")))
    assert cli.main(["fit", str(folder)]) == cli.NO_ANSWER
    assert capsys.readouterr().err.startswith("worth a look: work.csv, row 2, column tine_inside_diameter_mm: 0.5 mm; ")


# Errors name the heading as it stands in the file.


def refused(call, *arguments, **options):
    with pytest.raises(mat.InputError) as error:
        call(*arguments, **options)
    return error.value.problems


@pytest.mark.parametrize(
    ("read", "text", "options", "column", "said"),
    [
        (mat.read_soil_tests, TESTS.replace("om_percent", "LOI") + "1,2014-04-01,0,20,610,8,a,on\n",
         {"columns": {"om_percent": "LOI"}}, "LOI", "610; expected a number from 0 to 100 (%)"),
        (mat.read_weather, "date,tmin_f,tmax_f\n2014-03-01,-200,40\n", {},
         "tmin_f", "-200; expected a number from -130 to 140 (degF)"),
        (mat.read_weather, "date,tmin_f,tmax_f\n2014-03-01,50,41\n", {},
         "tmin_f", "50 degF = 10 degC; expected at most tmax_f (41 degF)"),
        (mat.read_soil_tests, TESTS.replace("_mm", "_in") + "1,2014-04-01,2,1,6,8,a,on\n", {},
         "bottom_in", "1 in = 25.4 mm; expected a depth below top_in (50.8 mm)"),
        (mat.read_soil_tests, TESTS.replace("top_mm", "bottom").replace("bottom_mm", "top_mm")
         + "1,2014-04-01,20,10,6,8,a,on\n", {"columns": {"top_mm": "bottom", "bottom_mm": "top_mm"}},
         "top_mm", "10; expected a depth below bottom (20 mm)"),
        (mat.read_work, WORK.replace("spacing_along_mm", "gap") + "all,2014-04-14,coring,13,1,50,75\n",
         {"columns": {"spacing_along_mm": "gap"}, "units": {"spacing_along_mm": "cm"}},
         "gap", "1 cm = 10 mm; expected at least the tine's diameter (13 mm)"),
        (mat.read_soil_tests, TESTS.replace("green", "Green").replace("method", "Method").replace("bottom_mm", "To")
         + "1,2014-04-01,0,20,6,8,a,on\n1,2014-04-01,0,20,7,8,a,on\n",
         {"columns": {"green": "Green", "method": "Method", "bottom_mm": "To"}},
         "date",
         "2014-04-01 a second time; expected one test of 0 to 20 mm; row 2 is of the same green, day and method"),
        (mat.read_soil_tests, TESTS.replace(",bottom_mm", "") + "1,2014-04-01,0,6,8,a,on\n",
         {"columns": {"bottom_mm": "Bottom (in)"}, "units": {"bottom_mm": "in"}},
         None, "no column Bottom (in); expected column Bottom (in): a number above 0 (in)"),
        (mat.read_soil_tests, TESTS.replace("bottom_mm", "bottom_in") + "1,2014-04-01,0,1/2,6,8,a,on\n", {},
         "bottom_in", "1/2; expected a length such as 0.5 or '0.5 in'"),
        (mat.read_work, WORK.replace("depth_mm", "depth_in") + "all,2014-04-14,coring,13,50,50,\n", {},
         "depth_in", "not given; expected a number above 0 (in), which coring needs"),
        (mat.read_work, "green,date,work,sand_lb_1000ft2\nall,2014-04-14,topdressing,4 in\n", {},
         "sand_lb_1000ft2", "4 in; expected a mass per area such as 15 or '15 lb/1000 ft2'"),
        (mat.read_work, "green,date,work,sand_cm\nall,2014-04-14,topdressing,11\n", {},
         "sand_cm", "11 cm = 110 mm; expected sand above 0 and at most 100 mm"),
        (mat.read_cover, "green,date,holes_counted,seen\n1,2014-04-14,10,11\n", {"columns": {"holes_visible": "seen"}},
         "seen", "11; expected no more than were counted (10)"),
    ],
)  # fmt: skip
def test_errors_name_the_files_own_heading(read, text, options, column, said, tmp_path):
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    (problem,) = refused(read, tmp_path / "a.csv", **options)
    assert (problem.column, f"{problem.value}; expected {problem.expected}") == (column, said)


def test_a_study_names_its_own_heading(tmp_path):
    text = "site,green,plot,treatment,season,top_in,bottom_in,lab,om_percent\n"
    text += "a,1,1,x,2014,0,1,m,5\na,1,2,y,2014,0,1,n,5\na,1,3,x,2014,0,1,m,5\na,1,4,y,2014,0,1,n,5\n"
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    (problem,) = refused(mat.read_study, tmp_path / "a.csv", columns={"method": "lab"})
    assert problem.column == "lab"
    (tmp_path / "a.csv").write_text(text.replace(",0,1,", ",2,1,"), encoding="utf-8")
    assert refused(mat.read_study, tmp_path / "a.csv", columns={"method": "lab"})[0].column == "bottom_in"


def test_a_course_names_the_headings_of_its_files(folder):
    change(folder, "soil_tests.csv", "bottom_mm", "bottom_in")
    change(folder, "course.toml", "bottom_mm = 20", "bottom_in = 9")
    change(folder, "course.toml", 'file = "clippings.csv"', 'file = "clippings.csv"\ncolumns = { green = "where" }')
    change(folder, "clippings.csv", "green,", "where,")
    change(folder, "clippings.csv", "Green 1", "Gren 1")
    assert {(p.place, p.column, p.value) for p in refused(mat.load_course, folder)} == {
        ("", "where", "Gren 1"),
        ("", "bottom_in", "20 in = 508 mm (and in 1 more row: 40 in = 1016 mm)"),
        ("", "top_mm", "20 to 1016 mm"),
        ("target.bottom_in", None, "9 in = 228.6 mm"),
    }
