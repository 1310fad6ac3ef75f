"""A course: its greens, weather, records and programmes, checked against each other however it was put together."""

from __future__ import annotations

import datetime as dt
import html
from collections import Counter
from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, replace
from typing import TYPE_CHECKING, Literal

from matledger.cells import column, settle
from matledger.errors import InputError, Problem
from matledger.findings import Doubt, fold, known, once, problem_of, shown
from matledger.labour import Labour
from matledger.records.clippings import check_clippings
from matledger.records.holes import CoverRecord, check_cover
from matledger.records.soil_tests import COLUMN_DEPTH_MM, SoilTest, check_soil_tests
from matledger.records.work import ALL_GREENS, WorkRecord, depth_of
from matledger.units import System, show

if TYPE_CHECKING:
    from matledger.growth import ClippingRecord
    from matledger.money import Prices
    from matledger.play import Play
    from matledger.practice import Programme
    from matledger.weather import Weather

__all__ = ["Course", "Green", "Method", "Settings", "Target"]

GREEN = (
    column("name"),
    column("area_m2"),
    column("mat_depth_mm", required=False, may_be_empty=True),
)
METHOD = (
    column("name"),
    column("furnace_c", required=False, may_be_empty=True),
    column("verdure", choices=("on", "off"), required=False, may_be_empty=True),
    column("note", required=False, may_be_empty=True),
)
TARGET = (
    column("top_mm", "Target"),
    column("bottom_mm", "Target"),
    column("om_percent", "Target"),
    column("probability", "Target"),
)
GROWTH = (
    column("grass"),
    column("lower_c"),
    column("upper_c", required=False, may_be_empty=True),
)
COLUMN_DEPTH = column("column_depth_mm")
MAT_DEPTH_MM = 25.0
"""Depth of the mat where a green states none (mm): common practice, no source."""

UNITS = column("units", "Course", choices=("metric", "us"))


@dataclass(frozen=True)
class Green:
    """A putting green.

    Attributes
    ----------
    name
        Its name in every record.
    area_m2
        Area (m2), or a quantity such as ``"5000 ft2"``.
    mat_depth_mm
        Depth of the mat where the original root zone begins (mm), if known.

    Examples
    --------
    >>> from matledger import Green
    >>> Green("1", area_m2="5000 ft2")
    Green(name='1', area_m2=464.5152, mat_depth_mm=None)
    """

    name: str
    _: KW_ONLY
    area_m2: float
    mat_depth_mm: float | None = None

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        settle(self, GREEN).raise_any()


@dataclass(frozen=True)
class Method:
    """What a laboratory method is; it documents the name that the soil tests use.

    Attributes
    ----------
    name
        Name in the soil tests.
    furnace_c
        Temperature of ignition (degC).
    verdure
        Whether verdure is left ``on`` or taken ``off``; tests by the method then have to say the same.
    note
        Anything else: grinding, sieving, sampler.

    Examples
    --------
    >>> from matledger import Method
    >>> Method("LOI 360", furnace_c=360, verdure="off")
    Method(name='LOI 360', furnace_c=360.0, verdure='off', note=None)
    """

    name: str
    _: KW_ONLY
    furnace_c: float | None = None
    verdure: Literal["on", "off"] | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        settle(self, METHOD).raise_any()


