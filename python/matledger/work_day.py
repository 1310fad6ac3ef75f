"""A day of work: order of steps, machine hours, finish time, carts and spreader, as one page and as CSV."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matledger import _core
from matledger.days import as_day
from matledger.errors import InputError, Problem
from matledger.findings import Findings, nearest, of_kind, of_level, refuse, shown, whole
from matledger.frames import Table, csv_text
from matledger.labour import CORE_BULKING, CORE_DENSITY_G_CM3, SAND_MOISTURE_SHARE
from matledger.ordering import DRAGGABLE_MM, FILL_FRACTION, Buying, order_sand, work_by_green
from matledger.practice import (
    Coring,
    SandInjection,
    SolidTining,
    Topdressing,
    VerticalMowing,
    Work,
    WorkDone,
    spreader_swaths,
)
from matledger.units import Quantity, System, parse, show

if TYPE_CHECKING:
    from matledger.course import Green

__all__ = ["PACES", "Crew", "GreenDay", "Pace", "Rate", "Slot", "WorkDay", "check_spreader", "plan_day"]

SWATH_M = 4.6
"""Width that a spreader covers [m]: common practice, no source."""
LOOSE_SAND_KG_L = 1.4
"""Mass of a litre of loose moist sand [kg/L]: our judgement."""


@dataclass(frozen=True, kw_only=True)
class Pace:
    """How fast a step goes, and what it takes.

    Attributes
    ----------
    m2_per_h
        Ground covered by one machine or team in an hour, one pass [m2/h].
    people
        People in the team.
    teams
        Machines or teams that can work at once, each on its own green.
    """

    m2_per_h: float
    people: int = 1
    teams: int = 1

    def __post_init__(self) -> None:
        """Check every number."""
        findings = Findings()
        if not (isinstance(self.m2_per_h, (int, float)) and 0 < self.m2_per_h < math.inf):
            findings.add(Problem("pace.m2_per_h", shown(self.m2_per_h), "ground above 0 m2/h"))
        for name in ("people", "teams"):
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 100:
                findings.add(Problem(f"pace.{name}", shown(value), "a whole number from 1 to 100"))
        findings.raise_any()


PACES: Mapping[str, Pace] = {
    "mow": Pace(m2_per_h=4000),
    "core": Pace(m2_per_h=900),
    "tine": Pace(m2_per_h=1100),
    "vertical mow": Pace(m2_per_h=1800),
    "check depth": Pace(m2_per_h=6000),
    "rake": Pace(m2_per_h=1000, people=2),
    "lift cores": Pace(m2_per_h=1200, people=2),
    "inject sand": Pace(m2_per_h=500, people=2),
    "spread": Pace(m2_per_h=6000),
    "drag": Pace(m2_per_h=5000),
    "water in": Pace(m2_per_h=5000),
    "roll": Pace(m2_per_h=5000),
}
"""Paces where a crew names none: our judgement, no source; replace them by your own watch."""


@dataclass(frozen=True, kw_only=True)
class Crew:
    """Who does the work, with what.

    Attributes
    ----------
    people
        People at work.
    start
        Time of the first step.
    paces
        Paces by step, in place of those of `PACES`.
    between_greens_min
        Time that every step takes to move to the next green and set up [min].
    cart_payload_kg, cart_bed_l
        What a cart takes [kg, L].
    swath_m
        Width that the spreader covers [m].

    Examples
    --------
    >>> from matledger import Crew
    >>> Crew(people=5).pace("drag").m2_per_h
    5000
    """

    people: int
    start: dt.time = dt.time(6, 30)
    paces: Mapping[str, Pace] = field(default_factory=dict)
    between_greens_min: Quantity = 3.0
    cart_payload_kg: Quantity = 500.0
    cart_bed_l: Quantity = 400.0
    swath_m: Quantity = SWATH_M

    def __post_init__(self) -> None:
        """Read every field."""
        findings = Findings()
        if isinstance(self.people, bool) or not isinstance(self.people, int) or not 1 <= self.people <= 500:
            findings.add(Problem("crew.people", shown(self.people), "a whole number from 1 to 500"))
        if not isinstance(self.start, dt.time):
            findings.add(Problem("crew.start", shown(self.start), "a time such as datetime.time(6, 30)"))
        for name in self.paces:
            if name not in PACES:
                like = nearest(name, PACES)
                expected = f"one of {', '.join(PACES)}" + (f" (nearest: {like})" if like else "")
                findings.add(Problem("crew.paces", shown(name), expected))
        for name, unit in (
            ("between_greens_min", "min"),
            ("cart_payload_kg", "kg"),
            ("cart_bed_l", "L"),
            ("swath_m", "m"),
        ):
            try:
                number = parse(getattr(self, name), unit, name=f"crew.{name}")
            except InputError as error:
                findings.problems += error.problems
                continue
            object.__setattr__(self, name, number)
            if number < 0 or (number == 0 and name != "between_greens_min"):
                findings.add(Problem(f"crew.{name}", shown(number), f"more than 0 {unit}"))
        findings.raise_any()

    def pace(self, step: str) -> Pace:
        """Pace of a step.

        Parameters
        ----------
        step
            Step of a day of work.
        """
        return self.paces.get(step, PACES[step])


@dataclass(frozen=True, kw_only=True)
class Slot:
    """A step on a green.

    Attributes
    ----------
    green, step
        Where and what; passes are numbered (``spread 2``).
    from_time, to_time
        When.
    people
        People that it takes.
    """

    green: str
    step: str
    from_time: dt.datetime
    to_time: dt.datetime
    people: int


@dataclass(frozen=True, kw_only=True)
class GreenDay:
    """What a green needs on the day.

    Attributes
    ----------
    green, area_m2
        The green, and its area [m2].
    probe_depth_mm
        Depth to probe for [mm]; None if nothing is opened.
    holes
        Holes to be made; None without any.
    cores_m3, core_trips
        Loose cores to carry off [m3], and trips of a cart.
    sand_dry_kg, in_holes_kg
        Dry sand, and what of it the holes take [kg].
    passes
        Passes of spreading and dragging.
    pass_g_m2
        Dry sand of a pass [g/m2]: the rate to set the spreader to.
    sand_trips
        Trips of a cart with sand.
    swaths
        Swaths side by side in a pass of the spreader.
    done
        When the green is done.
    """

    green: str
    area_m2: float
    probe_depth_mm: float | None
    holes: int | None
    cores_m3: float
    core_trips: int
    sand_dry_kg: float
    in_holes_kg: float
    passes: int
    pass_g_m2: float
    sand_trips: int
    swaths: int
    done: dt.datetime


@dataclass(frozen=True)
class WorkDay:
    """The plan of a day.

    Attributes
    ----------
    date
        The day.
    crew
        Who does the work.
    steps
        Steps in their order.
    slots
        Every step on every green, by time.
    greens
        What each green needs.
    work
        The day's work in words, with the greens that have it.
    notes
        Warnings, and what was assumed.
    """

    date: dt.date
    crew: Crew
    steps: tuple[str, ...]
    slots: tuple[Slot, ...]
    greens: tuple[GreenDay, ...]
    work: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def finish(self) -> dt.datetime:
        """When the last green is done."""
        return max(green.done for green in self.greens)

    @property
    def person_hours(self) -> float:
        """Hours of all people at work [h]."""
        return sum(_hours(slot) * slot.people for slot in self.slots)

    @property
    def hours_by_step(self) -> dict[str, float]:
        """Hours of each step, its passes and its machines or teams together [h]."""
        hours: dict[str, float] = {}
        for slot in self.slots:
            hours[_base(slot.step)] = hours.get(_base(slot.step), 0.0) + _hours(slot)
        return hours

    def by_step(self) -> Table:
        """When each step begins and ends, its hours and people."""
        mine = {step: [slot for slot in self.slots if slot.step == step] for step in self.steps}
        columns: dict[str, list[Any]] = {
            "step": list(self.steps),
            "from": [f"{min(slot.from_time for slot in slots):%H:%M}" for slots in mine.values()],
            "to": [_clock(max(slot.to_time for slot in slots), self.date) for slots in mine.values()],
            "hours": [sum(map(_hours, slots)) for slots in mine.values()],
            "people": [slots[0].people for slots in mine.values()],
            "teams": [self.crew.pace(_base(step)).teams for step in self.steps],
        }
        return Table("steps", columns, {"hours": ".1f", "people": "d", "teams": "d"})

    def by_green(self, units: System = "metric") -> Table:
        """What each green needs.

        Parameters
        ----------
        units
            Metric or US customary units.
        """

        def shown_in(value: float | None, unit: str, digits: int = 2) -> str:
            return "" if value is None else show(value, unit, units, digits)

        columns: dict[str, list[Any]] = {
            "green": [g.green for g in self.greens],
            "area": [shown_in(g.area_m2, "m2", 3) for g in self.greens],
            "probe for": [shown_in(g.probe_depth_mm, "mm") for g in self.greens],
            "cores": [shown_in(g.cores_m3, "m3") for g in self.greens],
            "core trips": [g.core_trips for g in self.greens],
            "dry sand": [shown_in(g.sand_dry_kg, "kg", 3) for g in self.greens],
            "in holes": [shown_in(g.in_holes_kg, "kg", 3) for g in self.greens],
            "sand trips": [g.sand_trips for g in self.greens],
            "passes": [g.passes for g in self.greens],
            "rate a pass": [shown_in(g.pass_g_m2, "g/m2", 3) for g in self.greens],
            "swaths": [g.swaths for g in self.greens],
            "done": [_clock(g.done, self.date) for g in self.greens],
        }
        return Table("greens", columns, dict.fromkeys(("core trips", "sand trips", "passes", "swaths"), "d"))

    def schedule(self) -> Table:
        """Every step on every green, by time."""
        columns: dict[str, list[Any]] = {
            "from": [f"{slot.from_time:%Y-%m-%d %H:%M}" for slot in self.slots],
            "to": [f"{slot.to_time:%Y-%m-%d %H:%M}" for slot in self.slots],
            "green": [slot.green for slot in self.slots],
            "step": [slot.step for slot in self.slots],
            "people": [slot.people for slot in self.slots],
        }
        return Table(f"{self.date}", columns, {"people": "d"})

    def to_csv(self, path: str | Path) -> Path:
        """Write the schedule as a CSV file, whole or not at all.

        Parameters
        ----------
        path
            File to write, ending in ``.csv``.

        Returns
        -------
        pathlib.Path
            The file.

        Raises
        ------
        InputError
            For another ending.
        OSError
            If the file cannot be written; an older one is then still whole.
        """
        from matledger.atomic import output, write_whole

        target = output(path, ".csv")
        write_whole(target, csv_text(self.schedule()))
        return target

    def to_html(self, path: str | Path, *, units: System = "metric") -> Path:
        """Write the page for the crew: one sheet of A4 for up to 18 greens, with the cautions.

        Parameters
        ----------
        path
            File to write, ending in ``.html``.
        units
            Metric or US customary units.

        Returns
        -------
        pathlib.Path
            The file.

        Raises
        ------
        InputError
            For another ending.
        OSError
            If the file cannot be written; an older one is then still whole.
        """
        from jinja2 import Environment, PackageLoader, StrictUndefined

        from matledger.atomic import output, write_whole
        from matledger.cautions import CAUTIONS, FIRST

        target = output(path, ".html")
        environment = Environment(
            loader=PackageLoader("matledger"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
        )
        page = environment.get_template("work_day.html").render(
            day=self,
            finish=_clock(self.finish, self.date),
            by_step=self.by_step(),
            by_green=self.by_green(units),
            core_trips=sum(green.core_trips for green in self.greens),
            sand_trips=sum(green.sand_trips for green in self.greens),
            sand=show(sum(green.sand_dry_kg for green in self.greens) / 1000, "t", units),
            cautions=CAUTIONS,
            first=FIRST,
        )
        write_whole(target, page)
        return target

    def __repr__(self) -> str:
        return (
            f"<WorkDay {self.date}: {len(self.greens)} greens, {', '.join(self.steps)}; {self.crew.people} people,"
            f" {self.crew.start:%H:%M} to {_clock(self.finish, self.date)}>"
        )

    def _repr_html_(self) -> str:
        return self.by_step()._repr_html_() + self.by_green()._repr_html_()


def _hours(slot: Slot) -> float:
    return (slot.to_time - slot.from_time).total_seconds() / 3600


def _base(step: str) -> str:
    return step.rstrip("0123456789").rstrip()


def _clock(moment: dt.datetime, date: dt.date) -> str:
    later = (moment.date() - date).days
    return f"{moment:%H:%M}" + (f" (+{later} d)" if later else "")


def _steps(work: Sequence[Work]) -> dict[str, float]:
    """Steps of a green's work in their order, with how often each goes over the ground."""
    steps: dict[str, float] = {"mow": 1}
    spread = 0
    for piece in work:
        if isinstance(piece, Coring):
            steps |= {"core": piece.passes, "check depth": 1}
            if piece.returned_mineral_share < 1 or piece.returned_om_share < 1:
                steps |= {"rake": 1, "lift cores": 1}
        elif isinstance(piece, SolidTining):
            steps |= {"tine": piece.passes, "check depth": 1}
        elif isinstance(piece, VerticalMowing):
            steps |= {"vertical mow": piece.passes, "rake": 1, "lift cores": 1}
        elif isinstance(piece, SandInjection):
            steps["inject sand"] = 1
        elif isinstance(piece, Topdressing):
            for _ in range(piece.passes):
                spread += 1
                steps |= {f"spread {spread}": 1, f"drag {spread}": 1}
    return steps | {"water in": 1, "roll": 1}


