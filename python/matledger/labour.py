"""Hours, cores and sand of a piece of work; every rate is the user's, defaults are ours, rounded, without a source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, field
from typing import Literal

from matledger import _core
from matledger.cells import column, settle
from matledger.errors import InputError, Problem
from matledger.practice import Coring, VerticalMowing, Work

__all__ = ["TASKS", "Job", "Labour", "Task", "job"]

Kind = Literal["coring", "solid_tining", "vertical_mowing", "sand_injection", "topdressing"]
KINDS = ("coring", "solid_tining", "vertical_mowing", "sand_injection", "topdressing")

TASK = (
    column("name"),
    column("work", "Task", choices=KINDS),
    column("machine", required=False, may_be_empty=True),
    column("width_m", required=False, may_be_empty=True),
    column("speed_km_h", required=False, may_be_empty=True),
    column("turning_share", required=False),
    column("people", "Task", required=False),
    column("passes", "Task", required=False, may_be_empty=True),
    column("fixed_h", required=False),
)
SAND_MOISTURE_SHARE = 0.05
"""Water over dry sand, by mass [-], of sand as it is delivered: common practice, no source."""
CORE_DENSITY_G_CM3 = 1.7
"""Moist bulk density of cores in the ground [g/cm3]: our judgement."""
CORE_BULKING = 1.3
"""Loose volume of cores over their volume in the ground [-]: our judgement."""
MATERIAL = (
    column("sand_waste_share", required=False),
    column("sand_moisture_share", required=False),
    column("load_t", required=False),
    column("core_density_g_cm3", required=False),
    column("core_bulking", required=False),
)


@dataclass(frozen=True)
class Task:
    """One thing to do over a green for a kind of work.

    Attributes
    ----------
    name
        Name for the reader.
    work
        Kind of work that it goes with.
    machine
        The machine, by the name that its price has; None for work by hand.
    width_m, speed_km_h
        Working width (m) and speed (km/h); both None for a task whose time does not go with the area.
    turning_share
        Time for turning and overlap over time at work (-).
    people
        People.
    passes
        Passes over a green; those of the work if None.
    fixed_h
        Hours on every green whatever its area (h).

    Examples
    --------
    >>> core = Task("core", work="coring", machine="corer", width_m=1.0, speed_km_h=2.0, turning_share=0.5)
    >>> core.hours(500, passes=1)  # 500 m2 at 2000 m2/h and half as long again for turning
    0.375
    """

    name: str
    _: KW_ONLY
    work: Kind
    machine: str | None = None
    width_m: float | None = None
    speed_km_h: float | None = None
    turning_share: float = 0.0
    people: float = 1.0
    passes: int | None = None
    fixed_h: float = 0.0

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, TASK)
        if (self.width_m is None) != (self.speed_km_h is None):
            findings.add(Problem("width_m, speed_km_h", f"{self.width_m}, {self.speed_km_h}", "both, or neither"))
        findings.raise_any()

    def hours(self, area_m2: float, passes: int) -> float:
        """Return the hours on one green [h]: ``area passes / (width speed) (1 + turning) + fixed``.

        Parameters
        ----------
        area_m2
            Area of a green [m2].
        passes
            Passes of the work, for a task that names none.
        """
        if self.width_m is None or self.speed_km_h is None:
            return self.fixed_h
        times = passes if self.passes is None else self.passes
        rate_m2_h = self.width_m * self.speed_km_h * 1000
        return area_m2 * times / rate_m2_h * (1 + self.turning_share) + self.fixed_h


def _after(kind: Kind) -> tuple[Task, ...]:
    return (
        Task("clear", work=kind, machine="vehicle", width_m=1.5, speed_km_h=3.0, turning_share=0.3, people=3, passes=1),
        Task("clean up", work=kind, fixed_h=0.25, people=2),
    )


TASKS = (
    Task("core", work="coring", machine="corer", width_m=1.0, speed_km_h=1.5, turning_share=0.3),
    *_after("coring"),
    Task("tine", work="solid_tining", machine="corer", width_m=1.0, speed_km_h=1.5, turning_share=0.3),
    Task("groove", work="vertical_mowing", machine="vertical mower", width_m=0.6, speed_km_h=3.0, turning_share=0.3),
    *_after("vertical_mowing"),
    Task("inject", work="sand_injection", machine="injector", width_m=1.5, speed_km_h=1.5, turning_share=0.3, passes=1),
    Task("spread", work="topdressing", machine="spreader", width_m=3.0, speed_km_h=6.0, turning_share=0.5),
    Task("drag", work="topdressing", machine="vehicle", width_m=1.8, speed_km_h=6.0, turning_share=0.3),
    Task("water in", work="topdressing", fixed_h=0.1),
)
"""Default tasks: our own rounded figures, no source. Replace them by the course's own."""


