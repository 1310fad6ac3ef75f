"""Reading a course from a folder: `course.toml` and the CSV files that it names."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, Field, replace
from dataclasses import fields as dataclass_fields
from pathlib import Path, PureWindowsPath
from typing import Any, TypeVar

from matledger.cells import Column, column, read_fields
from matledger.course import GREEN, GROWTH, METHOD, TARGET, UNITS, Course, Green, Method, Settings, Target, cross_check
from matledger.errors import InputError, Problem
from matledger.findings import Doubt, Findings, fold, nearest, shown
from matledger.growth import ClippingRecord
from matledger.labour import MATERIAL, TASK, TASKS, Labour, Task
from matledger.money import Prices
from matledger.play import Play
from matledger.practice import Programme, Work
from matledger.records.clippings import collect_clippings
from matledger.records.holes import collect_cover, doubts_of_cover
from matledger.records.soil_tests import COLUMN_DEPTH_MM, collect_soil_tests
from matledger.records.weather import collect_weather, read_ghcn_daily
from matledger.records.work import collect_work, read_work_table
from matledger.tables import read_toml
from matledger.weather import FillRule, Interpolate, SameDayOtherYears, Weather

__all__ = ["FILE", "load_course"]

FILE = "course.toml"
MAX_BYTES = 1_000_000

TOP = (
    column("name"),
    column("note", required=False),
    column("invented", required=False),
    replace(UNITS, required=False),
)
SECTIONS = (
    *(
        "weather",
        "growth",
        "column",
        "green",
        "clippings",
        "soil_tests",
        "work",
        "cover",
        "method",
        "programme",
        "target",
    ),
    *("prices", "play", "labour", "task"),
)
RECORD_FILE = (column("file"),)
MAPPINGS = ("columns", "units")
WEATHER_FILE = (
    *RECORD_FILE,
    column("layout", choices=("table", "ghcn_daily"), required=False),
    column("rain", required=False),
    column("first_day", required=False),
    column("last_day", required=False),
)
FILL = (
    column("rule", choices=("interpolate", "same_day_other_years")),
    column("max_days", required=False),
)
CLIPPINGS_FILE = (*RECORD_FILE, column("dry_matter_g_l", required=False))
COLUMN = (column("depth_mm", "column", required=False),)
PROGRAMME = (
    column("name"),
    column("when_no_work", choices=("skip", "next_work_day"), required=False),
)
STEP = (column("when"),)
PRICES = tuple(field.name for field in dataclass_fields(Prices))
PLAY = tuple(field.name for field in dataclass_fields(Play))

GRASSES = (
    *("bentgrass", "bluegrass", "bermudagrass", "manilagrass", "zoysiagrass", "ryegrass", "kikuyugrass", "fescue"),
    *("creeping bentgrass", "ultradwarf bermudagrass", "annual bluegrass", "seashore paspalum"),
)
"""Grasses whose names are looked at for a slip; any other text will do."""

Made = TypeVar("Made")


def load_course(folder: str | os.PathLike[str]) -> Course:
    """Read a course from a folder.

    ``course.toml`` names the course, its greens and its files, which have to lie within the folder. Only ``name``,
    ``[weather]``, ``[growth]`` and one ``[[green]]`` are needed. A key's unit stands at its end, as in the files:
    ``depth_in`` will do for ``depth_mm``, and ``depth_mm = "3 in"`` too.

    .. code-block:: toml

        name = "Invented Links"
        note = "made up to show the layout"
        invented = true
        units = "us"                # of what is shown; "metric" if left out

        [weather]
        file = "weather.csv"        # date, tmin_c, tmax_c, rain_mm; layout = "ghcn_daily" reads such a file instead
        first_day = 2010-01-01      # and last_day: the days to use; rain = false leaves rain out
        fill = [{ rule = "interpolate", max_days = 3 }, { rule = "same_day_other_years" }]

        [growth]
        grass = "creeping bentgrass"
        lower_c = 0                 # base of its degree days; upper_c = 30 sets a threshold

        [column]
        depth_mm = 150

        [clippings]                 # dry_matter_g_l = 60 stands in for the grass's own
        file = "clippings.csv"

        [soil_tests]                # any file may have column names and units of its own
        file = "soil-tests.csv"
        columns = { om_percent = "LOI" }
        units = { top_mm = "in", bottom_mm = "in" }

        [work]
        file = "work.csv"

        [cover]                     # cover read after work; how fast the turf heals is learnt from it
        file = "cover.csv"

        [[green]]
        name = "1"
        area_m2 = 480               # or area_m2 = "5000 ft2"
        mat_depth_mm = 60           # if known

        [[method]]                  # of the laboratory; then every test has to name one
        name = "440 C"
        furnace_c = 440
        verdure = "on"
        note = "not ground"

        [[programme]]
        name = "groove in spring"
        no_work = ["1 July to 14 July"]
        when_no_work = "next_work_day"  # or "skip"

        [[programme.step]]
        when = "second Monday of April"
        work = [
            { work = "vertical_mowing", blade_width_mm = 2, blade_spacing_mm = 25, depth_mm = 20 },
            { work = "topdressing", sand_mm = 3 },  # parameters are the columns of the work file
        ]

        [target]
        top_mm = 0
        bottom_mm = 20
        om_percent = 6
        probability = 0.8

        [prices]                    # `matledger.money.Prices`; machines and contractors by name
        currency = "EUR"
        crew_per_h = 25
        machine_per_h = { "vertical mower" = 35 }
        sand_per_t = "38 EUR"

        [play]                      # `matledger.play.Play`
        rounds_a_week = [0, 0, 100, 200, 300, 350, 350, 350, 300, 200, 100, 0]
        lost_share = 0.1

        [labour]                    # `matledger.labour.Labour`; what is not given is the stated default
        sand_waste_share = 0.02

        [[task]]                    # `matledger.labour.Task`; if there are any, they take the place of all defaults
        name = "groove"
        work = "vertical_mowing"
        machine = "vertical mower"
        width_m = 0.6
        speed_km_h = 3

        [[task]]
        name = "spread by hand"
        work = "topdressing"
        people = 3
        fixed_h = 0.5

    Parameters
    ----------
    folder
        Folder that holds ``course.toml``.

    Returns
    -------
    Course

    Raises
    ------
    InputError
        With every problem of ``course.toml``, of the files, and of one against another.

    Warns
    -----
    UnusualWarning
        For numbers that are possible but unusual, as of a wrong unit: worth a look, each column of a file once.

    Examples
    --------
    >>> from importlib.resources import files
    >>> course = load_course(files("matledger") / "demo" / "course")
    >>> len(course.greens), len(course.soil_tests)
    (9, 234)
    """
    return _Loader(Path(folder)).course()


class _Loader:
    """Reads the parts one by one; what is wrong goes to the findings, and the part is then None."""

    def __init__(self, folder: Path) -> None:
        if not folder.is_dir():
            raise InputError([Problem("folder", shown(folder.name), f"a folder that holds {FILE}")])
        self.folder = folder
        self.findings = Findings()
        self.data = read_toml(folder / FILE, max_bytes=MAX_BYTES)

    def course(self) -> Course:
        top = self.fields(self.data, TOP, "", beside=SECTIONS)
        greens = self.each("green", lambda data, place: self.make(Green, data, GREEN, place))
        methods = self.each("method", lambda data, place: self.make(Method, data, METHOD, place))
        programmes = self.each("programme", self.programme)
        target_data = self.table("target")
        parts: dict[str, Any] = {
            "weather": self.weather(),
            "greens": greens,
            "clippings": self.clippings(greens),
            "soil_tests": self.records("soil_tests", collect_soil_tests),
            "programmes": programmes or [],
            "target": None if target_data is None else self.make(Target, target_data, TARGET, "target"),
            "methods": methods or [],
        }
        before = len(self.findings.problems)
        parts["work"] = self.records("work", collect_work)
        work_is_whole = len(self.findings.problems) == before
        cover = self.records("cover", collect_cover)
        # What follows work that could not be read is no second problem.
        parts["cover"] = cover if work_is_whole else []
        parts["prices"] = self.section("prices", Prices, PRICES)
        play = self.section("play", Play, PLAY)
        before = len(self.findings.problems)
        parts["labour"] = self.labour()
        # What tasks need that could not be read is no second problem.
        priced = parts["prices"] if len(self.findings.problems) == before else None
        settings = self.settings()
        depth_mm = settings.column_depth_mm if settings else None
        self.findings.problems += cross_check(**parts | {"prices": priced}, column_depth_mm=depth_mm, file=FILE)
        self.findings.doubts += doubts_of_cover(parts["cover"], parts["work"])
        doubts = self.findings.doubts
        self.findings.raise_any()
        # Nothing was found, so every part is there.
        return Course(**(top or {}), **parts, play=play, settings=settings, doubts=doubts)  # type: ignore[arg-type]

    def section(self, key: str, kind: type[Made], fields: Sequence[str]) -> Made | None:
        """Read a section whose class checks its own fields."""
        data = self.table(key)
        if data is None:
            return None
        unknown = [name for name in data if name not in fields]
        for name in unknown:
            like = nearest(name, fields)
            self.report(
                f"{key}.{name}", "unknown key", f"one of {', '.join(fields)}" + (f" (nearest: {like})" * bool(like))
            )
        missing = [field.name for field in dataclass_fields(kind) if _needed(field) and field.name not in data]  # type: ignore[arg-type]
        for name in missing:
            self.report(f"{key}.{name}", "not given", "a value")
        known = {name: value for name, value in data.items() if name in fields}
        return None if missing else self.built(key, lambda: kind(**known))

    def labour(self) -> Labour | None:
        tasks = self.each("task", lambda data, place: self.make(Task, data, TASK, place))
        data = self.table("labour")
        values = self.fields(data or {}, MATERIAL, "labour")
        if values is None or (data is None and not tasks):
            return None
        return self.built("labour", lambda: Labour(tasks=tasks or TASKS, **values))

    def report(self, place: str, value: object, expected: str) -> None:
        self.findings.add(Problem(place, shown(value), expected, FILE))

    def fields(
        self, data: Mapping[str, Any], columns: Sequence[Column], place: str, beside: Sequence[str] = ()
    ) -> dict[str, Any] | None:
        return read_fields(data, columns, place=place, file=FILE, findings=self.findings, beside=beside)

    def make(self, kind: type[Made], data: Mapping[str, Any], columns: Sequence[Column], place: str) -> Made | None:
        values = self.fields(data, columns, place)
        return None if values is None else self.built(place, lambda: kind(**values))

    def built(self, place: str, build: Callable[[], Made]) -> Made | None:
        """Build a part; problems of its constructor are placed in the file."""
        try:
            return build()
        except InputError as error:
            self.findings.absorb(error, lambda p: replace(p, place=f"{place}.{p.place}", file=FILE))
            return None

    def table(self, key: str, *, required: bool = False) -> Mapping[str, Any] | None:
        """Return a section, or None if it is not there; one that is no table is a problem."""
        if key not in self.data:
            if required:
                self.report(key, "not given", f"a section [{key}]")
            return None
        return self.is_table(self.data[key], key)

    def is_table(self, data: object, place: str) -> Mapping[str, Any] | None:
        if isinstance(data, dict):
            return data
        self.report(place, data, f"a table of keys, such as a section [{place}]")
        return None

    def each(
        self, key: str, read: Callable[[Mapping[str, Any], str], Made | None], *, within: Any = None, place: str = ""
    ) -> list[Made] | None:
        """Read an array of tables; None if any of them is wrong."""
        name = f"{place}.{key}" if place else key
        items = (self.data if within is None else within).get(key, [])
        if not isinstance(items, list):
            self.report(name, items, f"tables, each under [[{key}]]")
            return None
        tables = [(self.is_table(item, f"{name}[{index}]"), f"{name}[{index}]") for index, item in enumerate(items)]
        made = [None if data is None else read(data, where) for data, where in tables]
        found = [item for item in made if item is not None]
        return found if len(found) == len(made) else None

    def file(self, place: str, name: str) -> Path | None:
        """Return the path of a file that the course names, if it lies within the folder."""
        windows = PureWindowsPath(name)
        expected = "a file within the course's folder, such as weather.csv"
        if Path(name).is_absolute() or windows.drive or windows.root or ".." in windows.parts:
            self.report(place, name, expected)
            return None
        path = self.folder / name
        try:
            inside = path.resolve().is_relative_to(self.folder.resolve())
        except (OSError, RuntimeError):
            inside = False
        if not inside:
            self.report(place, f"{name} (a link that leaves the folder)", expected)
            return None
        return path

    def mappings(self, data: Mapping[str, Any], place: str) -> dict[str, Any] | None:
        """Return the user's own names and units of a file's columns."""
        found = {}
        for key in MAPPINGS:
            value = data.get(key, {})
            if not isinstance(value, dict) or not all(isinstance(item, str) for item in value.values()):
                self.report(f"{place}.{key}", value, 'texts by column name, such as { om_percent = "LOI" }')
                return None
            found[key] = value
        return found

    def settings(self) -> Settings | None:
        growth = self.table("growth", required=True)
        column = self.fields(self.table("column") or {}, COLUMN, "column")
        values = None if growth is None else self.fields(growth, GROWTH, "growth")
        if values is None or column is None:
            return None
        depth_mm = column.get("depth_mm", COLUMN_DEPTH_MM)
        grass = values["grass"]
        if not any(fold(name) in fold(grass) for name in GRASSES) and (like := nearest(grass, GRASSES)):
            self.findings.doubts.append(Doubt(FILE, "growth.grass", "grass", grass, f"is {like} meant?"))
        return self.built("growth", lambda: Settings(**values, column_depth_mm=depth_mm))

    def weather(self) -> Weather | None:
        data = self.table("weather", required=True)
        if data is None:
            return None
        values = self.fields(data, WEATHER_FILE, "weather", beside=("fill", *MAPPINGS))
        fill: list[FillRule] | None = self.each("fill", self.fill_rule, within=data, place="weather")
        mappings = self.mappings(data, "weather")
        if values is None or fill is None or mappings is None:
            return None
        path = self.file("weather.file", values.pop("file"))
        if path is None:
            return None
        ghcn = values.pop("layout", "table") == "ghcn_daily"
        for key in MAPPINGS:
            if ghcn and key in data:
                self.report(f"weather.{key}", data[key], "nothing: the layout ghcn_daily has its own columns and units")
                return None
        try:
            if ghcn:
                return read_ghcn_daily(path, fill=fill, **values)
            weather, findings = collect_weather(path, fill=fill, **mappings, **values)
        except InputError as error:
            self.findings.absorb(error, lambda p: _of_mapping(p, "weather"))
            return None
        self.findings.take(findings)
        return weather

    def fill_rule(self, data: Mapping[str, Any], place: str) -> FillRule | None:
        values = self.fields(data, FILL, place)
        if values is None:
            return None
        if values["rule"] == "same_day_other_years":
            if "max_days" in values:
                self.report(f"{place}.max_days", values["max_days"], "nothing: only the rule interpolate takes it")
                return None
            return SameDayOtherYears()
        if "max_days" not in values:
            self.report(f"{place}.max_days", "not given", "the longest gap to interpolate (days)")
            return None
        return self.built(place, lambda: Interpolate(max_days=values["max_days"]))

    def records(
        self,
        key: str,
        collect: Callable[..., tuple[list[Made], Findings]],
        columns: Sequence[Column] = RECORD_FILE,
        **options: Any,
    ) -> list[Made]:
        """Read the records that can be read; what is wrong with the others goes to the findings."""
        data = self.table(key)
        if data is None:
            return []
        values = self.fields(data, columns, key, beside=MAPPINGS)
        mappings = self.mappings(data, key)
        if values is None or mappings is None:
            return []
        path = self.file(f"{key}.file", values.pop("file"))
        if path is None:
            return []
        try:
            records, findings = collect(path, **mappings, **values, **options)
        except InputError as error:
            self.findings.problems += error.problems
            return []
        findings.problems = [_of_mapping(problem, key) for problem in findings.problems]
        self.findings.take(findings)
        return records

    def clippings(self, greens: list[Green] | None) -> list[ClippingRecord]:
        growth = self.data.get("growth")
        grass = growth.get("grass") if isinstance(growth, dict) else None
        grass = grass if isinstance(grass, str) else None  # anything else is told under [growth]
        areas = {green.name: green.area_m2 for green in greens or []}
        before = len(self.findings.problems)
        records = self.records(
            "clippings", collect_clippings, CLIPPINGS_FILE, grass=grass, areas_m2=areas, greens_checked_later=True
        )
        # The grass stands in this file; if it is missing, that is told under [growth].
        self.findings.problems[before:] = [
            replace(p, place="growth.grass", file=FILE) if p.place == "grass" else p
            for p in self.findings.problems[before:]
            if p.place != "grass, dry_matter_g_l"
        ]
        return records

    def programme(self, data: Mapping[str, Any], place: str) -> Programme | None:
        values = self.fields(data, PROGRAMME, place, beside=("no_work", "step"))
        steps = self.each("step", self.step, within=data, place=place)
        no_work = data.get("no_work", [])
        if not isinstance(no_work, list) or not all(isinstance(item, str) for item in no_work):
            self.report(f"{place}.no_work", no_work, 'a list of texts such as ["1 July to 14 July"]')
            return None
        if values is None or steps is None:
            return None
        try:
            return Programme(steps=steps, no_work=no_work, **values)
        except InputError as error:
            self.findings.absorb(error, lambda p: replace(p, place=f"{place}.{_as_in_toml(p.place)}", file=FILE))
            return None

    def step(self, data: Mapping[str, Any], place: str) -> tuple[str, list[Work]] | None:
        values = self.fields(data, STEP, place, beside=("work",))
        works = self.each(
            "work",
            lambda piece, where: read_work_table(piece, place=where, file=FILE, findings=self.findings),
            within=data,
            place=place,
        )
        if values is None or works is None:
            return None
        if not works:
            self.report(f"{place}.work", "not given", "at least one piece of work")
            return None
        return values["when"], works


def _of_mapping(problem: Problem, section: str) -> Problem:
    """Place what is wrong with a file's ``columns`` or ``units`` in the section that says them."""
    mapped = problem.place.partition(".")[0] in MAPPINGS
    return replace(problem, place=f"{section}.{problem.place}", file=FILE) if mapped else problem


def _needed(field: Field[Any]) -> bool:
    return field.default is MISSING and field.default_factory is MISSING


def _as_in_toml(place: str) -> str:
    """Rename a place in a `Programme` as the file names it."""
    return place.replace("steps[", "step[").replace(".works", ".work")
