"""The broken files of the docs, for the tests."""

import importlib.util
import sys
from pathlib import Path

_PATH = Path(__file__).parents[2] / "docs" / "make_broken_files.py"
_spec = importlib.util.spec_from_file_location("make_broken_files", _PATH)
assert _spec is not None
assert _spec.loader is not None
files = sys.modules[_spec.name] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(files)