@dataclass(frozen=True, kw_only=True)
class Target:
    """Where organic matter is wanted: the user's choice, since no range is widely accepted.

    Attributes
    ----------
    top_mm, bottom_mm
        Window (mm below the surface).
    om_percent
        Organic matter to stay at or below (%).
    probability
        Probability asked for (-).

    Examples
    --------
    >>> from matledger import Target
    >>> Target(top_mm=0, bottom_mm="0.75 in", om_percent=4, probability=0.8)
    Target(top_mm=0.0, bottom_mm=19.05, om_percent=4.0, probability=0.8)
    """

    top_mm: float
    bottom_mm: float
    om_percent: float
    probability: float

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, TARGET)
        findings.raise_any()
        if self.top_mm >= self.bottom_mm:
            findings.add(Problem("bottom_mm", f"{self.bottom_mm:g}", f"a depth below top_mm ({self.top_mm:g} mm)"))
        findings.raise_any()


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What the model needs to know of the site.

    Attributes
    ----------
    grass
        The grass.
    lower_c, upper_c
        Lower base and upper threshold of its degree days (degC).
    column_depth_mm
        Depth of the modelled column (mm).

    Examples
    --------
    >>> from matledger import Settings
    >>> Settings(grass="ultradwarf bermudagrass", lower_c="50 degF").lower_c
    10.0
    """

    grass: str
    lower_c: float
    upper_c: float | None = None
    column_depth_mm: float = COLUMN_DEPTH_MM

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, (*GROWTH, COLUMN_DEPTH))
        findings.raise_any()
        if self.upper_c is not None and self.upper_c <= self.lower_c:
            findings.add(Problem("upper_c", f"{self.upper_c:g}", f"more than lower_c ({self.lower_c:g} degC)"))
        findings.raise_any()


@dataclass(frozen=True, kw_only=True)
class Course:
    """A course and all that is known of it.

    Attributes
    ----------
    name
        Name of the course.
    weather
        Daily weather; every record has to lie within it.
    greens
        The greens, each with a name of its own.
    settings
        What the model needs to know of the site.
    clippings, soil_tests, work, cover
        The records; cover follows work that opened the surface.
    programmes
        Programmes to compare.
    target
        Where organic matter is wanted.
    methods
        Laboratory methods; if there are any, each test names one of them.
    prices, play, labour
        What things cost, how much is played and how work is done; None if the user stated none.
    invented
        Whether the data are invented.
    units
        ``"metric"`` or ``"us"``: what the command line shows unless it is told otherwise.
    note
        Anything a reader should know.
    doubts
        Figures of its files that are possible but unusual, as `load_course` found them.

    Raises
    ------
    InputError
        With every disagreement of the parts: unknown greens, two greens of one name, records outside the weather,
        tests and work below the column, machines that programmes need and prices leave out.
    """

    name: str
    weather: Weather
    greens: Sequence[Green]
    settings: Settings
    clippings: Sequence[ClippingRecord] = ()
    soil_tests: Sequence[SoilTest] = ()
    work: Sequence[WorkRecord] = ()
    cover: Sequence[CoverRecord] = ()
    programmes: Sequence[Programme] = ()
    target: Target | None = None
    methods: Sequence[Method] = ()
    prices: Prices | None = None
    play: Play | None = None
    labour: Labour | None = None
    invented: bool = False
    note: str = ""
    units: System = "metric"
    doubts: Sequence[Doubt] = ()

    def __post_init__(self) -> None:
        """Check the parts against each other."""
        for name in ("greens", "clippings", "soil_tests", "work", "cover", "programmes", "methods", "doubts"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        settle(self, [UNITS]).raise_any()
        problems = cross_check(
            greens=self.greens,
            column_depth_mm=self.settings.column_depth_mm,
            weather=self.weather,
            clippings=self.clippings,
            soil_tests=self.soil_tests,
            work=self.work,
            cover=self.cover,
            programmes=self.programmes,
            target=self.target,
            methods=self.methods,
            prices=self.prices,
            labour=self.labour,
        )
        if problems:
            raise InputError(problems)

    def green(self, name: str) -> Green:
        """Return the green of that name.

        Parameters
        ----------
        name
            A name.

        Raises
        ------
        InputError
            If there is none; the nearest name is suggested.
        """
        for green in self.greens:
            if green.name == name:
                return green
        raise InputError([Problem("green", shown(name), known("green", name, [g.name for g in self.greens]))])

    def tests_of(self, green: str) -> tuple[SoilTest, ...]:
        """Return the soil tests of a green, oldest first.

        Parameters
        ----------
        green
            Name of a green.
        """
        name = self.green(green).name
        return tuple(sorted((t for t in self.soil_tests if t.green == name), key=lambda t: t.date))

    def work_of(self, green: str) -> tuple[WorkRecord, ...]:
        """Return the work done on a green, that on all greens included, oldest first.

        Parameters
        ----------
        green
            Name of a green.
        """
        names = (self.green(green).name, ALL_GREENS)
        return tuple(sorted((w for w in self.work if w.green in names), key=lambda w: w.date))

    def clippings_of(self, green: str) -> tuple[ClippingRecord, ...]:
        """Return the clipping records of a green, oldest first.

        Parameters
        ----------
        green
            Name of a green.
        """
        name = self.green(green).name
        return tuple(sorted((c for c in self.clippings if c.green == name), key=lambda c: c.first_day))

    def only(self, greens: Sequence[str]) -> Course:
        """Return the course with some of its greens and what is on record of them; all else is as it was.

        Parameters
        ----------
        greens
            Names of greens.

        Raises
        ------
        InputError
            For a name that no green has, or none at all.

        Examples
        --------
        >>> import matledger as mat
        >>> course = mat.demo_course().only(["Fen", "Knoll"])
        >>> len(course.greens), len(course.soil_tests)
        (2, 48)
        """
        names = {self.green(name).name for name in greens}
        return replace(
            self,
            greens=[green for green in self.greens if green.name in names],
            clippings=[record for record in self.clippings if record.green in names],
            soil_tests=[test for test in self.soil_tests if test.green in names],
            work=[record for record in self.work if record.green in {*names, ALL_GREENS}],
            cover=[record for record in self.cover if record.green in names],
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What is no error but worth knowing, such as a green without a soil test."""
        notes = thin_records(self, self.soil_tests)
        unstated = [g.name for g in self.greens if g.mat_depth_mm is None]
        if unstated:
            depth = show(MAT_DEPTH_MM, "mm", self.units, 2)
            notes.append(f"depth of the mat at the start taken as {depth} on {', '.join(unstated)}")
        if not self.clippings:
            notes.append("no clipping records: growth follows degree days at the prior's yearly yield")
        if self.invented:
            notes.append("the data are invented")
        return tuple(notes)

    @property
    def facts(self) -> list[tuple[str, str]]:
        """What there is, by name."""
        first, last = _span(self.weather)
        return [
            ("greens", ", ".join(green.name for green in self.greens)),
            ("weather", f"{first} to {last}"),
            ("grass", self.settings.grass),
            ("clipping records", str(len(self.clippings))),
            ("soil tests", str(len(self.soil_tests))),
            ("work records", str(len(self.work))),
            ("readings of cover", str(len(self.cover))),
            ("programmes", ", ".join(programme.name for programme in self.programmes) or "none"),
        ]

    def __repr__(self) -> str:
        """Say what there is."""
        return f"<Course {self.name!r}: " + "; ".join(f"{name} {fact}" for name, fact in self.facts) + ">"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th scope='row' style='text-align:left'>{name}</th>"
            f"<td style='text-align:left'>{html.escape(fact)}</td></tr>"
            for name, fact in [*self.facts, *(("note", note) for note in self.notes)]
        )
        return f"<table><caption>{html.escape(self.name)}</caption><tbody>{rows}</tbody></table>"


