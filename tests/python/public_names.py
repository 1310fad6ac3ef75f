"""What is public: all that the pages of the reference document, and the members of it."""

import importlib
import inspect
import re
from functools import cached_property
from pathlib import Path

REFERENCE = Path(__file__).parents[2] / "docs" / "reference"


def _documented():
    for page in sorted(REFERENCE.glob("*.md")):
        for path in re.findall(
            r"auto(?:class|function|exception):: matledger\.(\S+)", page.read_text(encoding="utf-8")
        ):
            module, _, name = path.rpartition(".")
            home = importlib.import_module(f"matledger.{module}" if module else "matledger")
            yield path, getattr(home, name)


PUBLIC = dict(_documented())
"""Functions and classes by their path below ``matledger``."""


def members_of(kind):
    """Public methods and properties that the package wrote, by name."""
    for name in dir(kind):
        member = inspect.getattr_static(kind, name)
        if name.startswith("_") or not isinstance(
            member, (property, cached_property, classmethod, staticmethod, type(members_of))
        ):
            continue
        inner = getattr(kind, name)
        if getattr(inspect.unwrap(getattr(inner, "fget", None) or inner), "__module__", "matledger") != "builtins":
            yield name, member


def own_name(path):
    """Name of what a path leads to, with its class but without its module: ``Pace.people``."""
    return re.sub(r"^([a-z_]+\.)+(?=.)", "", path)
