import tracemalloc

import pytest
from broken import files

import matledger as mat

CASES = {case.title: case for case in files.CASES}

OWN = "; a heading of your own goes under columns"

# What each message has to name, line by line; the whole messages stand in docs/broken-files.md.
MESSAGES = {
    "A unit that is not known": [
        "weather.csv, row 1, column tmin_k: unknown column; expected a known unit at its end: tmin_c or tmin_f",
        "weather.csv, row 1: no column tmin_c; expected column tmin_c: a number from -90 to 60 (degC)" + OWN,
    ],
    "A missing column": [
        "weather.csv, row 1: no column tmax_c; expected column tmax_c: a number from -90 to 60 (degC)"
    ],
    "A misspelt column": [
        "weather.csv, row 1, column rian_mm: unknown column; expected one of date, tmin_c, tmax_c, rain_mm "
        "(nearest: rain_mm)"
    ],
    "A column given twice": [
        "weather.csv, row 1, column tmax_f: second column for tmax_c; expected either tmax_c or tmax_f, not both"
    ],
    "A date in another format": [
        "weather.csv, row 2, column date: 01/03/2014; expected a date as YYYY-MM-DD",
        "weather.csv, row 3, column date: 02/03/2014; expected a date as YYYY-MM-DD",
    ],
    "A day that does not exist": [
        "weather.csv, row 2, column date: 2014-02-29; expected a day of the calendar, as YYYY-MM-DD"
    ],
    "A decimal comma": [
        "weather.csv, row 2, column tmin_c: 4,5; expected a number from -90 to 60 (degC), with a decimal point and no "
        "comma",
        "weather.csv, row 3: 4 cells; expected 3 cells, one for each column of the header; a decimal comma makes two "
        "cells of one",
    ],
    "Semicolons between the columns": [
        "weather.csv, row 1: semicolons between the columns; expected commas between the columns and points in numbers"
        ": save the sheet so, or in Python read it by pandas, read_csv(..., sep=';', decimal=','), and give the data "
        "frame"
    ],
    "NaN and infinity": [
        "weather.csv, row 2, column tmin_c: NaN; expected a number from -90 to 60 (degC)",
        "weather.csv, row 3, column tmax_c: inf; expected a number from -90 to 60 (degC)",
    ],
    "Windows in inches under mm, shares under per cent": [
        "worth a look: soil_tests.csv, row 2, column bottom_mm: 0.8 mm (and 1 more like it); usual is from 5 to 300 "
        "mm; 0.8 cm = 8 mm or 0.8 in = 20.3 mm or 0.8 ft = 244 mm?",
        "worth a look: soil_tests.csv, row 2, column om_percent: 0.061 % (and 1 more like it); usual is from 0.3 to 25 "
        "%; 0.061 as a share = 6.1 %?",
    ],
    "A year of Celsius under Fahrenheit": [
        "worth a look: weather.csv, column tmin_f: a mean of 6 degF = -14.44 degC; usual is a mean from -6 to 28 degC; "
        "6 degC?",
        "worth a look: weather.csv, column tmax_f: a mean of 16.99 degF = -8.338 degC; usual is a mean from 4 to 42 "
        "degC; 16.99 degC?",
    ],
    "A depth in inches under a heading of its own": [
        "soil_tests.csv, row 2, column to: 0.5 in = 12.7 mm; expected a depth below top_mm (20 mm)"
    ],
    "An area in square feet without its unit": [
        "worth a look: course.toml, green[1].area_m2: 5000 m2; usual is from 100 to 2000 m2; 5000 ft2 = 465 m2?"
    ],
    "A bore in inches under mm": [
        "worth a look: work.csv, row 2, column tine_inside_diameter_mm: 0.5 mm; usual is from 3 to 40 mm; "
        "0.5 cm = 5 mm or 0.5 in = 12.7 mm?"
    ],
    "A row with a cell too few": ["weather.csv, row 2: 2 cells; expected 3 cells, one for each column of the header"],
    "An empty file": ["weather.csv: an empty file; expected a header and rows"],
    "A header and nothing else": [
        "weather.csv, row 1: a header without rows; expected at least one row under the header"
    ],
    "A quote that never closes": [
        "weather.csv, row 2: cannot be split into cells (unexpected end of data); expected cells whose quotes come in "
        "pairs"
    ],
    "Bytes that are not UTF-8": ["weather.csv, row 2: the byte 0xb0; expected text in UTF-8"],
    "Text in UTF-16": ["weather.csv: text in UTF-16; expected text in UTF-8"],
    "A NUL byte": ["weather.csv, row 2: a NUL byte; expected text in UTF-8"],
    "A file of 200 MB": [
        "weather.csv: 200,000,000 bytes; expected a file of at most 20,000,000 bytes (max_bytes= raises the limit)"
    ],
    "A workbook in place of CSV": [
        "weather.csv: a workbook of a spreadsheet; expected text: save the sheet as CSV UTF-8, with commas"
    ],
    "A line for the spreadsheet": [
        "weather.csv, row 1: sep=, a line for a spreadsheet; expected the header in the first row"
    ],
    "A title above the header": [
        "weather.csv, row 1, column Weather of 2014: unknown column; expected one of date, tmin_c, tmax_c, rain_mm",
        "weather.csv, row 1: no column date; expected column date: a date as YYYY-MM-DD" + OWN,
        "weather.csv, row 1: no column tmin_c; expected column tmin_c: a number from -90 to 60 (degC)",
        "weather.csv, row 1: no column tmax_c; expected column tmax_c: a number from -90 to 60 (degC)",
    ],
    "A value under no name": ["weather.csv, row 3: wet; expected no value in a column without a name"],
    "A column without name or values": ["reads without complaint"],
    "A printed minus sign": ["reads without complaint"],
    "A byte order mark": ["reads without complaint"],
    "Lines that end in CR LF": ["reads without complaint"],
    "Overlapping windows": [
        "soil_tests.csv, row 3, column top_mm: 10 to 30 mm; expected a window that does not overlap row 2 (0 to 20 mm)"
        ", of the same green, day and method"
    ],
    "A duplicate test": [
        "soil_tests.csv, row 3, column date: 2014-04-01 a second time; expected one test of 0 to 20 mm; row 2 is of "
        "the same green, day and method"
    ],
    "A window upside down": [
        "soil_tests.csv, row 2, column bottom_mm: 0; expected a number above 0 (mm)",
        "soil_tests.csv, row 3, column bottom_mm: 20; expected a depth below top_mm (40 mm)",
    ],
    "A depth beyond the column": [
        "soil_tests.csv, row 2, column bottom_mm: 200; expected at most the depth of the column (150 mm)"
    ],
    "Organic matter above 100 %, no cores": [
        "soil_tests.csv, row 2, column om_percent: 610; expected a number from 0 to 100 (%)",
        "soil_tests.csv, row 2, column cores: 0; expected a whole number of 1 or more",
    ],
    "A unit of another kind": [
        "soil_tests.csv, row 2, column bottom_mm: 3 lb; expected a length such as 12.7 or '0.5 in'"
    ],
    "Negative sand": ["work.csv, row 2, column sand_mm: -1; expected a number above 0 (mm)"],
    "Half a metre of sand": ["work.csv, row 2, column sand_mm: 500; expected sand above 0 and at most 100 mm"],
    "A parameter not taken by the work": [
        "work.csv, row 2, column depth_mm: 75; expected nothing; topdressing takes sand_mm, sand_kg_m2, passes, "
        "picked_up_share"
    ],
    "A parameter needed by the work": [
        f"work.csv, row 2, column {name}: not given; expected a number above 0 (mm), which coring needs"
        for name in ("tine_inside_diameter_mm", "spacing_along_mm", "spacing_across_mm")
    ],
    "Work of no known kind": [
        "work.csv, row 2, column work: corring; expected coring, solid_tining, vertical_mowing, sand_injection or "
        "topdressing (nearest: coring)"
    ],
    "Clippings that share a day": [
        "clippings.csv, row 3, column first_day: 2014-04-05 to 2014-04-09, shared with row 2; expected records of a "
        "green that share no day"
    ],
    "A cover and counts of holes": [
        "cover.csv, row 2, column cover_percent: both given; expected either a cover or counts of holes"
    ],
    "More holes seen than counted": [
        "cover.csv, row 2, column holes_visible: 60; expected no more than were counted (50)"
    ],
    "A green read twice on one day": [
        "cover.csv, row 3, column date: 2014-04-28 a second time, first in row 2; expected one reading of a green a "
        "day: of several, their mean"
    ],
    "Cover before any work": [
        "cover.csv, row 2, column date: 2014-04-04 on Green 1; expected work that opens the surface, on that green in "
        "the 150 days before"
    ],
    "A green misspelt in course.toml": [
        "clippings.csv, row 2, column green: Green 1 (and in 4 more rows, also of soil_tests.csv, cover.csv); expected "
        "a green of the course (nearest: Gren 1)"
    ],
    "Two greens with one name": [
        "course.toml, green[1].name: green1; expected a name of its own; green[0] is Green 1 (spaces and case tell no "
        "names apart)"
    ],
    "A name without quotes": ['course.toml, green[1].name: 2; expected text: "2", with quotes'],
    "Tests before the weather starts": [
        "soil_tests.csv, row 3, column date: 2013-10-01; expected a day of the weather, 2014-03-01 to 2014-05-31"
    ],
    "Work after the weather ends": [
        "work.csv, row 3, column date: 2014-06-14; expected a day of the weather, 2014-03-01 to 2014-05-31"
    ],
    "A green that the course does not have": [
        "soil_tests.csv, row 3, column green: Gren 1; expected a green of the course (nearest: Green 1)"
    ],
    "A key that is not known": [
        "course.toml, growth.lowerc: unknown key; expected one of grass, lower_c, upper_c (nearest: lower_c)",
        "course.toml, growth: no key lower_c; expected key lower_c: a number from -20 to 40 (degC)",
    ],
    "A tine longer than the column": [
        "course.toml, programme[0].step[0].work[0].depth_mm: 750; expected at most the depth of the column (150 mm)"
    ],
    "A path out of the folder": [
        "course.toml, work.file: ../work.csv; expected a file within the course's folder, such as weather.csv"
    ],
    "A method that says otherwise": [
        "soil_tests.csv, row 2, column verdure: on (and in 1 more row); expected off, as the method 440 C says",
    ],
    "Text that is not TOML": [
        "course.toml: Invalid value (at line 2, column 12); expected true, false, or text in straight quotes, as in"
        ' name = "My course"'
    ],
}

# The floors below word these; what matters here is that the place in the file is named.
PLACES = {
    "A gap in the days": "weather.csv, 2014-03-02",
    "A day given twice": "weather.csv, row 3, 2014-03-01",
    "A minimum above the maximum": "weather.csv, row 2, column tmin_c, 2014-03-01: 14",
    "Holes wider than their spacing": "work.csv, row 2, column spacing_along_mm: 10",
    "A rule that cannot be read": "course.toml, programme[0].",
}


@pytest.mark.parametrize("title", CASES)
def test_every_message(title):
    message = CASES[title].message()
    if title in PLACES:
        assert message.startswith(PLACES[title])
        assert "\n" not in message
    else:
        assert message.splitlines() == MESSAGES[title]


def test_page_is_up_to_date():
    assert files.PAGE.read_text(encoding="utf-8") == files.page(), "run docs/make_broken_files.py"


def test_large_file_is_refused_without_memory(tmp_path):
    path = CASES["A file of 200 MB"].write(tmp_path)
    tracemalloc.start()
    with pytest.raises(mat.InputError):
        mat.read_weather(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1_000_000