def _span(weather: Weather) -> tuple[dt.date, dt.date]:
    return weather.dates[0].astype(object), weather.dates[-1].astype(object)


def method_of(test: SoilTest) -> str:
    """Name what a laboratory did: tests that differ in it get an offset."""
    return f"{test.method}, verdure {test.verdure}"


def thin_records(course: Course, tests: Sequence[SoilTest]) -> list[str]:
    """Say what tests cannot tell, whatever they read."""
    if not tests:
        return ["no soil test: a fit wants at least one"]
    said = []
    days = {test.date for test in tests}
    if len(tests) == 1:
        said.append("one test only: it fixes the level of its own sample; gain and depth stay as believed beforehand")
    elif len(days) == 1:
        said.append(
            f"all tests are of one day ({min(days)}): they fix the profile and say nothing of the gain; a second round,"
            " a season later, is worth more than anything else"
        )
    methods = Counter(method_of(test) for test in tests)
    for method, count in methods.items():
        if len(methods) > 1 and count == 1:
            said.append(
                f"{method} was used once: what it reads above the other method takes that test up whole; test once more"
                " by both methods on one day"
            )
    spelt: dict[str, list[str]] = {}
    for name in dict.fromkeys(test.method for test in tests):
        spelt.setdefault(fold(name), []).append(name)
    said += [
        f"{' and '.join(names)} differ by spaces or case alone, and count as {len(names)} methods: use one name"
        for names in spelt.values()
        if len(names) > 1
    ]
    untested = [green.name for green in course.greens if not any(test.green == green.name for test in tests)]
    if untested:
        said.append(f"never tested: {', '.join(untested)}; they are taken as greens like the others, and no more")
    return said


