"""Docstrings are whole: numpydoc's own checks, and every argument and field said with its unit."""

import dataclasses
import inspect
import re
from functools import cached_property
from pathlib import Path

import pytest
from numpydoc.docscrape import NumpyDocString
from numpydoc.validate import validate
from public_names import PUBLIC, members_of, own_name

from matledger.variables import variable

ROOT = Path(__file__).parents[2]

LEFT_OUT = {
    "ES01",  # a summary may be all there is to say
    "EX01",  # checked below, for functions and what a user makes
    "PR01",  # fields of a dataclass are its parameters and stand under Attributes: checked below
    "PR04",  # types stand in the signature
    "RT01",  # where the summary says what is returned, a section would say it again
    "RT03",  # likewise: a type that is described where it is defined
    "SS05",  # a summary may begin with a noun in the plural
    "SA01",  # the reference lists what belongs together
}


PATHS = dict(PUBLIC)
for public, thing in PUBLIC.items():
    if inspect.isclass(thing):
        PATHS |= {f"{public}.{name}": member for name, member in members_of(thing)}


UNIT = r"[\[(].*{}"


def physical(unit):
    """Whether a docstring has to say it: not of ratios and money, and days and years stand in the words."""
    return unit not in ("", "-", "d", "yr") and "currency" not in unit


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
    thing = PATHS[path]
    plain = thing.__func__ if isinstance(thing, (classmethod, staticmethod)) else thing
    if isinstance(plain, (property, cached_property)) or (
        inspect.isclass(plain) and (issubclass(plain, BaseException) or not dataclasses.is_dataclass(plain))
    ):
        return []
    return [name for name in inspect.signature(plain).parameters if name not in ("self", "cls")]


@pytest.mark.parametrize("path", [path for path in PATHS if arguments(path)])
def test_every_argument_is_described_with_its_unit(path):
    thing = PATHS[path]
    described = documented(thing.__func__ if isinstance(thing, (classmethod, staticmethod)) else thing)
    wrong = []
    for name in arguments(path):
        what = variable(name, own_name(path))
        text = described.get(name)
        if text is None:
            wrong.append(f"{name} is not described")
        elif physical(what.unit) and not (
            text.startswith("As for ") or re.search(UNIT.format(re.escape(what.unit)), text)
        ):
            wrong.append(f"{name} does not say its unit, {what.unit}: {text}")
    assert wrong == []


def test_a_refusal_is_told():
    """Whatever raises `InputError` in its own lines says so."""
    untold = []
    for path, thing in PATHS.items():
        plain = inspect.unwrap(getattr(thing, "__func__", thing))
        if inspect.isfunction(plain) and re.search(r"raise InputError|raise_any", inspect.getsource(plain)):
            untold += [path] * ("Raises" not in inspect.getdoc(plain))
    assert untold == []


def words_of(annotations):
    return set(re.findall(r"\w+", " ".join(map(str, annotations))))


FUNCTIONS = [
    plain for thing in PATHS.values() if inspect.isfunction(plain := inspect.unwrap(getattr(thing, "__func__", thing)))
]
MADE = words_of(inspect.signature(function).return_annotation for function in FUNCTIONS)
"""Names of what functions return: the example of such a class is that of its maker."""
MADE |= words_of(
    field.type
    for path, thing in PUBLIC.items()
    if own_name(path) in MADE and dataclasses.is_dataclass(thing)
    for field in dataclasses.fields(thing)
)
TEXTS = [page for kind in ("docs/how-to/*.md", "docs/examples/*.py", "notebooks/*.py") for page in ROOT.glob(kind)]
CALLED = {name for page in TEXTS for name in re.findall(r"\b(\w+)\(", page.read_text(encoding="utf-8"))}
IN_PICTURES = ("plots.", "fit_plots.")
IN_FOLDERS = ("check_study", "explore", "open_study", "run_study")
"""What needs a folder of sites, or a notebook, to show anything."""


@pytest.mark.parametrize("path", PUBLIC)
def test_whatever_a_user_calls_has_an_example_that_runs(path):
    thing, name = PUBLIC[path], own_name(path)
    if ">>>" in inspect.getdoc(thing):
        return  # pytest runs it
    if inspect.isclass(thing):
        assert issubclass(thing, Warning) or name in MADE, "no example in its docstring"
    else:
        elsewhere = path.startswith(IN_PICTURES) or path in IN_FOLDERS
        assert elsewhere, "no example in its docstring"
        assert name in CALLED, "no example in its docstring, a guide, the gallery or a notebook"
