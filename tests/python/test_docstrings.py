"""Docstrings are whole: numpydoc's own checks, and every argument and field said with its unit."""

import dataclasses
import inspect
import re
from functools import cached_property

import pytest
from numpydoc.docscrape import NumpyDocString
from numpydoc.validate import validate

import matledger as mat
from matledger.variables import variable

LEFT_OUT = {
    "ES01",  # a summary may be all there is to say
    "EX01",  # examples stand where a reader would start, not at every field
    "PR01",  # fields of a dataclass are its parameters and stand under Attributes: checked below
    "PR04",  # types stand in the signature
    "RT01",  # where the summary says what is returned, a section would say it again
    "RT03",  # likewise: a type that is described where it is defined
    "SS05",  # a summary may begin with a noun in the plural
    "SA01",  # the reference lists what belongs together
}


def members_of(kind):
    """Public methods and properties that the package wrote."""
    for name in dir(kind):
        member = inspect.getattr_static(kind, name)
        if name.startswith("_") or not isinstance(
            member, (property, cached_property, classmethod, staticmethod, type(members_of))
        ):
            continue
        inner = getattr(kind, name)
        if getattr(inspect.unwrap(getattr(inner, "fget", None) or inner), "__module__", "matledger") != "builtins":
            yield name


PATHS = []
for public in sorted(set(mat.__all__) - {"__version__"}):
    PATHS.append(public)
    thing = getattr(mat, public)
    if inspect.isclass(thing):
        PATHS += [f"{public}.{name}" for name in members_of(thing)]


UNIT = r"[\[(].*{}"


def physical(unit):
    """Whether a docstring has to say it: not of ratios and money, and days and years stand in the words."""
    return unit not in ("", "-", "d", "yr") and "currency" not in unit


def object_at(path):
    owner, _, name = path.partition(".")
    thing = getattr(mat, owner)
    return inspect.getattr_static(thing, name) if name else thing


def documented(thing):
    """Descriptions by name of what a docstring lists."""
    parsed = NumpyDocString(inspect.getdoc(thing) or "")
    listed = [*parsed["Parameters"], *parsed["Attributes"]]
    return {name.strip(): " ".join(entry.desc) for entry in listed for name in (entry.name or entry.type).split(",")}


@pytest.mark.parametrize("path", PATHS)
def test_docstring(path):
    errors = [f"{code}: {text}" for code, text in validate(f"matledger.{path}")["errors"] if code not in LEFT_OUT]
    assert errors == []


def arguments(path):
    thing = object_at(path)
    plain = thing.__func__ if isinstance(thing, (classmethod, staticmethod)) else thing
    if isinstance(plain, (property, cached_property)) or (
        inspect.isclass(plain) and (issubclass(plain, BaseException) or not dataclasses.is_dataclass(plain))
    ):
        return []
    return [name for name in inspect.signature(plain).parameters if name not in ("self", "cls")]


@pytest.mark.parametrize("path", [path for path in PATHS if arguments(path)])
def test_every_argument_is_described_with_its_unit(path):
    thing = object_at(path)
    described = documented(thing.__func__ if isinstance(thing, (classmethod, staticmethod)) else thing)
    wrong = []
    for name in arguments(path):
        what = variable(name, path)
        text = described.get(name)
        if text is None:
            wrong.append(f"{name} is not described")
        elif physical(what.unit) and not (
            text.startswith("As for ") or re.search(UNIT.format(re.escape(what.unit)), text)
        ):
            wrong.append(f"{name} does not say its unit, {what.unit}: {text}")
    assert wrong == []