@dataclass(frozen=True, kw_only=True)
class Labour:
    """How work is done here.

    Attributes
    ----------
    tasks
        What there is to do over a green, by kind of work.
    sand_waste_share
        Sand lost before it reaches the green over sand spread (-).
    sand_moisture_share
        Water over dry sand, by mass (-).
    load_t
        Moist sand of one load (t).
    core_density_g_cm3
        Moist bulk density of cores in the ground (g/cm3).
    core_bulking
        Volume of loose cores over their volume in the ground (-).

    Examples
    --------
    >>> from matledger import Labour, Task
    >>> by_hand = Labour(tasks=[Task("spread by hand", work="topdressing", people=3, fixed_h=0.5)])
    >>> by_hand.load_t
    20.0
    """

    tasks: Sequence[Task] = field(default=TASKS)
    sand_waste_share: float = 0.03
    sand_moisture_share: float = SAND_MOISTURE_SHARE
    load_t: float = 20.0
    core_density_g_cm3: float = CORE_DENSITY_G_CM3
    core_bulking: float = CORE_BULKING

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        settle(self, MATERIAL).raise_any()
        object.__setattr__(self, "tasks", tuple(self.tasks))

    def tasks_of(self, work: Work) -> tuple[Task, ...]:
        """Return the tasks of a piece of work.

        Parameters
        ----------
        work
            Work on greens.

        Raises
        ------
        InputError
            If there is none for its kind.
        """
        found = tuple(task for task in self.tasks if task.work == work.kind)
        if not found:
            raise InputError([Problem("labour.tasks", f"none for {work.kind}", f"a task with work = {work.kind!r}")])
        return found


@dataclass(frozen=True)
class Job:
    """One piece of work on one area: hours by task, and what is hauled.

    Attributes
    ----------
    hours
        Task, machine, machine hours and crew hours [h].
    cores_m3, cores_t
        Loose volume [m3] and moist mass [t] of the cores to haul.
    bought_dry_t, moist_sand_t, bought_m3
        Sand to buy, waste included: dry [t], moist [t], packed volume at 1.60 g/cm3 dry [m3].
    """

    hours: tuple[tuple[str, str | None, float, float], ...]
    cores_m3: float
    cores_t: float
    bought_dry_t: float
    moist_sand_t: float
    bought_m3: float

    @property
    def machine_h(self) -> float:
        """Machine hours [h]."""
        return math.fsum(machine_h for _, _, machine_h, _ in self.hours)

    @property
    def crew_h(self) -> float:
        """Crew hours [h]."""
        return math.fsum(crew_h for *_, crew_h in self.hours)


def job(work: Work, area_m2: float, *, labour: Labour | None = None) -> Job:
    """Work out the hours, the cores and the sand of a piece of work on an area.

    Parameters
    ----------
    work
        The work.
    area_m2
        Area of the green [m2].
    labour
        How work is done; the stated defaults if not given.

    Returns
    -------
    Job

    Raises
    ------
    InputError
        For an area that is not above 0, and kinds of work without a task.

    Examples
    --------
    >>> from matledger import Coring, Tine
    >>> cores = Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    >>> round(job(cores, 500).cores_t, 2)  # 5.07 % of 500 m2, 75 mm deep, at 1.7 t/m3
    3.23
    """
    if not (math.isfinite(area_m2) and area_m2 > 0):
        raise InputError([Problem("area_m2", f"{area_m2}", "an area above 0 m2")])
    how = Labour() if labour is None else labour
    passes = int(getattr(work, "passes", 1))
    hours = []
    for task in how.tasks_of(work):
        spent = task.hours(area_m2, passes)
        hours.append((task.name, task.machine, spent if task.machine else 0.0, spent * task.people))
    out_m3 = _taken_out_mm(work) * area_m2 / 1000
    bought_dry_t = work.sand_g_m2 * area_m2 / 1e6 * (1 + how.sand_waste_share)
    return Job(
        hours=tuple(hours),
        cores_m3=out_m3 * how.core_bulking,
        cores_t=out_m3 * how.core_density_g_cm3,
        bought_dry_t=bought_dry_t,
        moist_sand_t=bought_dry_t * (1 + how.sand_moisture_share),
        bought_m3=bought_dry_t / _core.SAND_BULK_DENSITY_G_CM3,
    )


def _taken_out_mm(work: Work) -> float:
    if isinstance(work, Coring):
        return work.area_share * work.depth_mm * (1 - work.returned_mineral_share)
    if isinstance(work, VerticalMowing):
        return work.area_share * work.depth_mm * work.removed_share
    return 0.0