def _merged(lists: Sequence[Sequence[str]]) -> list[str]:
    """Bring the steps of all greens into one order; a step not seen before follows what it follows on its green."""
    order: list[str] = []
    for steps in lists:
        at = 0
        for step in steps:
            if step in order:
                at = max(at, order.index(step) + 1)
            else:
                order.insert(at, step)
                at += 1
    return order


def plan_day(
    greens: Sequence[Green],
    work: WorkDone | Mapping[str, WorkDone],
    date: dt.date | str,
    *,
    crew: Crew,
    sand_moisture_share: Quantity = SAND_MOISTURE_SHARE,
    widths_m: Mapping[str, Quantity] | None = None,
    fill_fraction: Quantity = FILL_FRACTION,
    draggable_mm: Quantity = DRAGGABLE_MM,
) -> WorkDay:
    """Plan a day of work.

    Parameters
    ----------
    greens
        The greens, in the order in which they are worked.
    work
        A programme or dated work, for all greens or by green's name; what falls on `date` is planned.
    date
        The day.
    crew
        Who does the work, with what.
    sand_moisture_share
        Water in the sand over its dry mass [-], for the carts.
    widths_m
        Width of each green across the spreader's travel [m]; a square of its area where none is given.
    fill_fraction
        Part of an open hole that sand fills [-].
    draggable_mm
        Thickest packed layer that one pass drags in [mm].

    Returns
    -------
    WorkDay

    Raises
    ------
    InputError
        If nothing falls on the day, the crew is too small for a step, and for the rest of the arguments.

    Examples
    --------
    >>> from matledger import Coring, Crew, Green, Tine, Topdressing, plan_day
    >>> cores = Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    >>> work = [("2014-04-14", cores), ("2014-04-14", Topdressing(sand_mm=2.4, passes=3))]
    >>> day = plan_day([Green("1", area_m2=480), Green("2", area_m2=520)], work, "2014-04-14", crew=Crew(people=5))
    >>> day.steps[:5], len(day.slots)
    (('mow', 'core', 'check depth', 'rake', 'lift cores'), 26)
    >>> day.greens[0].swaths, day.greens[0].passes
    (5, 3)
    """
    today = as_day(date, "date")
    dated = work_by_green(greens, work, today, today)
    todo = {name: [piece for when, piece in pieces if when == today] for name, pieces in dated.items()}
    listed = [green for green in greens if todo.get(green.name)]
    if not listed:
        raise InputError([Problem("date", str(today), "a day with work on one of the greens")])
    water = _moisture(sand_moisture_share)
    steps = {green.name: _steps(todo[green.name]) for green in listed}
    order = _merged([list(own) for own in steps.values()])
    machines = list(dict.fromkeys(map(_base, order)))
    setup = float(crew.between_greens_min) / 60
    core_steps = []
    for step in order:
        pace = crew.pace(_base(step))
        hours = [
            steps[green.name].get(step, 0) and steps[green.name][step] * green.area_m2 / pace.m2_per_h + setup
            for green in listed
        ]
        core_steps.append((step, machines.index(_base(step)), pace.people, hours))
    slots = _core.schedule(core_steps, [crew.pace(name).teams for name in machines], crew.people)
    began = dt.datetime.combine(today, crew.start)
    timed = tuple(
        Slot(
            green=listed[green].name,
            step=order[step],
            from_time=began + dt.timedelta(hours=start),
            to_time=began + dt.timedelta(hours=end),
            people=crew.pace(_base(order[step])).people,
        )
        for step, green, start, end in slots
    )
    order_of_sand = order_sand(
        listed,
        {green.name: [(when, piece) for when, piece in dated[green.name] if when <= today] for green in listed},
        buying=Buying(load_t=1),
        fill_fraction=fill_fraction,
        draggable_mm=draggable_mm,
    )
    sand = {one.green: one for one in order_of_sand.by_green if one.date == today}
    rows = []
    for green in listed:
        mine = sand.get(green.name)
        dry = mine.sand_dry_kg if mine else 0.0
        carried = [(w.hole_volume_mm * _taken(w)) for w in todo[green.name]]
        volume_l = sum(carried) * green.area_m2
        opened = [w for w in todo[green.name] if w.area_fraction]
        holes = [w.holes_per_m2 for w in opened if w.holes_per_m2]
        spread = [w for w in todo[green.name] if isinstance(w, Topdressing)]
        passes = sum(w.passes for w in spread)
        width = (widths_m or {}).get(green.name, math.sqrt(green.area_m2))
        rows.append(
            GreenDay(
                green=green.name,
                area_m2=green.area_m2,
                probe_depth_mm=max((getattr(w, "depth_mm", 0.0) for w in opened), default=None),
                holes=round(sum(holes) * green.area_m2) if holes else None,
                cores_m3=volume_l * CORE_BULKING / 1000,
                core_trips=_core.cart_trips(
                    volume_l * CORE_DENSITY_G_CM3,
                    volume_l * CORE_BULKING,
                    float(crew.cart_payload_kg),
                    float(crew.cart_bed_l),
                ),
                sand_dry_kg=dry,
                in_holes_kg=mine.in_holes_kg if mine else 0.0,
                passes=passes,
                pass_g_m2=sum(w.sand_g_m2 for w in spread) / passes if passes else 0.0,
                sand_trips=_core.cart_trips(
                    dry * (1 + water),
                    dry * (1 + water) / LOOSE_SAND_KG_L,
                    float(crew.cart_payload_kg),
                    float(crew.cart_bed_l),
                ),
                swaths=spreader_swaths(swath_m=crew.swath_m, green_width_m=width) if passes else 0,
                done=max(slot.to_time for slot in timed if slot.green == green.name),
            )
        )
    words: dict[str, list[str]] = {}
    for green in listed:
        for piece in todo[green.name]:
            words.setdefault(str(piece), []).append(green.name)
    told = tuple(
        text + ("" if len(names) == len(listed) else f" (greens {', '.join(names)})") for text, names in words.items()
    )
    notes = [warning for warning in order_of_sand.warnings if warning.startswith(str(today))]
    if any(step not in crew.paces for step in machines):
        default = ", ".join(step for step in machines if step not in crew.paces)
        notes.append(f"paces of {default} are our judgement: time your own")
    if any(green.name not in (widths_m or {}) for green in listed if sand.get(green.name)):
        notes.append("swaths reckoned for a square green where no width is given")
    return WorkDay(today, crew, tuple(order), timed, tuple(rows), told, tuple(notes))


