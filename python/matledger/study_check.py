"""Whether a study folder is whole: files, settings and seeds as they were, and results that come out again."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

from matledger.errors import InputError, Problem
from matledger.findings import Findings
from matledger.study_folder import SHARED, run_study
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
        For settings, courses or a manifest that cannot be read; every file that was changed, added or lost; results of
        other settings or another seed; and results that do not come out again.
    """
    from matledger.course_file import load_course

    home = Path(folder)
    settings, sites = read_settings(home)
    findings = Findings()
    for name in sites:
        try:
            load_course(home / "sites" / name)
        except InputError as error:
            findings.problems.extend(error.problems)
    manifest = read_manifest(home)
    _compare_files(manifest["files"], digests(home), findings)
    if manifest["settings"] != settings:
        findings.add(Problem("settings", "changed", "those of the manifest", MANIFEST))
    for name in sites:
        _check_origin(home, name, settings, manifest["seeds"], findings)
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


def _check_origin(home: Path, name: str, settings: StudySettings, seeds: Mapping[str, Any], findings: Findings) -> None:
    """Hold what the results of a site say of their origin against the settings."""
    place = f"results/{name}.zarr"
    try:
        origin = json.loads(json.loads(read_text(home / place / ".zattrs"))["provenance"])
        found = {"settings": origin["settings"], "seed": origin["seed"]}
    except (OSError, InputError, ValueError, RecursionError, KeyError, TypeError):
        findings.add(Problem("provenance", "none that can be read", "settings and seed of the results", place))
        return
    wanted = {"settings": settings, "seed": site_seed(settings, name)}
    for what, value in wanted.items():
        if found[what] != value:
            findings.add(Problem(what, str(found[what]), f"that of this study: {value}", place))
    if seeds.get(name) != wanted["seed"]:
        findings.add(Problem(f"seeds.{name}", str(seeds.get(name)), f"{wanted['seed']}", MANIFEST))


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
