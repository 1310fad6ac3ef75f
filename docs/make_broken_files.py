"""Break files in every way we could think of, read them, and write down what the reader said.

Run it to rewrite ``docs/broken-files.md``; a test holds the page to the actual messages.
"""

from __future__ import annotations

import datetime as dt
import tempfile
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from make_errors import Kind, kind_of_message, link

import matledger as mat

PAGE = Path(__file__).with_name("broken-files.md")

WEATHER = "date,tmin_c,tmax_c,rain_mm\n" + "".join(
    f"{dt.date(2014, 3, 1) + dt.timedelta(days=n)},{4 + n % 5},{14 + n % 7},{2 * (n % 3)}\n" for n in range(92)
)
TESTS_HEADER = "green,date,top_mm,bottom_mm,om_percent,cores,method,verdure\n"
COURSE = """\
name = "Invented Links"
invented = true

[weather]
file = "weather.csv"

[growth]
grass = "creeping bentgrass"
lower_c = 0

[column]
depth_mm = 150

[clippings]
file = "clippings.csv"

[soil_tests]
file = "soil_tests.csv"

[work]
file = "work.csv"

[cover]
file = "cover.csv"

[[green]]
name = "Green 1"
area_m2 = 480

[[green]]
name = "Green 2"
area_m2 = "5000 ft2"

[[method]]
name = "440 C"
furnace_c = 440
verdure = "on"

[[programme]]
name = "Core in spring"

[[programme.step]]
when = "second Monday of April"
work = [
    { work = "coring", tine_inside_diameter_mm = 12.7, spacing_along_mm = 50, spacing_across_mm = 50, depth_mm = 75 },
    { work = "topdressing", sand_mm = 3 },
]

[[programme.step]]
when = "every 14 days from 1 May to 15 October"
work = [{ work = "topdressing", sand_mm = 0.4 }]

[target]
top_mm = 0
bottom_mm = 20
om_percent = 6
probability = 0.8
"""
FOLDER = {
    "course.toml": COURSE,
    "weather.csv": WEATHER,
    "clippings.csv": "green,first_day,last_day,volume_l\nGreen 1,2014-04-01,2014-04-02,24\n",
    "soil_tests.csv": TESTS_HEADER
    + "Green 1,2014-04-01,0,20,6.1,8,440 C,on\nGreen 1,2014-04-01,20,40,4.4,8,440 C,on\n",
    "work.csv": (
        "green,date,work,tine_inside_diameter_mm,spacing_along_mm,spacing_across_mm,depth_mm,sand_kg_m2\n"
        "all,2014-04-14,coring,12.7,50,50,75,\n"
        "all,2014-04-14,topdressing,,,,,4.5\n"
    ),
    "cover.csv": (
        "green,date,cover_percent,holes_counted,holes_visible\nGreen 1,2014-04-28,97,,\nGreen 1,2014-05-02,,50,10\n"
    ),
}
"""A small invented course in which nothing is wrong."""


@dataclass(frozen=True)
class Case:
    """One broken file: what is wrong, how it is read, and its content."""

    title: str
    read: Callable[[Path], Any]
    file: str
    content: str | bytes
    described: str = ""
    """In place of the content, where that cannot be shown."""
    rest: Mapping[str, str] = field(default_factory=dict)
    """Other files of the folder."""

    def write(self, folder: Path) -> Path:
        """Write the file, and its neighbours if it is part of a course; return what is to be read."""
        for name, text in self.rest.items():
            (folder / name).write_text(text, encoding="utf-8", newline="")
        path = folder / self.file
        path.write_bytes(self.content.encode() if isinstance(self.content, str) else self.content)
        if self.title == "A file of 200 MB":
            with path.open("r+b") as handle:
                handle.truncate(200_000_000)
        return folder if self.rest else path

    def outcome(self) -> tuple[mat.InputError | None, list[str]]:
        """Return what the reader raises for the file, if anything, and what it finds worth a look."""
        with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            path, error = self.write(Path(folder)), None
            try:
                self.read(path)
            except mat.InputError as raised:
                error = raised
            return error, [f"worth a look: {each.message}" for each in caught]

    def error(self) -> mat.InputError | None:
        """Return what the reader raises for the file, if anything."""
        return self.outcome()[0]

    def message(self) -> str:
        """Return what the reader says of the file."""
        error, told = self.outcome()
        return str(error or "\n".join(told) or "reads without complaint")

    def kinds(self) -> list[Kind | None]:
        """Return the kinds of what is wrong, each once."""
        error = self.error()
        return list(dict.fromkeys(kind_of_message(problem.expected) for problem in error.problems) if error else ())


def weather(title: str, content: str | bytes, described: str = "") -> Case:
    """Break a weather file."""
    return Case(title, mat.read_weather, "weather.csv", content, described)


def tests(title: str, content: str) -> Case:
    """Break a file of soil tests."""
    return Case(title, mat.read_soil_tests, "soil_tests.csv", TESTS_HEADER + content)


def work(title: str, content: str) -> Case:
    """Break a file of work."""
    return Case(title, mat.read_work, "work.csv", content)