def _moisture(sand_moisture_share: Quantity) -> float:
    return Buying(load_t=1, sand_moisture_share=sand_moisture_share)._given()[0]


def _taken(work: Work) -> float:
    """Share of what a work opens that is carried off; grooves count what they lift only."""
    if isinstance(work, Coring):
        return 1 - work.returned_mineral_share
    return 1.0 if isinstance(work, VerticalMowing) else 0.0


@dataclass(frozen=True, kw_only=True)
class Rate:
    """A spreader's rate from catch pans against the intended one.

    Attributes
    ----------
    mean_g_m2
        Mean dry sand of a pass [g/m2].
    low_g_m2, high_g_m2
        Ends of the interval that holds the true mean with probability `level` [g/m2].
    between_pans
        Standard deviation between pans over their mean [-]; None from one pan.
    intended_g_m2
        The rate intended [g/m2].
    pans
        Number of pans.
    level
        Probability of the interval [-].
    """

    mean_g_m2: float
    low_g_m2: float
    high_g_m2: float
    between_pans: float | None
    intended_g_m2: float
    pans: int
    level: float

    @property
    def ratio(self) -> float:
        """Measured over intended rate [-]."""
        return self.mean_g_m2 / self.intended_g_m2

    def in_words(self) -> str:
        """Say whether to change the setting."""
        if self.pans == 1:
            return f"one pan says {self.mean_g_m2:.0f} g/m2; one pan cannot say how sure that is: set out more."
        span = f"{self.low_g_m2:.0f} to {self.high_g_m2:.0f} g/m2 at {self.level:.0%}"
        text = f"{self.mean_g_m2:.0f} g/m2 ({span}) against {self.intended_g_m2:.0f} intended: "
        if self.low_g_m2 <= self.intended_g_m2 <= self.high_g_m2:
            verdict = "the pans do not tell them apart."
        else:
            verdict = (
                f"the spreader puts out {abs(self.ratio - 1):.0%} too {'much' if self.ratio > 1 else 'little'};"
                f" open it by a factor of {1 / self.ratio:.2f}."
            )
        spread = "" if self.between_pans is None else f" Between pans the sand differs by {self.between_pans:.0%}."
        return text + verdict + spread

    def __repr__(self) -> str:
        return self.in_words()


