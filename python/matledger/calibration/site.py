"""The density of a course in the core: how weather drives it, how the ground is cut, what an earlier fit hands on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import _core
from matledger._arrays import Floats
from matledger.course import MAT_DEPTH_MM, Course, method_of
from matledger.errors import InputError, Problem
from matledger.findings import of_kind, refuse, shown
from matledger.growth import DailyClippings, SiteYield, core_records, daily_clippings
from matledger.records import SoilTest
from matledger.units import System, show_window
from matledger.weather import DecayForm

if TYPE_CHECKING:
    from matledger.calibration.fit import Calibration

LAYOUT = {"fine_mm": 2.5, "fine_to_mm": 25.0, "coarse_mm": 10.0, "blur_percent_mm": 0.2, "stretch_days": 30}
"""How a fit cuts the ground (`docs/speed.md` says what it costs in accuracy)."""

FORECAST = {
    "fine_mm": 0.35,
    "fine_to_mm": 15.0,
    "coarse_mm": 5.0,
    "edge_mm": 0.25,
    "blur_percent_mm": 0.05,
    "stretch_days": 30,
}
"""How a forecast cuts it, finer: one tape serves draws that grow unlike (`docs/speed.md`)."""

DAILY = {"fine_mm": 2.5, "fine_to_mm": 100.0, "coarse_mm": 10.0, "blur_percent_mm": 0.1, "stretch_days": 1}
"""How records are invented: day by day, so that a fit to them meets its own errors."""


@dataclass(frozen=True, kw_only=True)
class Driving:
    """How weather drives growth and decay on a site.

    Attributes
    ----------
    lower_c, upper_c
        Lower base and upper threshold of the degree days [degC].
    lag_days
        Lag of the soil behind the air [d]; our judgement for the top few centimetres.
    form
        How decay answers to soil temperature, as in `matledger.decay_modifier`.
    q10
        Ratio of rates 10 degC apart, for ``form="q10"``.
    """

    lower_c: float
    upper_c: float | None = None
    lag_days: float = 5.0
    form: DecayForm = "rothc"
    q10: float = 2.0

    def __post_init__(self) -> None:
        """Refuse what is of another kind; the core refuses what is out of range."""
        refuse([*of_kind("number", lag_days=self.lag_days, q10=self.q10), *of_kind("text", form=self.form)])

    def _given(self) -> dict[str, object]:
        return {
            "lower_c": self.lower_c,
            "upper_c": self.upper_c,
            "method": "single_sine",
            "cutoff": "horizontal",
            "lag_days": self.lag_days,
            "form": self.form,
            "q10": self.q10,
        }


def build_site(
    course: Course,
    driving: Driving,
    yielding: SiteYield,
    priors: Mapping[str, tuple[float, float]],
    *,
    scatter: tuple[float | None, bool] = (None, False),
    earlier: Calibration | None = None,
    layout: Mapping[str, float] = LAYOUT,
) -> _core.Site:
    """Set up the density of a course."""
    heat, modifier = _core.drivers(course.weather.core, driving._given())
    methods = methods_of(course)
    check_layers(course)
    first = earlier
    while first is not None and first.earlier is not None:
        first = first.earlier
    # A mean year stays that of the first fit, so that its clippings keep their meaning.
    lasting = heat if first is None else _core.drivers(first.course.weather.core, driving._given())[0]
    counted_clippings = [] if earlier is None else core_records(earlier.course.clippings)
    clippings = None
    if course.clippings:
        clippings = (heat, _core.annual_degree_days(lasting), core_records(course.clippings), counted_clippings)
    greens = []
    for green in course.greens:
        daily: DailyClippings = daily_clippings(course.weather.start, heat, course.clippings_of(green.name), yielding)
        work = [(record.date, record.work.core) for record in course.work_of(green.name)]
        tests = [
            (t.date, t.window, t.om_percent, t.cores, methods.index(method_of(t)), t.laboratory_sd_percent)
            for t in fresh_tests(course, earlier, green.name)
        ]
        mat_depth_mm = MAT_DEPTH_MM if green.mat_depth_mm is None else green.mat_depth_mm
        greens.append((green.name, daily.clippings_g_m2, work, tests, mat_depth_mm))

    def site(before: tuple[Floats, Floats] | None) -> _core.Site:
        return _core.Site(
            course.weather.start,
            modifier,
            greens,
            clippings,
            methods,
            [(name, float(median), float(sd)) for name, (median, sd) in priors.items()],
            scatter,
            before,
            {"column_depth_mm": course.settings.column_depth_mm, **layout},
        )

    return site(None) if earlier is None else site(carried(earlier, site(None).names))


def methods_of(course: Course) -> list[str]:
    """Laboratory methods of a course's tests; that of the oldest test is the reference, and comes first."""
    return list(dict.fromkeys(method_of(test) for test in sorted(course.soil_tests, key=lambda t: t.date)))


def told(test: SoilTest, course: Course) -> str:
    """Name a test of a course; by its method too if there are several."""
    by = f", by {method_of(test)}" if len(methods_of(course)) > 1 else ""
    return f"the test of {test.green} on {test.date}, {test.sampled}{by}"


def labels_of(tests: Sequence[SoilTest], units: System = "metric") -> dict[str, list[Any]]:
    """Columns that tell tests apart."""
    return {
        "green": [test.green for test in tests],
        "date": [test.date for test in tests],
        "sample": [test.sampled if test.window is None else show_window(*test.window, units) for test in tests],
        "laboratory_method": [method_of(test) for test in tests],
    }


