"""Make the demo course's records from known truth: ``python -m matledger.demo.make``.

The weather is copied from vega_datasets. What was done and what was clipped are invented. Soil tests are what the
model reads at the truth, day by day, plus noise of the truth's own spread. Everything follows from one seed.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
import shutil
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from vega_datasets import data as vega

from matledger import _core
from matledger._arrays import Floats
from matledger.calibration.site import DAILY, Driving, build_site
from matledger.course import Course
from matledger.course_file import FILE, load_course
from matledger.demo import HERE
from matledger.growth import site_yield
from matledger.practice import Programme, Topdressing
from matledger.records import read_weather
from matledger.weather import Weather, degree_days

Row: TypeAlias = Mapping[str, object]

SEED = 20120101
YEARS = range(2012, 2016)

TRUTH = {
    "litter_ratio": 2.5,
    "young_decay_per_year": 1.2,
    "old_decay_per_year": 0.012,
    "humified_share": 0.33,
    "young_share": 0.27,
    "fill_fraction": 0.68,
    "root_share": 0.25,
    "profile_scale_mm": 26.0,
    "base_percent": 1.5,
    "surface_percent": 4.0,
    "om_density_g_cm3": 0.26,
    "sand_scale": 0.96,
    "core_sd_percent": 0.6,
    "laboratory_sd_percent": 0.12,
    "litter_ratio_spread": 0.22,
    "base_percent_spread": 0.16,
    "surface_percent_spread": 0.25,
    "clipping_multiplier[2012]": 0.94,
    "clipping_multiplier[2013]": 1.07,
    "clipping_multiplier[2014]": 1.11,
    "clipping_multiplier[2015]": 0.92,
    "method_offset_percent[360 C, verdure off]": -0.35,
}
"""True values that the greens share; those of the greens are drawn."""

CLIPPINGS_G_M2_PER_DEGREE_DAY = 0.045
CLIPPINGS_LOG_SD = 0.2
DRY_MATTER_G_L = 60
WEIGHED, BY_VOLUME = ("Knoll", "Tarn"), ("Spinney", "Dell")
CORED_IN_SPRING_ONLY = ("Ridge", "Brook")
VERTICALLY_MOWN = "Heath"
TESTED_BY_A_SECOND_METHOD = ("Spinney", "Tarn", "Heath")
WINDOWS_MM = ((0, 20), (20, 40), (40, 60))


def make(into: Path) -> None:
    """Write the folder of the course, and its truth, into a folder.

    Parameters
    ----------
    into
        An existing folder; ``course.toml`` is copied there unless it is the demo's own.
    """
    rng = np.random.default_rng(SEED)
    folder = into / "course"
    folder.mkdir(exist_ok=True)
    if into != HERE:
        shutil.copy(HERE / "course" / FILE, folder / FILE)
    areas_m2 = {green["name"]: green["area_m2"] for green in tomllib.loads((folder / FILE).read_text())["green"]}
    _write(folder / "weather.csv", _weather())
    weather = read_weather(folder / "weather.csv")
    _write(folder / "clippings.csv", list(_clippings(weather, areas_m2, rng)))
    _write(folder / "work.csv", sorted(_work(list(areas_m2), rng), key=lambda row: str(row["date"])))
    tests = list(_tests(list(areas_m2), rng))
    # The course has to be whole before the model can read it: a figure stands for each reading.
    _write(folder / "soil_tests.csv", tests)
    course = load_course(folder)
    names, z, values, readings = _simulate(course, rng)
    by_green = {green: iter(read) for green, read in zip(areas_m2, readings, strict=True)}
    _write(folder / "soil_tests.csv", [row | {"om_percent": f"{next(by_green[row['green']]):.2f}"} for row in tests])
    truth = {
        "note": "Known values behind the invented records of the demo course; `matledger.demo.make` says how.",
        "seed": SEED,
        "values": dict(zip(names, values, strict=True)),
        "coordinates": dict(zip(names, z, strict=True)),
    }
    (into / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8", newline="\n")


def _write(path: Path, rows: Sequence[Row]) -> None:
    columns = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _weather() -> list[Row]:
    with Path(vega.seattle_weather.filepath).open(encoding="utf-8", newline="") as file:
        return [
            {
                "date": row["date"].replace("/", "-"),
                "tmin_c": row["temp_min"],
                "tmax_c": row["temp_max"],
                "rain_mm": row["precipitation"],
            }
            for row in csv.DictReader(file)
        ]


def _clippings(weather: Weather, areas_m2: Mapping[str, float], rng: np.random.Generator) -> Iterator[Row]:
    heat = degree_days(weather.tmin_c, weather.tmax_c, lower_c=0)
    for year in YEARS:
        monday = dt.date(year, 4, 1) + dt.timedelta(days=-dt.date(year, 4, 1).weekday() % 7)
        for week in range(30):
            first = monday + dt.timedelta(weeks=week)
            last = first + dt.timedelta(days=6)
            days = slice((first - weather.start).days, (last - weather.start).days + 1)
            mass_g_m2 = CLIPPINGS_G_M2_PER_DEGREE_DAY * heat[days].sum()
            for green in (*WEIGHED, *BY_VOLUME):
                missed = rng.random() < 0.1
                measured = mass_g_m2 * math.exp(CLIPPINGS_LOG_SD * rng.standard_normal())
                if missed:
                    continue
                row: dict[str, object] = {"green": green, "first_day": first, "last_day": last}
                row["dry_g_m2"] = f"{measured:.1f}" if green in WEIGHED else ""
                row["volume_l"] = f"{measured * areas_m2[green] / DRY_MATTER_G_L:.0f}" if green in BY_VOLUME else ""
                yield row


def _dates(rule: str) -> list[dt.date]:
    span = (dt.date(YEARS[0], 1, 1), dt.date(YEARS[-1], 12, 31))
    return [event.date for event in Programme("dates", [(rule, [Topdressing(sand_mm=1)])]).calendar(*span)]


def _work(greens: Sequence[str], rng: np.random.Generator) -> Iterator[Row]:
    reach_mm = dict(zip(greens, rng.normal(68, 4, len(greens)), strict=True))
    for date in _dates("second Monday of April and of September"):
        cored = [green for green in greens if date.month == 4 or green not in CORED_IN_SPRING_ONLY]
        for green in cored:
            yield {
                "green": green,
                "date": date,
                "work": "coring",
                "tine_inside_diameter_mm": 12.7,
                "spacing_along_mm": 50,
                "spacing_across_mm": 50,
                "depth_mm": f"{reach_mm[green] + rng.normal(0, 3):.0f}",
                "depth_sd_mm": f"{rng.uniform(4, 8):.0f}",
            }
        for green in cored:
            yield {"green": green, "date": date, "work": "topdressing", "passes": 4, "sand_mm": 2.4}
    for date in _dates("every 17 days from 5 May to 31 August"):
        sand_mm = rng.choice([0.2, 0.3, 0.4])
        yield {"green": "all", "date": date, "work": "topdressing", "passes": 1, "sand_mm": f"{sand_mm:.1f}"}
    for date in _dates("15 June and 20 July"):
        yield {
            "green": VERTICALLY_MOWN,
            "date": date,
            "work": "vertical_mowing",
            "depth_mm": 8,
            "passes": 1,
            "blade_width_mm": 1.2,
            "blade_spacing_mm": 25,
        }


def _tests(greens: Sequence[str], rng: np.random.Generator) -> Iterator[dict[str, Any]]:
    for date in _dates("26 March and 22 October"):
        for green in greens:
            cores = int(rng.integers(6, 11))
            methods = [("440 C", "on")]
            if green in TESTED_BY_A_SECOND_METHOD and date.month == 10 and date.year % 2:
                methods.append(("360 C", "off"))
            for method, verdure in methods:
                for top, bottom in WINDOWS_MM:
                    yield {
                        "green": green,
                        "date": date,
                        "top_mm": top,
                        "bottom_mm": bottom,
                        "om_percent": 1,
                        "cores": cores,
                        "method": method,
                        "verdure": verdure,
                    }


def _simulate(course: Course, rng: np.random.Generator) -> tuple[list[str], list[float], list[float], list[Floats]]:
    """Return the unknowns' names, coordinates and true values, and the readings of each green's tests."""
    driving = Driving(lower_c=course.settings.lower_c)
    heat, _ = _core.drivers(course.weather.core, driving._given())
    records = [record for green in course.greens for record in course.clippings_of(green.name)]
    site = build_site(course, driving, site_yield(course.weather.start, heat, records), {}, layout=DAILY)
    mean_g_m2 = CLIPPINGS_G_M2_PER_DEGREE_DAY * math.exp(CLIPPINGS_LOG_SD**2 / 2)
    weighed = {
        "annual_clippings_g_m2": mean_g_m2 * _core.annual_degree_days(heat),
        "clipping_record_sd": CLIPPINGS_LOG_SD,
    }
    # Of the clippings nothing is left to draw.
    drawn = iter(rng.standard_normal(len(site.names) - len(weighed)))
    true = TRUTH | weighed
    deviations = [0.0 if name in weighed else next(drawn) for name in site.names]
    z = [
        _coordinate(true[name], *prior) if name in true else deviation
        for name, prior, deviation in zip(site.names, site.priors, deviations, strict=True)
    ]
    z = [_rounded(value) for value in z]
    at = np.array([z])
    values = [_rounded(value) for value in site.natural(at)[0]]
    readings = [mean[0] + sd[0] * rng.standard_normal(mean.shape[1]) for mean, sd in site.predictions(at)]
    return site.names, z, values, readings


def _coordinate(value: float, median: float, sd: float, scale: str) -> float:
    if scale == "log":
        return math.log(value / median) / sd
    if scale == "logit":
        return math.log(value / (1 - value) * (1 - median) / median) / sd
    return (value - median) / sd


def _rounded(value: float) -> float:
    return float(f"{value:.6g}")


if __name__ == "__main__":
    make(HERE)
