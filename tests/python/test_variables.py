"""The registry of variables: nothing public is missing from it, and it agrees with what the core checks."""

import dataclasses
import datetime as dt
import importlib
import inspect
import pkgutil
from functools import cached_property

import numpy as np
import pytest
from page_maker import page_maker
from public_names import PUBLIC, members_of, own_name

import matledger as mat
from matledger.cells import Column
from matledger.variables import ANY, Interval, variable, variables

NOT_VARIABLES = {"self", "cls", "args", "kwargs"}


def arguments(plain, of):
    return ((name, of, str(one.annotation)) for name, one in inspect.signature(plain).parameters.items())


def public_names():
    """Every argument, field and property of the public interface, with what it is of and its annotation."""
    for path, thing in PUBLIC.items():
        owner = own_name(path)
        if not inspect.isclass(thing) or not issubclass(thing, BaseException):
            yield from arguments(thing, owner)
        if not inspect.isclass(thing):
            continue
        if dataclasses.is_dataclass(thing):
            yield from ((field.name, owner, str(field.type)) for field in dataclasses.fields(thing))
        for name, member in members_of(thing):
            if isinstance(member, (property, cached_property)):
                getter = member.fget if isinstance(member, property) else member.func
                yield name, owner, str(inspect.signature(getter).return_annotation)
            plain = member.__func__ if isinstance(member, (classmethod, staticmethod)) else member
            if inspect.isfunction(plain):
                yield from arguments(plain, f"{owner}.{name}")


def columns():
    """Every column of a file and key of a table that a module of the package defines."""
    for found in pkgutil.walk_packages(mat.__path__, "matledger."):
        if not found.name.endswith(("_core", "__main__")):
            for value in vars(importlib.import_module(found.name)).values():
                yield from (one for one in (value if isinstance(value, tuple) else (value,)) if isinstance(one, Column))


NAMES = sorted({one for one in public_names() if one[0] not in NOT_VARIABLES and not one[0].startswith("_")})
KINDS = {"float": ["number"], "int": ["integer"], "bool": ["flag"], "dt.date": ["date"], "str": ["text", "choice"]}
"""What the registry calls a thing of a plain type."""


def test_every_public_name_is_in_the_registry():
    missing = []
    for name, of, _ in NAMES:
        try:
            variable(name, of)
        except KeyError:
            missing.append(f"{name} (of {of})")
    assert missing == [], "add a row to python/matledger/variables.csv, then run docs/make_nomenclature.py"


def test_the_kind_of_a_name_is_that_of_its_annotation():
    wrong = []
    for name, of, annotation in NAMES:
        kind, told = variable(name, of).kind, annotation.removesuffix(" | None")
        if told in KINDS and kind not in KINDS[told]:
            wrong.append(f"{name} of {of} is {told}, not {kind}")
    assert wrong == []


def test_every_column_is_in_the_registry():
    found = list(columns())
    assert len(found) > 100
    assert [one.name for one in found if not any(one.name == name for name, _ in variables())] == []
    assert [one.name for one in found if one.unit and one.unit not in {v.unit for v in variables().values()}] == []


def test_the_unit_of_a_name_is_that_of_the_registry():
    wrong = []
    for one in variables().values():
        unit = Column(name=f"x_{one.name}", kind="number").unit if one.kind == "number" else None
        told = (unit, f"{unit} OM", f"% {unit}", f"1/{unit}")  # blur_percent_mm, holes_per_m2
        if unit and one.unit not in told and "currency" not in one.unit and one.of != "log_likelihood":
            wrong.append(f"{one.name} of {one.of!r} is in {one.unit!r}, not {unit!r}")
    assert wrong == []


@pytest.fixture(scope="module")
def comparison():
    course = mat.demo_course()
    return mat.compare(mat.calibrate(course, draws=20), years=1, draws=20, weather_sequences=2)