def scatter_of(predicted: Sequence[tuple[Floats, Floats]], freedom: float | None, rng: np.random.Generator) -> Floats:
    """Errors of tests around the model, green by green."""
    columns = []
    for _, sd in predicted:
        if freedom is None:
            noise = rng.standard_normal(sd.shape)
        else:
            noise = rng.standard_t(freedom, sd.shape) * np.sqrt((freedom - 2) / freedom)
        columns.append(sd * noise)
    return np.concatenate(columns, axis=1)


def moments(calibration: Calibration) -> tuple[Floats, Floats]:
    """Mean and covariance of the coordinates: of the draws, or of Laplace's approximation."""
    if calibration.method == "laplace":
        covariance: Floats = np.linalg.inv(calibration.information).astype(np.float64)
        return calibration.mode, covariance
    covariance = np.cov(calibration.coordinates, rowvar=False)
    return calibration.coordinates.mean(axis=0), covariance


def carried(earlier: Calibration, names: Sequence[str]) -> tuple[Floats, Floats]:
    """Mean and covariance of the earlier posterior, with standard normal coordinates for what is new."""
    mean, covariance = moments(earlier)
    old = {name: i for i, name in enumerate(earlier.names)}
    here = [i for i, name in enumerate(names) if name in old]
    there = [old[names[i]] for i in here]
    wide_mean, wide = np.zeros(len(names)), np.eye(len(names))
    wide_mean[here] = mean[there]
    wide[np.ix_(here, here)] = covariance[np.ix_(there, there)]
    return wide_mean, wide


def tests_counted(calibration: Calibration | None) -> Counter[SoilTest]:
    """Tests that an earlier fit has counted, and how often."""
    return Counter() if calibration is None else Counter(calibration.course.soil_tests)


def fresh_tests(course: Course, earlier: Calibration | None, green: str) -> tuple[SoilTest, ...]:
    """Tests of a green that an earlier fit has not counted."""
    left = tests_counted(earlier)
    fresh = []
    for test in course.tests_of(green):
        if left[test] > 0:
            left[test] -= 1
        else:
            fresh.append(test)
    return tuple(fresh)


def check_given(course: object, priors: object) -> None:
    """Refuse a course or priors of another kind; the core refuses unknown names and what is out of range."""
    problems = check_course("course", course)
    pair = "a median and a standard deviation, such as (3.0, 0.5)"
    if not isinstance(priors, Mapping):
        problems.append(Problem("priors", shown(priors), f"{pair}, by the name of an unknown"))
    else:
        problems += [Problem(f"priors.{name}", shown(one), pair) for name, one in priors.items() if not _is_pair(one)]
    refuse(problems)


def check_course(place: str, course: object) -> list[Problem]:
    """Return what is wrong with a course, if it is none."""
    if isinstance(course, Course):
        return []
    return [Problem(place, shown(course), "a Course, as load_course and demo_course give it")]


def _is_pair(belief: object) -> bool:
    """Whether a prior is a pair of numbers: a tuple, a list or an array."""
    if isinstance(belief, str) or not isinstance(belief, Iterable):
        return False
    numbers = [*belief]
    return len(numbers) == 2 and not of_kind("number", median=numbers[0], sd=numbers[1])


def check_earlier(
    course: Course, earlier: Calibration, yielding: SiteYield, priors: Mapping[str, tuple[float, float]] | None
) -> None:
    """Refuse a course that does not carry on from an earlier fit."""
    problems = []
    if course.weather.start != earlier.course.weather.start:
        start = earlier.course.weather.start
        problems.append(Problem("earlier", f"weather from {start}", f"a fit from {course.weather.start} on"))
    if priors is not None and dict(priors) != dict(earlier.priors):
        problems.append(Problem("priors", repr(dict(priors)), "none: the earlier posterior is the prior"))
    gone = tests_counted(earlier) - Counter(course.soil_tests)
    if gone:
        problems.append(
            Problem("soil_tests", f"{gone.total()} tests fewer", "every test that the earlier fit has counted")
        )
    elif not Counter(course.soil_tests) - tests_counted(earlier):
        problems.append(Problem("soil_tests", "no new test", "at least one that the earlier fit has not counted"))
    weighed = Counter(earlier.course.clippings) - Counter(course.clippings)
    if weighed:
        expected = "every clipping record that the earlier fit has counted"
        problems.append(Problem("clippings", f"{weighed.total()} records fewer", expected))
    if yielding.source == "records" and earlier.site_yield.source == "prior":
        problems.append(
            Problem(
                "clippings",
                "records, where the earlier fit had none",
                "a fit anew: the earlier fit counted litter per gram reckoned",
            )
        )
    if problems:
        raise InputError(problems)


def check_layers(course: Course) -> None:
    """Refuse thatch-mat tests of greens that do not state their mat."""
    stated = {green.name for green in course.greens if green.mat_depth_mm is not None}
    problems = [
        Problem(f"green {test.green}", "no mat_depth_mm", "the mat's depth at the start, for its thatch-mat tests")
        for test in course.soil_tests
        if test.layer == "thatch-mat" and test.green not in stated
    ]
    if problems:
        raise InputError(list(dict.fromkeys(problems)))
