"""What is installed, for a report of something that went wrong."""

from __future__ import annotations

import platform
import re
from importlib.metadata import PackageNotFoundError, requires, version

from matledger import _core

__all__ = ["show_versions"]


def show_versions() -> None:
    """Print the versions of matledger, Python, the machine, and every package that matledger uses or can use.

    Prints nothing else of the machine: no path, no name, no variable.

    Examples
    --------
    >>> import matledger as mat
    >>> mat.show_versions()
    matledger   ...
    python      ...
    """
    print(f"{'matledger':<12}{_core.VERSION}")
    print(f"{'python':<12}{platform.python_version()} ({platform.python_implementation()})")
    print(f"{'machine':<12}{platform.system()} {platform.release()} {platform.machine()}")
    for name in _used():
        try:
            print(f"{name:<12}{version(name)}")
        except PackageNotFoundError:
            print(f"{name:<12}not installed")


def _used() -> list[str]:
    """Packages that the package's own metadata names, extras too."""
    named = (re.match(r"[\w.-]+", line) for line in requires("matledger") or ())
    return sorted({found[0].lower() for found in named if found} - {"matledger"})