def test_every_result_is_in_the_registry(comparison):
    calibration = comparison.calibration
    run = mat.simulate(
        work=[],
        start="2020-01-01",
        clippings_g_m2=np.full(400, 0.5),
        decay_modifier=np.ones(400),
        read_on=["2020-12-31"],
        profile_on=["2020-12-31"],
        windows=[(0, 20)],
    )
    datasets = [run.to_xarray(), comparison.to_xarray(), calibration.course.weather.to_xarray()]
    datasets += [group.to_dataset() for group in calibration.to_arviz().children.values()]
    for dataset in datasets:
        assert {"Conventions", "source"} <= dataset.attrs.keys()
        for name in dataset.variables:
            attributes = dataset[name].attrs
            assert "long_name" in attributes or attributes.get("standard_name") == "time", name
    for frame in (run.to_pandas(), comparison.to_pandas(), calibration.course.weather.to_pandas()):
        assert [name for name in frame.columns if variable(name) is None] == []


def test_the_page_of_nomenclature_is_that_of_the_registry():
    script = page_maker("make_nomenclature")
    assert script.PAGE.read_text(encoding="utf-8") == script.page(), "run docs/make_nomenclature.py"


@pytest.mark.parametrize(
    ("text", "inside", "outside", "words"),
    [
        ("[0, 100]", (0, 100), (-1e-9, 101), "from 0 to 100"),
        ("(0, inf)", (1e-9, 1e9), (0, -1), "above 0"),
        ("(0, 1000]", (1000,), (0, 1001), "above 0 and at most 1000"),
        ("[0, 1)", (0, 0.5), (1,), "from 0 and below 1"),
        ("[1, inf)", (1,), (0.5,), "of 1 or more"),
        ("", (-1e9, 1e9), (float("nan"),), ""),
    ],
)
def test_intervals(text, inside, outside, words):
    interval = Interval.read(text)
    assert all(number in interval for number in inside)
    assert not any(number in interval for number in outside)
    assert interval.words == words


WORKS = {
    mat.Coring: dict(tine=mat.Tine(inside_diameter_mm=1e-6), spacing_mm=(50, 50), depth_mm=50),
    mat.SolidTining: dict(diameter_mm=1e-6, spacing_mm=(50, 50), depth_mm=50),
    mat.VerticalMowing: dict(blade_width_mm=1e-6, blade_spacing_mm=25, depth_mm=20),
    mat.SandInjection: dict(from_mm=0, to_mm=100, sand_mm=2),
    mat.Topdressing: dict(sand_mm=1),
}


NOT_ALONE = {("to_mm", 0.0), ("holes_open_days", 365.0)}
"""The first has to lie below ``from_mm``; the second is a limit of files only."""


def accepted(make, **given):
    try:
        make(**given)
    except mat.InputError:
        return False
    return True


@pytest.mark.parametrize("kind", WORKS, ids=lambda kind: kind.__name__)
def test_the_core_takes_what_the_registry_says(kind):
    given = WORKS[kind]
    for field in dataclasses.fields(kind):
        what = variable(field.name, kind.__name__)
        if what.kind not in ("number", "integer") or field.name in ("sand_kg_m2", "blade_spacing_mm"):
            continue
        to, step = (int, 1) if what.kind == "integer" else (float, 1e-9)
        for end, way, is_open in ((what.range.low, -1, what.range.low_open), (what.range.high, 1, False)):
            if np.isfinite(end) and (field.name, end) not in NOT_ALONE:
                beyond, within = to(end + way * step), to(end - way * step if is_open else end)
                assert not accepted(kind, **given | {field.name: beyond}), (field.name, beyond)
                assert accepted(kind, **given | {field.name: within}), (field.name, within)


@pytest.mark.parametrize(("name", "other"), [("tmin_c", 60.0), ("tmax_c", -90.0), ("rain_mm", None)])
def test_weather_takes_what_the_registry_says(name, other):
    interval = variable(name).range
    assert interval != ANY

    def weather(value):
        data = {"tmin_c": [0.0], "tmax_c": [10.0], "rain_mm": [0.0]} | {name: [value]}
        if other is not None:
            data["tmax_c" if name == "tmin_c" else "tmin_c"] = [other]
        return mat.Weather(dates=[dt.date(2020, 1, 1)], **data)

    for end, beyond in ((interval.low, interval.low - 0.1), (interval.high, interval.high + 0.1)):
        assert accepted(weather, value=end)
        assert not accepted(weather, value=beyond)
