"""The starter course that ``matledger new`` writes: invented records, in metric or US units."""

from __future__ import annotations

import datetime as dt
import math
from string import Template

from matledger.units import System, convert

__all__ = ["starter"]

COURSE = Template("""\
# A starter course: edit every line, then run `matledger check FOLDER`. All figures here are invented.
name = "My course"
invented = true                 # set to false, or remove, once the figures are yours
$units

[weather]
file = "weather.csv"            # $weather, one row a day, whole years

[growth]
grass = "creeping bentgrass"
$base

[soil_tests]
file = "soil_tests.csv"

[work]
file = "work.csv"               # what was done to the greens, and when

# [clippings]                   # weighed or measured: what each year grew
# file = "clippings.csv"

# [cover]                       # green cover read after coring: how fast your turf heals
# file = "cover.csv"

[[green]]
name = "1"
$area_1
$mat

[[green]]
name = "2"
$area_2
$mat

[[programme]]
name = "present"

[[programme.step]]
when = "second Monday of April"
work = [
    { work = "coring", $cores },
    { work = "topdressing", $heavy, passes = 3 },
]

[[programme]]
name = "twice, and light sand"
no_work = ["1 July to 7 July"]
when_no_work = "next_work_day"

[[programme.step]]
when = "second Monday of April and of September"
work = [
    { work = "coring", $cores },
    { work = "topdressing", $heavy, passes = 3 },
]

[[programme.step]]
when = "every 14 days from 1 May to 31 August"
work = [{ work = "topdressing", $light }]

[target]                        # yours: no range is accepted everywhere
$top
$bottom
om_percent = 5
probability = 0.8

# [prices]                      # with prices there is a budget; an amount may name its currency: "25 $currency"
# currency = "$currency"
# crew_per_h = 25
# machine_per_h = { corer = 40, vehicle = 15, spreader = 30 }
# $sand
# round = 60                      # a round of play, for what closed and slow days cost

# [play]                        # with a play calendar the report ranks the weeks for coring
# rounds_a_week = [0, 0, 60, 150, 220, 280, 300, 300, 240, 160, 60, 0]
# lost_share = 0.1                # of the rounds while the greens recover
# closed_days = 1                 # from the day of the coring on
""")

SIZES = {
    "metric": {
        "units": 'units = "metric"                # of tables and pages; or "us"',
        "weather": "date, tmin_c, tmax_c (or tmin_f, tmax_f)",
        "base": "lower_c = 0                     # of its degree days: 0 bentgrass, 10 ultradwarf bermudagrass",
        "area_1": 'area_m2 = 450                   # or "4800 ft2"',
        "area_2": "area_m2 = 520",
        "mat": "mat_depth_mm = 25",
        "cores": "tine_inside_diameter_mm = 12.7, spacing_along_mm = 50, spacing_across_mm = 50, depth_mm = 70",
        "heavy": "sand_mm = 2.5",
        "light": "sand_mm = 0.3",
        "top": "top_mm = 0",
        "bottom": "bottom_mm = 20",
        "currency": "EUR",
        "sand": "sand_per_t = 40                     # a tonne of moist sand",
    },
    "us": {
        "units": 'units = "us"                    # of tables and pages; or "metric"',
        "weather": "date, tmin_f, tmax_f (or tmin_c, tmax_c)",
        "base": "lower_f = 32                    # of its degree days: 32 bentgrass, 50 ultradwarf bermudagrass",
        "area_1": "area_ft2 = 4800                 # or area_m2 = 450",
        "area_2": "area_ft2 = 5600",
        "mat": "mat_depth_in = 1",
        "cores": "tine_inside_diameter_in = 0.5, spacing_along_in = 2, spacing_across_in = 2, depth_in = 2.75",
        "heavy": "sand_ft3_1000ft2 = 8",
        "light": "sand_ft3_1000ft2 = 1",
        "top": "top_in = 0",
        "bottom": "bottom_in = 0.8",
        "currency": "USD",
        "sand": 'sand_per_t = "40 USD/short ton"     # moist sand',
    },
}


def starter(units: System = "metric") -> dict[str, str]:
    """Return the files of the starter course, by name: invented records, and invented weather of three whole years.

    Parameters
    ----------
    units
        ``"metric"`` or ``"us"``.

    Examples
    --------
    >>> sorted(starter("us"))
    ['course.toml', 'soil_tests.csv', 'weather.csv', 'work.csv']
    """
    us = units == "us"
    days = [dt.date(2022, 1, 1) + dt.timedelta(days=n) for n in range(3 * 365 + 1)]
    weather = ["date,tmin_f,tmax_f" if us else "date,tmin_c,tmax_c"]
    for n, day in enumerate(days):
        mean = 11 - 8 * math.cos(2 * math.pi * (day.timetuple().tm_yday - 20) / 365) + 2 * math.sin(n / 3)
        low, high = (convert(value, "degC", "degF") if us else value for value in (mean - 5, mean + 5))
        weather.append(f"{day},{low:.1f},{high:.1f}")
    middle, deep = ("0.8", "1.6") if us else ("20", "40")
    tests = [f"date,green,{'top_in,bottom_in' if us else 'top_mm,bottom_mm'},om_percent,cores,method,verdure"]
    levels = {"1": (4.6, 4.9, 4.7, 5.1, 5.0, 5.4), "2": (5.2, 5.0, 5.6, 5.5, 5.4, 5.9)}
    for green, percents in levels.items():
        for n, percent in enumerate(percents):
            date = f"{2022 + n // 2}-{('04', '10')[n % 2]}-10"
            tests += [f"{date},{green},0,{middle},{percent},6,440 C,on"]
            tests += [f"{date},{green},{middle},{deep},{percent - (2.0, 1.7, 2.2)[n % 3]:.1f},6,440 C,on"]
    sand = ("sand_ft3_1000ft2", "1.5") if us else ("sand_mm", "0.5")
    work = [f"date,green,work,{sand[0]},passes"]
    work += [
        f"{year}-{month:02}-15,all,topdressing,{sand[1]},1" for year in (2022, 2023, 2024) for month in range(5, 10)
    ]
    return {
        "course.toml": COURSE.substitute(SIZES[units]),
        "weather.csv": "\n".join(weather) + "\n",
        "soil_tests.csv": "\n".join(tests) + "\n",
        "work.csv": "\n".join(work) + "\n",
    }