def check_spreader(
    masses_g: Sequence[float],
    *,
    pan_m2: Quantity,
    intended_g_m2: Quantity,
    passes: int = 1,
    sand_moisture_share: Quantity = 0.0,
    level: float = 0.9,
) -> Rate:
    """Hold a spreader's rate, caught in pans, to the rate intended.

    Parameters
    ----------
    masses_g
        Sand caught in each pan [g, as weighed].
    pan_m2
        Area of a pan [m2].
    intended_g_m2
        Dry sand intended for a pass [g/m2].
    passes
        Passes over the pans.
    sand_moisture_share
        Water in the sand over its dry mass [-].
    level
        Probability of the interval [-].

    Returns
    -------
    Rate

    Raises
    ------
    InputError
        For no pan, or numbers outside their domain.

    Notes
    -----
    Student's interval of the mean over pans; from two pans it is wide, and says so.

    Examples
    --------
    >>> from matledger import check_spreader
    >>> check_spreader([44, 47, 45, 48], pan_m2=0.1, intended_g_m2=400, sand_moisture_share="5 %")
    438 g/m2 (418 to 459 g/m2 at 90%) against 400 intended: the spreader puts out 10% too much; ...
    """
    from matledger._arrays import floats

    area = parse(pan_m2, "m2", name="pan_m2")
    intended = parse(intended_g_m2, "g/m2", name="intended_g_m2")
    if intended <= 0:
        raise InputError([Problem("intended_g_m2", shown(intended), "a rate above 0 g/m2")])
    refuse([*whole("passes", passes, 1, 1000), *of_kind("number", level=level)])
    refuse(of_level(level))
    masses: list[float] = floats(masses_g, "masses_g").tolist()
    water = _moisture(sand_moisture_share)
    mean, (low, high), between = _core.catch_pans(masses, area, passes, water, float(level))
    return Rate(
        mean_g_m2=mean,
        low_g_m2=low,
        high_g_m2=high,
        between_pans=between,
        intended_g_m2=intended,
        pans=len(masses),
        level=float(level),
    )
