"""Whether a study folder is whole: files, settings and seeds as they were, and results that come out again."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import Any

from matledger.errors import InputError, Problem
from matledger.findings import Findings
from matledger.study_folder import SHARED, look_at_sites, run_study
from matledger.study_manifest import MANIFEST, SETTINGS, digests, read_manifest, read_settings
from matledger.study_run import StudySettings, site_seed, versions
from matledger.tables import read_text

__all__ = ["check_study"]


def check_study(
    folder: str | os.PathLike[str], *, again: bool = False, executor: Executor | None = None
) -> tuple[str, ...]:
    """Check that a study folder is whole: every file as it was when the study was run, results of these settings.

    Parameters
    ----------
    folder
        The study's folder.
    again
        Whether the study is run once more, in a folder that is thrown away, and its results held against those here.
        Only that shows that they follow from the data: a manifest can be written by anyone.
    executor
        Where it is run again.

    Returns
    -------
    tuple of str
        What differs and is no error: versions other than those that wrote the results.

    Raises
    ------
    InputError
        For settings, courses or a manifest that cannot be read; a study that was not run, once its settings and sites
        were looked at; every file that was changed, added or lost; results of
        other settings or another seed; and results that do not come out again.
    """
    home = Path(folder)
    settings, sites = read_settings(home)
    findings = Findings()
    look_at_sites(home, sites, settings, findings)
    if not (home / MANIFEST).is_file():
        not_run = Problem("", "no such file", "results: run the study", MANIFEST)
        if findings.problems:
            findings.add(not_run)
        findings.raise_any()
        raise InputError([replace(not_run, expected=f"{not_run.expected}; its settings and its sites have no problem")])
    manifest = read_manifest(home)
    _compare_files(manifest["files"], digests(home), findings)
    for key, was, now in _changed(manifest["settings"], settings):
        findings.add(Problem(key, now, f"as when the study was run: {was}", SETTINGS))
    _check_origins(home, sites, settings, manifest["seeds"], findings)
    findings.raise_any()
    if again:
        _run_again(home, manifest["files"], executor)
    now_at = versions()
    return tuple(
        f"{name} is {now_at.get(name, 'missing')}; the results were written with {was}"
        for name, was in manifest["versions"].items()
        if now_at.get(name) != was
    )


def _compare_files(then: Mapping[str, str], now: Mapping[str, str], findings: Findings) -> None:
    for path in sorted({*now, *then}):
        was, found = then.get(path), now.get(path)
        if was != found:
            shown = "no such file" if found is None else "a file that was not there" if was is None else "changed"
            findings.add(Problem("", shown, "the file as it was when the study was run", path))


def _changed(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Keys of settings that differ, with what they were and are."""
    keys = [key for key in sorted({*then, *now}) if then.get(key) != now.get(key)]
    return [(key, str(then.get(key, "not given")), str(now.get(key, "not given"))) for key in keys]


def _check_origins(
    home: Path, sites: Sequence[str], settings: StudySettings, seeds: Mapping[str, Any], findings: Findings
) -> None:
    """Hold what the results of each site say of their origin against the settings, each key told once."""
    other: dict[Problem, list[str]] = {}
    for name in sites:
        place, seed = f"results/{name}.zarr", site_seed(settings, name)
        try:
            origin = json.loads(json.loads(read_text(home / place / ".zattrs"))["provenance"])
            changed = _changed(origin["settings"], settings)
            found = origin["seed"]
        except (OSError, InputError, ValueError, RecursionError, KeyError, TypeError, AttributeError):
            findings.add(Problem("provenance", "none that can be read", "settings and seed of the results", place))
            continue
        for key, was, now in changed:
            other.setdefault(Problem(key, was, f"that of this study: {now}"), []).append(place)
        if "seed" in {key for key, _, _ in changed}:
            continue  # the seeds of sites are made of it
        if found != seed:
            findings.add(Problem("seed", str(found), f"that of this study: {seed}", place))
        if seeds.get(name) != seed:
            findings.add(Problem(f"seeds.{name}", str(seeds.get(name)), f"{seed}", MANIFEST))
    for problem, places in other.items():
        everywhere = len(places) == len(sites)
        findings.add(replace(problem, file="results" if everywhere else ", ".join(places)))


def _run_again(home: Path, files: Mapping[str, str], executor: Executor | None) -> None:
    with tempfile.TemporaryDirectory() as draft:
        copy = Path(draft)
        shutil.copy(home / SETTINGS, copy)
        shutil.copytree(home / "sites", copy / "sites")
        run_study(copy, executor=executor)
        now = digests(copy)
    found = {path for path in {*files, *now} if path.startswith(("results/", f"{SHARED}/"))}
    expected = "the file that a run of this study writes"
    findings = Findings()
    for path in sorted(found):
        if files.get(path) != now.get(path):
            findings.add(Problem("", "does not come out again", expected, path))
    findings.raise_any()
