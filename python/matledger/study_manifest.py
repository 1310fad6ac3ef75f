"""What a study folder says of itself: settings, sites, every file's digest, and the manifest that a run writes.

``study.toml`` holds the settings, ``sites/NAME`` the folder of each course, and ``manifest.json`` a digest of every
file, the seeds, and the versions that wrote them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, get_args

from matledger.atomic import write_whole
from matledger.calibration.fit import FitMethod
from matledger.cells import column, read_fields
from matledger.errors import InputError, Problem
from matledger.findings import Findings, fold, nearest, shown
from matledger.study_run import StudySettings, site_seed, versions
from matledger.tables import read_text, read_toml

__all__ = ["MANIFEST", "SETTINGS", "digests", "read_manifest", "read_settings", "write_manifest"]

SETTINGS = "study.toml"
MANIFEST = "manifest.json"

COLUMNS = (
    column("seed"),
    column("years"),
    column("draws", "study"),
    column("weather_sequences"),
    column("block_days", required=False),
    column("shift_c", required=False),
    column("method", "study", choices=get_args(FitMethod), required=False),
    column("pooling", choices=("alone", "pooled"), required=False),
)


def read_settings(home: Path) -> tuple[StudySettings, tuple[str, ...]]:
    """Read settings and names of the sites of a folder.

    Raises
    ------
    InputError
        For settings that cannot be used, no site, and sites whose names differ only by spaces or case.
    """
    data = read_toml(home / SETTINGS)
    findings = Findings()
    covariates = data.pop("covariates", {})
    alone = data.get("pooling", "alone") == "alone"  # what is neither is told by itself
    settings = read_fields(data, COLUMNS, place="", file=SETTINGS, findings=findings, beside=("covariates",)) or {}
    folder = home / "sites"
    sites = sorted(path.name for path in folder.iterdir() if path.is_dir()) if folder.is_dir() else []
    if covariates and alone:
        findings.add(Problem("covariates", "given", 'none, or pooling = "pooled"', SETTINGS))
    elif covariates:
        settings["covariates"] = _covariates(covariates, sites, findings)
    if not sites:
        findings.add(Problem("sites", "no folder", "a course folder for each site"))
    alike: dict[str, str] = {}
    for name in sites:
        other = alike.setdefault(fold(name), name)
        if other != name:
            expected = f"a name that differs from {other!r} by more than spaces or case"
            findings.add(Problem("sites", repr(name), expected))
    findings.raise_any()
    return settings, tuple(sites)


def _covariates(given: object, sites: Sequence[str], findings: Findings) -> dict[str, dict[str, float]]:
    """The tables of covariates, a number for each site."""
    found: dict[str, dict[str, float]] = {}
    for name, values in given.items() if isinstance(given, dict) else [("", given)]:
        own = values if isinstance(values, dict) else {}
        place, found[name] = f"covariates.{name}".rstrip("."), {}
        if not own:
            findings.add(Problem(place, shown(values), "a table of a number for each site", SETTINGS))
            continue
        for site, value in own.items():
            told = shown(repr(value) if isinstance(value, str) else value)
            if site not in sites:
                like = nearest(site, sites)
                expected = (
                    f"a site of the study (nearest: {like})" if like else f"a site of the study: {', '.join(sites)}"
                )
                findings.add(Problem(f"{place}.{site}", told, expected, SETTINGS))
            elif isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300:
                found[name][site] = float(value)
            else:
                findings.add(Problem(f"{place}.{site}", told, "a number", SETTINGS))
        for site in sites:
            if site not in own:
                findings.add(Problem(f"{place}.{site}", "not given", "a number", SETTINGS))
    return found


def digests(home: Path) -> dict[str, str]:
    """SHA-256 of every file of a folder but its manifest."""
    return {path: _digest(home / path) for path in _files(home)}


def _files(home: Path) -> Iterator[str]:
    for path in sorted(home.rglob("*")):
        if path.is_file() and path.name != MANIFEST:
            yield path.relative_to(home).as_posix()


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_manifest(home: Path, settings: StudySettings, sites: tuple[str, ...]) -> None:
    """Write what is there, and what made it."""
    manifest = {
        "settings": settings,
        "seeds": {name: site_seed(settings, name) for name in sites},
        "versions": versions(),
        "files": digests(home),
    }
    write_whole(home / MANIFEST, json.dumps(manifest, indent=1, sort_keys=True) + "\n")


def read_manifest(home: Path) -> dict[str, Any]:
    """Read what a run wrote.

    Raises
    ------
    InputError
        If it is no manifest.
    """
    text = read_text(home / MANIFEST)
    try:
        found = json.loads(text)
        kinds = {name: isinstance(found[name], dict) for name in ("settings", "seeds", "versions", "files")}
    except (ValueError, RecursionError, KeyError, TypeError):
        kinds = {"manifest": False}
    if not all(kinds.values()):
        raise InputError([Problem("", "no manifest", "the manifest that a run writes", MANIFEST)])
    return dict(found)
