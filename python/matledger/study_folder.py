"""A study as a folder: courses, settings and results, with all that is needed to repeat it.

``study.toml`` holds the settings, ``sites/NAME`` the folder of each course, ``results/NAME.zarr`` what was found, and
``manifest.json`` a digest of every file and the versions that wrote them.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import shutil
import tomllib
import zlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor, as_completed
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from matledger import _core
from matledger.atomic import fresh_folder, write_whole
from matledger.cells import column, read_fields
from matledger.errors import InputError, Problem
from matledger.findings import Findings
from matledger.frames import Table
from matledger.tables import read_text

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["SiteContrasts", "StudyRun", "check_study", "open_study", "run_study"]

Quantity: TypeAlias = Literal["om_percent", "om_kg_m2", "thickness_mm"]
Settings: TypeAlias = dict[str, Any]

UNITS: Mapping[str, str] = {"om_percent": "%", "om_kg_m2": "kg/m2", "thickness_mm": "mm"}
SETTINGS = "study.toml"
MANIFEST = "manifest.json"
PACKAGES = ("matledger", "numpy", "xarray", "zarr")

COLUMNS = (
    column("seed"),
    column("years", "study"),
    column("draws", "study"),
    column("weather_sequences"),
    column("block_days", required=False),
    column("warmer_c", required=False),
    column("method", "study", choices=("laplace", "nuts"), required=False),
)


@dataclass(frozen=True, kw_only=True, repr=False)
class SiteContrasts:
    """The difference of two programmes at many sites, each fitted by itself, and what they say together.

    Attributes
    ----------
    quantity
        What differs.
    sample
        Where it was read.
    first, second
        The programmes; the difference is the first less the second, at the end of the last year, mean over the greens
        by area.
    level
        Probability of the intervals.
    sites
        Names of the sites.
    means, sds
        Mean and standard deviation of the difference at each site.
    intervals
        Interval of the difference at each site, from its draws.
    sand_kg_m2
        Difference of the sand given in all years at each site [kg/m2].
    mean, interval
        Mean difference of the population of sites, and its interval.
    new_site
        Interval of the difference at a site that is not among them.
    between_sd
        Standard deviation between sites beyond what is not known of each (median).
    probability_lower
        Probability that the mean difference is below zero.
    """

    quantity: Quantity
    sample: str
    first: str
    second: str
    level: float
    sites: tuple[str, ...]
    means: tuple[float, ...]
    sds: tuple[float, ...]
    intervals: tuple[tuple[float, float], ...]
    sand_kg_m2: tuple[float, ...]
    mean: float
    interval: tuple[float, float]
    new_site: tuple[float, float]
    between_sd: float
    probability_lower: float

    def table(self) -> Table:
        """Each site, their population, and a new site."""
        bounds = [*self.intervals, self.interval, self.new_site]
        unit, share = UNITS[self.quantity], f"{100 * self.level:g} %"
        columns: dict[str, Sequence[Any]] = {
            "site": [*self.sites, "population of sites", "a new site"],
            f"difference, {unit}": [*self.means, self.mean, self.mean],
            f"{share} from": [low for low, _ in bounds],
            "to": [high for _, high in bounds],
            "sand, kg/m2": [f"{sand:.1f}" for sand in self.sand_kg_m2] + ["", ""],
        }
        caption = f"{self.quantity}, {self.sample}: {self.first} less {self.second}"
        return Table(caption, columns, dict.fromkeys(list(columns)[1:4], ".3f"))

    def __repr__(self) -> str:
        return repr(self.table())

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


@dataclass(frozen=True)
class StudyRun:
    """Results of a study, read from its folder a site at a time.

    Attributes
    ----------
    folder
        The study's folder.
    sites
        Names of the sites.
    """

    folder: Path
    sites: tuple[str, ...]

    def site(self, name: str) -> xr.Dataset:
        """Return the forecast of a site as `matledger.Comparison.to_xarray` gives it; values are read when used.

        Parameters
        ----------
        name
            A name.

        Raises
        ------
        InputError
            If the study has no such site.
        """
        import xarray as xr

        if name not in self.sites:
            raise InputError([Problem("site", name, f"one of {', '.join(self.sites)}")])
        found: xr.Dataset = xr.open_zarr(_result(self.folder, name), chunks=None, consolidated=True)
        return found

    def contrasts(
        self,
        first: str,
        second: str,
        *,
        quantity: Quantity = "om_percent",
        sample: str | None = None,
        level: float = 0.9,
    ) -> SiteContrasts:
        """Contrast two programmes at every site, and pool the sites.

        Parameters
        ----------
        first, second
            Names of programmes that every site has.
        quantity
            ``om_percent``, ``om_kg_m2`` or ``thickness_mm``.
        sample
            Where it is read; by default the first sample of the first site.
        level
            Probability of the intervals.

        Returns
        -------
        SiteContrasts

        Raises
        ------
        InputError
            For a programme, quantity or sample that a site does not have, or fewer than three sites.

        Notes
        -----
        An approximation in two stages: each site is fitted by itself under the same priors, and its difference taken as
        normal; the sites are then pooled with a flat prior on the scatter between them. A joint fit would share what
        sites teach of decay and litter; it is not made here.
        """
        if not 0 < level < 1:
            raise InputError([Problem("level", repr(level), "a probability between 0 and 1")])
        findings = Findings()
        rows: list[tuple[float, float, tuple[float, float], float]] = []
        for name in self.sites:
            with self.site(name) as data:
                where = sample or str(data["sample"].values[0])
                asked = {"programme": (first, second), "sample": (where,), "quantity": (quantity,)}
                has = {dim: [str(v) for v in data[dim].values] for dim in ("programme", "sample")}
                has["quantity"] = list(UNITS)
                wrong = [(what, value) for what, values in asked.items() for value in values if value not in has[what]]
                for what, value in wrong:
                    findings.add(Problem(f"site {name}, {what}", value, f"one of {', '.join(has[what])}"))
                if wrong:
                    continue
                sample = where
                last = data[quantity].isel(date=-1).sel(sample=where)
                weights = data["area_m2"].values / data["area_m2"].values.sum()
                draws = weights @ (last.sel(programme=first).values - last.sel(programme=second).values)
                sand = data["sand_kg_m2"].sum("year")
                low, high = np.quantile(draws, [0.5 - level / 2, 0.5 + level / 2])
                difference = float(sand.sel(programme=first) - sand.sel(programme=second))
                rows.append((float(draws.mean()), float(draws.std(ddof=1)), (float(low), float(high)), difference))
        findings.raise_any()
        means, sds, intervals, sands = (tuple(column) for column in zip(*rows, strict=True))
        mean, interval, new_site, between_sd, lower = _core.pool(np.array(means), np.array(sds) ** 2, level)
        return SiteContrasts(
            quantity=quantity,
            sample=sample or "",
            first=first,
            second=second,
            level=level,
            sites=self.sites,
            means=means,
            sds=sds,
            intervals=intervals,
            sand_kg_m2=sands,
            mean=mean,
            interval=interval,
            new_site=new_site,
            between_sd=between_sd,
            probability_lower=lower,
        )


def run_study(folder: str | os.PathLike[str], *, executor: Executor | None = None) -> StudyRun:
    """Fit every site of a study folder by itself, run its programmes forward, and write what was found.

    Parameters
    ----------
    folder
        Folder with ``study.toml`` and a course folder for each site in ``sites``. Keys of ``study.toml``: ``seed``,
        ``years``, ``draws``, ``weather_sequences``; and, if wanted, ``method`` (``laplace`` or ``nuts``),
        ``block_days`` and ``warmer_c`` (see `matledger.WeatherToCome`).
    executor
        Where sites are run: anything with the interface of `concurrent.futures.Executor` whose workers see the folder,
        among them the executor of a dask client. A pool of processes has to spawn them: forked ones may deadlock. None
        runs one site after the other.

    Returns
    -------
    StudyRun
        Only one site is ever held in memory, by the process that runs it.

    Raises
    ------
    InputError
        For settings or a course that cannot be used; sites whose names differ only by spaces or case.

    Notes
    -----
    Each site has a seed of its own, made of the study's and its name, so that results do not depend on which sites
    there are, on the executor or on the order. A site is written whole or not at all, so one whose worker was lost is
    run again.
    """
    home = Path(folder)
    settings, sites = _read(home)
    if executor is None:
        for name in sites:
            _run_site(home, name, settings)
    else:
        futures = [executor.submit(_run_site, home.resolve(), name, settings) for name in sites]
        try:
            for future in as_completed(futures):
                future.result()
        finally:
            for future in futures:
                future.cancel()
    for stale in set((home / "results").iterdir()) - {_result(home, name) for name in sites}:
        shutil.rmtree(stale, ignore_errors=True)
    manifest = {
        "settings": settings,
        "versions": _versions(),
        "files": {path: _digest(home / path) for path in _files(home)},
    }
    write_whole(home / MANIFEST, json.dumps(manifest, indent=1, sort_keys=True) + "\n")
    return StudyRun(home, sites)


def open_study(folder: str | os.PathLike[str]) -> StudyRun:
    """Open the results of a study that was run.

    Parameters
    ----------
    folder
        Folder on disk.

    Raises
    ------
    InputError
        For settings that cannot be read, or a site without results.
    """
    home = Path(folder)
    _, sites = _read(home)
    missing = [name for name in sites if not _result(home, name).is_dir()]
    if missing:
        raise InputError([Problem(f"results/{name}.zarr", "nothing", "results: run the study") for name in missing])
    return StudyRun(home, sites)


def check_study(folder: str | os.PathLike[str]) -> tuple[str, ...]:
    """Check that a study folder is whole: every file as it was when the study was run.

    Parameters
    ----------
    folder
        The study's folder.

    Returns
    -------
    tuple of str
        What differs and is no error: versions other than those that wrote the results.

    Raises
    ------
    InputError
        For settings, courses or a manifest that cannot be read, and every file that was changed, added or lost.
    """
    from matledger.course_file import load_course

    home = Path(folder)
    settings, sites = _read(home)
    findings = Findings()
    for name in sites:
        try:
            load_course(home / "sites" / name)
        except InputError as error:
            findings.problems.extend(error.problems)
    manifest = _manifest(home)
    files = {path: _digest(home / path) for path in _files(home)}
    for path in sorted({*files, *manifest["files"]}):
        was, now = manifest["files"].get(path), files.get(path)
        if was != now:
            found = "no such file" if now is None else "a file that was not there" if was is None else "changed"
            findings.add(Problem("", found, "the file as it was when the study was run", path))
    if manifest["settings"] != settings:
        findings.add(Problem("settings", "changed", "those of the manifest", MANIFEST))
    findings.raise_any()
    now_at = _versions()
    return tuple(
        f"{name} is {now_at.get(name, 'missing')}; the results were written with {was}"
        for name, was in manifest["versions"].items()
        if now_at.get(name) != was
    )


def _read(home: Path) -> tuple[Settings, tuple[str, ...]]:
    text = read_text(home / SETTINGS)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError([Problem("", str(error), "TOML", SETTINGS)]) from None
    findings = Findings()
    settings = read_fields(data, COLUMNS, place="", file=SETTINGS, findings=findings)
    folder = home / "sites"
    sites = sorted(path.name for path in folder.iterdir() if path.is_dir()) if folder.is_dir() else []
    if not sites:
        findings.add(Problem("sites", "no folder", "a course folder for each site"))
    alike: dict[str, str] = {}
    for name in sites:
        other = alike.setdefault("".join(name.split()).casefold(), name)
        if other != name:
            expected = f"a name that differs from {other!r} by more than spaces or case"
            findings.add(Problem("sites", repr(name), expected))
    findings.raise_any()
    return settings or {}, tuple(sites)


def _run_site(home: Path, name: str, settings: Settings) -> None:
    from matledger.calibration import calibrate
    from matledger.comparison import compare
    from matledger.course_file import load_course
    from matledger.weather_to_come import WeatherToCome

    seed = int(np.random.SeedSequence([settings["seed"], zlib.crc32(name.encode())]).generate_state(1)[0])
    course = load_course(home / "sites" / name)
    calibration = calibrate(course, method=settings.get("method", "laplace"), draws=settings["draws"], seed=seed)
    comparison = compare(
        calibration,
        years=settings["years"],
        draws=settings["draws"],
        weather_sequences=settings["weather_sequences"],
        weather_to_come=WeatherToCome(block_days=settings.get("block_days"), shift_c=settings.get("warmer_c", 0.0)),
        seed=seed,
    )
    data = comparison.to_xarray()
    data.attrs["provenance"] = json.dumps(
        {"settings": settings, "site": name, "seed": seed} | _versions(), sort_keys=True
    )
    data.attrs["comment"] = "\n".join(comparison.notes)
    with fresh_folder(_result(home, name)) as draft:
        write_chunks(data, draft)


def write_chunks(data: xr.Dataset, folder: Path) -> None:
    """Write a data set as Zarr, a chunk for each programme, green and date."""
    single = ("programme", "green", "date")
    encoding = {
        str(name): {"chunks": tuple(1 if dim in single else size for dim, size in values.sizes.items())}
        for name, values in data.data_vars.items()
    }
    # Version 2 of the format has a settled form of text.
    data.to_zarr(folder, mode="w", zarr_format=2, encoding=encoding, consolidated=True)


def _result(home: Path, name: str) -> Path:
    return home / "results" / f"{name}.zarr"


def _versions() -> dict[str, str]:
    return {"python": platform.python_version()} | {name: version(name) for name in PACKAGES}


def _files(home: Path) -> Iterator[str]:
    for path in sorted(home.rglob("*")):
        if path.is_file() and path.name != MANIFEST:
            yield path.relative_to(home).as_posix()


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _manifest(home: Path) -> dict[str, Any]:
    try:
        found = json.loads(read_text(home / MANIFEST))
        kinds = {name: isinstance(found[name], dict) for name in ("settings", "versions", "files")}
    except (json.JSONDecodeError, KeyError, TypeError):
        kinds = {"manifest": False}
    if not all(kinds.values()):
        raise InputError([Problem("", "no manifest", "the manifest that a run writes", MANIFEST)])
    return dict(found)