def cover(title: str, content: str) -> Case:
    """Break a file of cover."""
    return Case(title, mat.read_cover, "cover.csv", "green,date,cover_percent,holes_counted,holes_visible\n" + content)


def course(title: str, file: str, old: str, new: str) -> Case:
    """Break one file of the course in one place."""
    if FOLDER[file].count(old) != 1:
        raise ValueError(f"{title}: {old!r} stands {FOLDER[file].count(old)} times in {file}")
    described = f"`{file}` with `{old}` changed to `{new}`"
    return Case(title, mat.load_course, file, FOLDER[file].replace(old, new), described, FOLDER)


CASES = (
    weather("A unit that is not known", "date,tmin_k,tmax_c\n2014-03-01,277,14\n"),
    weather("A missing column", "date,tmin_c\n2014-03-01,4\n"),
    weather("A misspelt column", "date,tmin_c,tmax_c,rian_mm\n2014-03-01,4,14,0\n"),
    weather("A column given twice", "date,tmin_c,tmax_c,tmax_f\n2014-03-01,4,14,57\n"),
    weather("A date in another format", "date,tmin_c,tmax_c\n01/03/2014,4,14\n02/03/2014,4,14\n"),
    weather("A day that does not exist", "date,tmin_c,tmax_c\n2014-02-29,4,14\n"),
    weather("A decimal comma", 'date,tmin_c,tmax_c\n2014-03-01,"4,5",14\n2014-03-02,4,5,14\n'),
    weather("Semicolons between the columns", "date;tmin_c;tmax_c\n2014-03-01;4,5;14\n"),
    weather("NaN and infinity", "date,tmin_c,tmax_c\n2014-03-01,NaN,14\n2014-03-02,4,inf\n"),
    weather("A row with a cell too few", "date,tmin_c,tmax_c\n2014-03-01,4\n"),
    weather("A gap in the days", "date,tmin_c,tmax_c\n2014-03-01,4,14\n2014-03-04,4,14\n"),
    weather("A day given twice", "date,tmin_c,tmax_c\n2014-03-01,4,14\n2014-03-01,5,15\n"),
    weather("A minimum above the maximum", "date,tmin_c,tmax_c\n2014-03-01,14,4\n"),
    weather("An empty file", ""),
    weather("A header and nothing else", "date,tmin_c,tmax_c\n"),
    weather("A quote that never closes", 'date,tmin_c,tmax_c\n2014-03-01,"4,14\n'),
    weather("Bytes that are not UTF-8", b"date,tmin_c,tmax_c\n2014-03-01,4\xb0,14\n", "`4°` in Latin-1"),
    weather("Text in UTF-16", WEATHER.encode("utf-16"), "a good file, saved as UTF-16"),
    weather("A NUL byte", b"date,tmin_c,tmax_c\n2014-03-01,\0,14\n", "a NUL byte in a cell"),
    weather("A file of 200 MB", "date,tmin_c,tmax_c\n", "200,000,000 bytes, refused before it is read"),
    weather("A workbook in place of CSV", b"PK\x03\x04" + bytes(100), "the first bytes of an .xlsx workbook"),
    weather("A line for the spreadsheet", "sep=,\ndate,tmin_c,tmax_c\n2014-03-01,4,14\n"),
    weather("A title above the header", "Weather of 2014,,\ndate,tmin_c,tmax_c\n2014-03-01,4,14\n"),
    weather("A value under no name", "date,tmin_c,tmax_c,\n2014-03-01,4,14,\n2014-03-02,4,14,wet\n"),
    weather("A column without name or values", "date,tmin_c,tmax_c,,\n2014-03-01,4,14,,\n"),
    weather("A printed minus sign", "date,tmin_c,tmax_c\n2014-03-01,\u22124,14\n"),
    weather("A byte order mark", b"\xef\xbb\xbf" + WEATHER.encode(), "a good file with a byte order mark"),
    weather("Lines that end in CR LF", WEATHER.replace("\n", "\r\n").encode(), "a good file with CR LF"),
    tests("Overlapping windows", "Green 1,2014-04-01,0,20,6.1,8,440 C,on\nGreen 1,2014-04-01,10,30,5.2,8,440 C,on\n"),
    tests("A duplicate test", "Green 1,2014-04-01,0,20,6.1,8,440 C,on\nGreen 1,2014-04-01,0,20,6.3,8,440 C,on\n"),
    tests("A window upside down", "Green 1,2014-04-01,20,0,6.1,8,440 C,on\nGreen 1,2014-04-01,40,20,6.1,8,440 C,on\n"),
    tests("A depth beyond the column", "Green 1,2014-04-01,100,200,1.1,8,440 C,on\n"),
    tests("Organic matter above 100 %, no cores", "Green 1,2014-04-01,0,20,610,0,440 C,on\n"),
    tests("A unit of another kind", "Green 1,2014-04-01,0,3 lb,6.1,8,440 C,on\n"),
    tests(
        "Windows in inches under mm, shares under per cent",
        "Green 1,2014-04-01,0,0.8,0.061,8,440 C,on\nGreen 1,2014-04-01,0.8,1.6,0.044,8,440 C,on\n",
    ),
    weather(
        "A year of Celsius under Fahrenheit",
        "date,tmin_f,tmax_f\n"
        + "".join(f"{dt.date(2014, 1, 1) + dt.timedelta(days=n)},{4 + n % 5},{14 + n % 7}\n" for n in range(365)),
        "365 days, `tmin_f` from 4 to 8 and `tmax_f` from 14 to 20",
    ),
    Case(
        "A depth in inches under a heading of its own",
        lambda path: mat.read_soil_tests(path, columns={"bottom_mm": "to"}, units={"bottom_mm": "in"}),
        "soil_tests.csv",
        TESTS_HEADER.replace("bottom_mm", "to") + "Green 1,2014-04-01,20,0.5,6.1,8,440 C,on\n",
        f"`{TESTS_HEADER.strip().replace('bottom_mm', 'to')}` with `to` declared in inches, and a row `20,0.5`",
    ),
    work("Negative sand", "green,date,work,sand_mm\nGreen 1,2014-04-14,topdressing,-1\n"),
    work("Half a metre of sand", "green,date,work,sand_mm\nGreen 1,2014-04-14,topdressing,500\n"),
    work("A parameter not taken by the work", "green,date,work,sand_mm,depth_mm\nall,2014-04-14,topdressing,1,75\n"),
    work("A parameter needed by the work", "green,date,work,depth_mm\nall,2014-04-14,coring,75\n"),
    work("Work of no known kind", "green,date,work,depth_mm\nall,2014-04-14,corring,75\n"),
    work("Holes wider than their spacing", FOLDER["work.csv"].replace("12.7,50,50", "12.7,10,50")),
    Case(
        "Clippings that share a day",
        mat.read_clippings,
        "clippings.csv",
        "green,first_day,last_day,dry_g_m2\nGreen 1,2014-04-01,2014-04-07,22\nGreen 1,2014-04-05,2014-04-09,20\n",
    ),
    cover("A cover and counts of holes", "Green 1,2014-04-28,97,50,10\n"),
    cover("More holes seen than counted", "Green 1,2014-04-28,,50,60\n"),
    cover("A green read twice on one day", "Green 1,2014-04-28,70,,\nGreen 1,2014-04-28,80,,\n"),
    course("Cover before any work", "cover.csv", "2014-04-28", "2014-04-04"),
    course("A green misspelt in course.toml", "course.toml", 'name = "Green 1"', 'name = "Gren 1"'),
    course("Two greens with one name", "course.toml", 'name = "Green 2"', 'name = "green1"'),
    course("A name without quotes", "course.toml", 'name = "Green 2"', "name = 2"),
    course("Tests before the weather starts", "soil_tests.csv", "2014-04-01,20,40", "2013-10-01,20,40"),
    course("Work after the weather ends", "work.csv", "2014-04-14,topdressing", "2014-06-14,topdressing"),
    course("A green that the course does not have", "soil_tests.csv", "Green 1,2014-04-01,20", "Gren 1,2014-04-01,20"),
    course("A key that is not known", "course.toml", "lower_c = 0", "lowerc = 0"),
    course("An area in square feet without its unit", "course.toml", '"5000 ft2"', "5000"),
    course("A bore in inches under mm", "work.csv", "coring,12.7", "coring,0.5"),
    course("A tine longer than the column", "course.toml", "depth_mm = 75", "depth_mm = 750"),
    course("A rule that cannot be read", "course.toml", "second Monday of April", "Monday second in April"),
    course("A path out of the folder", "course.toml", 'file = "work.csv"', 'file = "../work.csv"'),
    course("A method that says otherwise", "course.toml", 'verdure = "on"', 'verdure = "off"'),
    course("Text that is not TOML", "course.toml", "invented = true", "invented = yes"),
)


def page() -> str:
    """Return the page: every file and its message."""
    parts = [
        "# Broken files\n\n"
        "What each reader says of a file that is wrong, or looks as if it were. All problems of a file are named at\n"
        "once, each with file, row (the header is row 1), column, what was found and what was expected; what needs\n"
        "every row, such as a gap in the days, is looked at once all cells can be read. What is\n"
        "*worth a look* is read as it stands. All data are invented. What to do about each kind is on the page\n"
        "[errors](errors.md). `docs/make_broken_files.py` writes this page from the actual messages.\n"
    ]
    for case in CASES:
        shown = case.described
        if not shown:
            text = case.content if isinstance(case.content, str) else case.content.decode()
            shown = f"```text\n{text}```" if text else f"{case.file}: nothing"
        else:
            shown = f"{case.file}: {shown}" if not case.rest else shown
        kinds = ", ".join(link(kind) for kind in case.kinds() if kind)
        mend = f"\nWhat to do: {kinds}\n" if kinds else ""
        parts.append(f"## {case.title}\n\n{shown}\n\nsays\n\n```text\n{case.message()}\n```\n{mend}")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
