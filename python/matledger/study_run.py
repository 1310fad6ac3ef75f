"""One site of a study folder at a time: fitted, run forward, written in chunks."""

from __future__ import annotations

import json
import platform
import zlib
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, get_args

import numpy as np
import numpy.typing as npt

from matledger._arrays import Floats, frozen
from matledger.atomic import fresh_folder
from matledger.errors import InputError
from matledger.variables import described

if TYPE_CHECKING:
    import xarray as xr

    from matledger.calibration import Calibration
    from matledger.comparison import Comparison
    from matledger.pooling import Glance

StudySettings: TypeAlias = dict[str, Any]

Quantity: TypeAlias = Literal["om_percent", "om_kg_m2", "thickness_mm"]
QUANTITIES: tuple[Quantity, ...] = get_args(Quantity)
PACKAGES = ("matledger", "numpy", "xarray", "zarr")


def result_folder(home: Path, name: str) -> Path:
    """Where a site's results lie."""
    return home / "results" / f"{name}.zarr"


def site_seed(settings: StudySettings, name: str) -> int:
    """Seed of a site, made of the study's and its name."""
    return int(np.random.SeedSequence([settings["seed"], zlib.crc32(name.encode())]).generate_state(1)[0])


def versions() -> dict[str, str]:
    """What writes the results."""
    return {"python": platform.python_version()} | {name: version(name) for name in PACKAGES}


def provenance(settings: StudySettings, **more: object) -> str:
    """Settings, versions and whatever else results follow from, as JSON."""
    return json.dumps({"settings": settings} | more | versions(), sort_keys=True)


def look_at(home: Path, name: str) -> Glance | InputError:
    """What has to agree between sites, or what is wrong with this one, its files named from the study's folder."""
    from matledger.course_file import load_course
    from matledger.pooling import Glance

    site = f"sites/{name}"
    try:
        return Glance.of(name, load_course(home / site))
    except InputError as error:
        return InputError([replace(each, file=f"{site}/{each.file or ''}".rstrip("/")) for each in error.problems])


def say(home: Path, name: str, settings: StudySettings) -> tuple[Floats, tuple[float, float]]:
    """Draws of a site's litter coordinate by itself, and the prior of the litter ratio."""
    from matledger.pooling import LITTER

    fit = _fit(home, name, settings)
    median, sd, _ = fit.site.priors[LITTER]
    return fit.coordinates[:, LITTER].copy(), (median, sd)


def run_site(
    home: Path,
    name: str,
    settings: StudySettings,
    pooled: npt.NDArray[np.intp] | None = None,
    unseen: Floats | None = None,
) -> None:
    """Fit a site, put it at what all sites teach of its litter if they are pooled, and write its forecast.

    Parameters
    ----------
    home, name, settings
        The study's folder, the site and the settings.
    pooled
        Numbers of those of its draws that agree with the other sites.
    unseen
        Draws of the litter coordinate of a site like it that is not among them.
    """
    from matledger.pooling import LITTER, Glance, few_agree, taken_again

    fit = _fit(home, name, settings)
    if pooled is not None:
        fit = taken_again(fit, pooled)
    comparison = _compare(fit, settings, name, draws=settings["draws"])
    data = comparison.to_xarray()
    data["total_sand_kg_m2"] = (("programme", "draw"), _total_sand_kg_m2(comparison))
    if unseen is not None:
        coordinates = fit.coordinates[: len(unseen)].copy()
        coordinates[:, LITTER] = unseen
        stranger = replace(fit, coordinates=frozen(coordinates), chains=None)
        _add_stranger(data, _compare(stranger, settings, name, draws=len(unseen)))
    described(data, "StudyRun")
    data.attrs["provenance"] = provenance(settings, site=name, seed=site_seed(settings, name))
    data.attrs["methods"] = ", ".join(Glance.of(name, fit.course).methods)
    data.attrs["comment"] = "\n".join([*comparison.notes, *(few_agree(name, fit) if pooled is not None else ())])
    with fresh_folder(result_folder(home, name)) as draft:
        write_chunks(data, draft)
    _checkpoint(home, name).unlink(missing_ok=True)


def write_chunks(data: xr.Dataset, folder: Path) -> None:
    """Write a data set as Zarr, a chunk for each programme, green and date."""
    single = ("programme", "green", "date")
    encoding = {
        str(name): {"chunks": tuple(1 if dim in single else size for dim, size in values.sizes.items())}
        for name, values in data.data_vars.items()
    }
    # Version 2 of the format has a settled form of text.
    data.to_zarr(folder, mode="w", zarr_format=2, encoding=encoding, consolidated=True)


def _checkpoint(home: Path, name: str) -> Path:
    return home / "fits" / f"{name}.npz"


def _fit(home: Path, name: str, settings: StudySettings) -> Calibration:
    """Fit a site; chains are kept on disk until its results are written, so that no draw is made twice."""
    from matledger.calibration import calibrate
    from matledger.course_file import load_course

    method = settings.get("method", "laplace")
    kept = _checkpoint(home, name) if method == "nuts" else None
    if kept is not None:
        kept.parent.mkdir(exist_ok=True)
    return calibrate(
        load_course(home / "sites" / name),
        method=method,
        draws=settings["draws"],
        seed=site_seed(settings, name),
        checkpoint=kept,
    )


def _compare(fit: Calibration, settings: StudySettings, name: str, *, draws: int) -> Comparison:
    from matledger.comparison import compare
    from matledger.weather_to_come import WeatherToCome

    return compare(
        fit,
        years=settings["years"],
        draws=draws,
        weather_sequences=min(settings["weather_sequences"], draws),
        weather_to_come=WeatherToCome(block_days=settings.get("block_days"), shift_c=settings.get("shift_c", 0.0)),
        seed=site_seed(settings, name),
    )


def _total_sand_kg_m2(comparison: Comparison) -> Floats:
    """Sand of all years, shape ``(programme, draw)``; draws take the calendars in turn."""
    draws = comparison.om_percent.shape[-1]
    given = [
        np.array([sum(event.work.sand_g_m2 for event in calendar) for calendar in calendars]) / 1000
        for calendars in comparison.calendars_by_weather
    ]
    return np.array([own[np.arange(draws) % len(own)] for own in given])


def _add_stranger(data: xr.Dataset, comparison: Comparison) -> None:
    for name in QUANTITIES:
        values = comparison.course_mean(getattr(comparison, name))
        data[f"new_site_{name}"] = (("programme", "date", "sample", "new_draw"), values)
