"""Everything of matledger that reads what somebody else wrote, for the fuzzers and the tests.

``corpus/NAME`` holds what a reader is fed to begin with: good input, and whatever once broke it.
"""

from __future__ import annotations

import contextlib
import sys
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import matledger as mat
from matledger.calibration import chains
from matledger.errors import UnusualWarning
from matledger.study_manifest import MANIFEST, SETTINGS

HERE = Path(__file__).parent
sys.path.append(str(HERE.parents[1] / "docs"))

from make_broken_files import FOLDER  # noqa: E402

CORPUS = HERE / "corpus"
STUDY = "seed = 1\nyears = 5\ndraws = 20\nweather_sequences = 4\n"


@dataclass(frozen=True)
class Reader:
    """One reader: the file it reads, or else the text."""

    name: str
    read: Callable[[Any], Any]
    file: str | None = "a.csv"
    folder: bool = False
    """Whether it is given the folder, and not the file."""
    beside: Mapping[str, str] = field(default_factory=dict)
    """Other files of the folder."""

    def prepare(self, folder: Path) -> None:
        """Write what lies beside the file."""
        for name, text in self.beside.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text, encoding="utf-8", newline="")

    def feed(self, data: bytes, folder: Path) -> None:
        """Read the bytes; anything but a result or an `InputError` is a fault."""
        with contextlib.suppress(mat.InputError), warnings.catch_warnings():
            warnings.simplefilter("ignore", UnusualWarning)
            if self.file is None:
                self.read(data.decode("utf-8", "replace"))
            else:
                path = folder / self.file
                path.write_bytes(data)
                self.read(folder if self.folder else path)

    def seeds(self) -> list[bytes]:
        """Return the committed corpus."""
        return [path.read_bytes() for path in sorted((CORPUS / self.name).iterdir())]


def _rule(text: str) -> None:
    mat.Programme("fuzzed", [(text, [mat.Topdressing(sand_mm=1)])], no_work=[text])


def _unit(text: str) -> None:
    for unit in ("mm", "g/m2", "degC", "1"):
        with contextlib.suppress(mat.InputError):
            mat.units.parse(text, unit, name="fuzzed")
    mat.units.convert(1.0, text, "mm")


_SITE = {f"sites/one/{name}": text for name, text in FOLDER.items()}
READERS = {
    reader.name: reader
    for reader in (
        Reader("read_weather", mat.read_weather),
        Reader("read_ghcn_daily", mat.read_ghcn_daily),
        Reader("read_ghcn_daily_fixed", mat.read_ghcn_daily, "a.dly"),
        Reader("read_clippings", mat.read_clippings),
        Reader("read_soil_tests", mat.read_soil_tests),
        Reader("read_work", mat.read_work),
        Reader("read_probe_readings", mat.read_probe_readings),
        Reader("read_fill_readings", mat.read_fill_readings),
        Reader("read_cover", mat.read_cover),
        Reader("read_ring_readings", mat.read_ring_readings),
        Reader("read_sieve_analyses", mat.read_sieve_analyses),
        Reader("read_specification", partial(mat.read_specification, name="fuzzed")),
        Reader("read_study", mat.read_study),
        Reader("load_course", mat.load_course, "course.toml", folder=True, beside=FOLDER),
        Reader("check_study", mat.check_study, SETTINGS, folder=True, beside=_SITE),
        Reader("manifest", mat.check_study, MANIFEST, folder=True, beside={SETTINGS: STUDY, **_SITE}),
        Reader("checkpoint", lambda path: chains._read(path, "mark", 2), "chains.npz"),
        Reader("rule", _rule, None),
        Reader("unit", _unit, None),
    )
}