def cross_check(
    *,
    greens: Sequence[Green] | None,
    column_depth_mm: float | None,
    weather: Weather | None,
    clippings: Sequence[ClippingRecord],
    soil_tests: Sequence[SoilTest],
    work: Sequence[WorkRecord],
    cover: Sequence[CoverRecord],
    programmes: Sequence[Programme],
    target: Target | None,
    methods: Sequence[Method],
    prices: Prices | None,
    labour: Labour | None,
    file: str | None = None,
) -> list[Problem]:
    """Find what the parts of a course disagree on; a part that could not be read is None and is passed over."""
    problems: list[Problem] = []

    def at(place: str, value: object, expected: str) -> None:
        problems.append(Problem(place, shown(value), expected, file))

    if greens is not None:
        if not greens:
            at("green", "no green", "at least one green")
        problems += _same_names("green", [green.name for green in greens], file)
        names = [green.name for green in greens]
        for index, name in enumerate(names):
            if fold(name) == ALL_GREENS:
                at(f"green[{index}].name", name, "a name other than all, which stands for every green in work records")
        of_one_green: list[tuple[ClippingRecord | SoilTest | WorkRecord, str]] = [
            *((record, f"clippings[{index}]") for index, record in enumerate(clippings)),
            *((test, f"soil_tests[{index}]") for index, test in enumerate(soil_tests)),
            *((record, f"work[{index}]") for index, record in enumerate(work) if record.green != ALL_GREENS),
        ]
        for record, place in of_one_green:
            if names and record.green not in names:
                expected = known("green", record.green, [*names, ALL_GREENS] if place.startswith("work") else names)
                problems.append(problem_of(record, place, "green", record.green, expected))
        # What follows work of an unknown green or day is no second problem.
        placed = all(record.green in (*names, ALL_GREENS) for record in work)
        placed &= not _outside_weather(weather, (), (), work, ())
        problems += check_cover(cover, work if placed else None, names) if names else []
    problems += _same_names("programme", [programme.name for programme in programmes], file)
    problems += _same_names("method", [method.name for method in methods], file)
    problems += _outside_weather(weather, clippings, soil_tests, work, cover)
    problems += check_clippings(clippings)
    problems += _unknown_methods(soil_tests, methods)
    if column_depth_mm is not None:
        limit = f"at most the depth of the column ({column_depth_mm:g} mm)"
        problems += check_soil_tests(soil_tests, column_depth_mm=column_depth_mm)
        for index, record in enumerate(work):
            reach = depth_of(record.work)
            if reach and reach[1] > column_depth_mm:
                problems.append(problem_of(record, f"work[{index}]", reach[0], f"{reach[1]:g}", limit))
        for p, programme in enumerate(programmes):
            for s, (_, works) in enumerate(programme.steps):
                for w, piece in enumerate(works):
                    reach = depth_of(piece)
                    if reach and reach[1] > column_depth_mm:
                        at(f"programme[{p}].step[{s}].work[{w}].{reach[0]}", f"{reach[1]:g}", limit)
        if target is not None and target.bottom_mm > column_depth_mm:
            at("target.bottom_mm", f"{target.bottom_mm:g}", limit)
    if prices is not None:
        planned = [piece for programme in programmes for _, works in programme.steps for piece in works]
        problems += prices.lacking(planned, labour or Labour(), file)
    return once(problems)


def _same_names(noun: str, names: Sequence[str], file: str | None) -> list[Problem]:
    problems, seen = [], dict[str, int]()
    for index, name in enumerate(names):
        first = seen.setdefault(fold(name), index)
        if first != index:
            expected = f"a name of its own; {noun}[{first}] is {names[first]} (spaces and case tell no names apart)"
            problems.append(Problem(f"{noun}[{index}].name", shown(name), expected, file))
    return problems


def _outside_weather(
    weather: Weather | None,
    clippings: Sequence[ClippingRecord],
    soil_tests: Sequence[SoilTest],
    work: Sequence[WorkRecord],
    cover: Sequence[CoverRecord],
) -> list[Problem]:
    if weather is None:
        return []
    first, last = _span(weather)
    dated = [
        *((r, f"clippings[{i}]", name) for i, r in enumerate(clippings) for name in ("first_day", "last_day")),
        *((r, f"soil_tests[{i}]", "date") for i, r in enumerate(soil_tests)),
        *((r, f"work[{i}]", "date") for i, r in enumerate(work)),
        *((r, f"cover[{i}]", "date") for i, r in enumerate(cover)),
    ]
    expected = f"a day of the weather, {first} to {last}"
    return [
        problem_of(record, place, name, str(day), expected)
        for record, place, name in dated
        if not first <= (day := getattr(record, name)) <= last
    ]


def _unknown_methods(soil_tests: Sequence[SoilTest], methods: Sequence[Method]) -> list[Problem]:
    by_name = {method.name: method for method in methods}
    problems = []
    for index, test in enumerate(soil_tests if methods else ()):
        place, method = f"soil_tests[{index}]", by_name.get(test.method)
        if method is None:
            expected = known("method", test.method, list(by_name))
            problems.append(problem_of(test, place, "method", test.method, expected))
        elif method.verdure not in (None, test.verdure):
            expected = f"{method.verdure}, as the method {method.name} says"
            problems.append(problem_of(test, place, "verdure", test.verdure, expected))
    return problems
