"""The scripts of `docs/` that make its pages, as modules."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

DOCS = Path(__file__).parents[2] / "docs"


def page_maker(name: str) -> ModuleType:
    """Load ``docs/NAME.py``; worker processes find it by that name."""
    if str(DOCS) not in sys.path:  # the scripts import each other
        sys.path.append(str(DOCS))
    spec = importlib.util.spec_from_file_location(name, DOCS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module
