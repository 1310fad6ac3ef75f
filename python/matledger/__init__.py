"""Organic matter in putting greens: how much the turf makes, what coring and sanding do, what that costs."""

from __future__ import annotations

# Nothing is imported here: the command line answers Ctrl-C from its first moment on.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    __version__: str
    from matledger import fit_plots as fit_plots
    from matledger import plots as plots
    from matledger import units as units
    from matledger.by_green import ByGreen
    from matledger.calibration import (
        Calibration,
        Invented,
        PriorCheck,
        calibrate,
        invent_tests,
        last_tests,
        leave_one_out,
        predictive_checks,
        prior_check,
    )
    from matledger.comparison import Comparison, compare
    from matledger.course import Course, Green, Method, Settings, Target
    from matledger.course_file import load_course
    from matledger.dates import Dates, rank_dates
    from matledger.demo import demo_course
    from matledger.errors import InputError, Problem, UnusualWarning
    from matledger.evidence import value_of_test
    from matledger.explorer import explore
    from matledger.fit_report import FitReport, report_fit
    from matledger.growth import ClippingRecord, DailyClippings, SiteYield, daily_clippings, site_yield
    from matledger.infiltration import (
        Infiltration,
        RingReading,
        estimate_infiltration,
        read_ring_readings,
    )
    from matledger.labour import Labour, Task
    from matledger.learning import next_tests
    from matledger.many_sites import SitesFit, fit_sites
    from matledger.mixed import StudyAnalysis, analyse
    from matledger.money import Budget, Prices
    from matledger.ordering import (
        Buying,
        Order,
        order_sand,
    )
    from matledger.play import Play
    from matledger.pooling import Population
    from matledger.practice import (
        Coring,
        Programme,
        SandInjection,
        SolidTining,
        Tine,
        Topdressing,
        VerticalMowing,
        passes_to_fill,
        spreader_swaths,
    )
    from matledger.records import (
        CoverRecord,
        FillReading,
        ProbeReading,
        SoilTest,
        WorkRecord,
        depth_verdicts,
        fill_prior,
        read_clippings,
        read_cover,
        read_fill_readings,
        read_ghcn_daily,
        read_probe_readings,
        read_soil_tests,
        read_weather,
        read_work,
        with_probe_readings,
    )
    from matledger.recovery import CoverReading, Recovery, back_in_play, cover_readings, healing
    from matledger.reporting import report
    from matledger.sampling import (
        SamplingPrices,
        StudyDesign,
        StudyPower,
        StudyVariances,
        probe_sd_percent,
        study_power,
        weigh_designs,
    )
    from matledger.sand import (
        Grading,
        Layering,
        Mixture,
        SandCheck,
        Specification,
        filter_d15_mm,
        read_sieve_analyses,
        read_specification,
        sand_in_ground,
    )
    from matledger.searching import Frontier, search
    from matledger.simulation import Ledger, Run, simulate
    from matledger.space import Space
    from matledger.study_check import check_study
    from matledger.study_contrasts import SiteContrasts
    from matledger.study_folder import (
        StudyRun,
        open_study,
        run_study,
    )
    from matledger.trial_tables import Study, read_study
    from matledger.versions import show_versions
    from matledger.weather import (
        Interpolate,
        SameDayOtherYears,
        Weather,
        decay_modifier,
        degree_days,
        growth_potential,
        soil_temperature,
    )
    from matledger.weather_to_come import WeatherToCome
    from matledger.work_day import (
        Crew,
        WorkDay,
        check_spreader,
        plan_day,
    )

__all__ = [
    "Budget",
    "Buying",
    "ByGreen",
    "Calibration",
    "ClippingRecord",
    "Comparison",
    "Coring",
    "Course",
    "CoverReading",
    "CoverRecord",
    "Crew",
    "DailyClippings",
    "Dates",
    "FillReading",
    "FitReport",
    "Frontier",
    "Grading",
    "Green",
    "Infiltration",
    "InputError",
    "Interpolate",
    "Invented",
    "Labour",
    "Layering",
    "Ledger",
    "Method",
    "Mixture",
    "Order",
    "Play",
    "Population",
    "Prices",
    "PriorCheck",
    "ProbeReading",
    "Problem",
    "Programme",
    "Recovery",
    "RingReading",
    "Run",
    "SameDayOtherYears",
    "SamplingPrices",
    "SandCheck",
    "SandInjection",
    "Settings",
    "SiteContrasts",
    "SiteYield",
    "SitesFit",
    "SoilTest",
    "SolidTining",
    "Space",
    "Specification",
    "Study",
    "StudyAnalysis",
    "StudyDesign",
    "StudyPower",
    "StudyRun",
    "StudyVariances",
    "Target",
    "Task",
    "Tine",
    "Topdressing",
    "UnusualWarning",
    "VerticalMowing",
    "Weather",
    "WeatherToCome",
    "WorkDay",
    "WorkRecord",
    "__version__",
    "analyse",
    "back_in_play",
    "calibrate",
    "check_spreader",
    "check_study",
    "compare",
    "cover_readings",
    "daily_clippings",
    "decay_modifier",
    "degree_days",
    "demo_course",
    "depth_verdicts",
    "estimate_infiltration",
    "explore",
    "fill_prior",
    "filter_d15_mm",
    "fit_sites",
    "growth_potential",
    "healing",
    "invent_tests",
    "last_tests",
    "leave_one_out",
    "load_course",
    "next_tests",
    "open_study",
    "order_sand",
    "passes_to_fill",
    "plan_day",
    "predictive_checks",
    "prior_check",
    "probe_sd_percent",
    "rank_dates",
    "read_clippings",
    "read_cover",
    "read_fill_readings",
    "read_ghcn_daily",
    "read_probe_readings",
    "read_ring_readings",
    "read_sieve_analyses",
    "read_soil_tests",
    "read_specification",
    "read_study",
    "read_weather",
    "read_work",
    "report",
    "report_fit",
    "run_study",
    "sand_in_ground",
    "search",
    "show_versions",
    "simulate",
    "site_yield",
    "soil_temperature",
    "spreader_swaths",
    "study_power",
    "value_of_test",
    "weigh_designs",
    "with_probe_readings",
]

# Modules are imported when a name is first used: numpy alone takes most of what an import may cost.
_MODULES = ("fit_plots", "plots", "units")
_HOMES = {
    "many_sites": ("SitesFit", "fit_sites"),
    "pooling": ("Population",),
    "study_contrasts": ("SiteContrasts",),
    "study_check": ("check_study",),
    "study_folder": (
        "StudyRun",
        "open_study",
        "run_study",
    ),
    "trial_tables": (
        "Study",
        "read_study",
    ),
    "mixed": (
        "StudyAnalysis",
        "analyse",
    ),
    "sampling": (
        "SamplingPrices",
        "StudyDesign",
        "StudyPower",
        "StudyVariances",
        "probe_sd_percent",
        "study_power",
        "weigh_designs",
    ),
    "weather_to_come": ("WeatherToCome",),
    "calibration": (
        "Calibration",
        "Invented",
        "PriorCheck",
        "calibrate",
        "invent_tests",
        "last_tests",
        "leave_one_out",
        "predictive_checks",
        "prior_check",
    ),
    "comparison": (
        "Comparison",
        "compare",
    ),
    "course_file": ("load_course",),
    "course": (
        "Course",
        "Green",
        "Method",
        "Settings",
        "Target",
    ),
    "dates": ("Dates", "rank_dates"),
    "demo": ("demo_course",),
    "errors": (
        "InputError",
        "Problem",
        "UnusualWarning",
    ),
    "evidence": ("value_of_test",),
    "explorer": ("explore",),
    "growth": (
        "ClippingRecord",
        "DailyClippings",
        "SiteYield",
        "daily_clippings",
        "site_yield",
    ),
    "fit_report": ("FitReport", "report_fit"),
    "labour": ("Labour", "Task"),
    "learning": ("next_tests",),
    "money": ("Budget", "Prices"),
    "play": ("Play",),
    "practice": (
        "Coring",
        "Programme",
        "SandInjection",
        "SolidTining",
        "Tine",
        "Topdressing",
        "VerticalMowing",
        "passes_to_fill",
        "spreader_swaths",
    ),
    "records": (
        "CoverRecord",
        "FillReading",
        "ProbeReading",
        "depth_verdicts",
        "fill_prior",
        "read_cover",
        "read_fill_readings",
        "read_probe_readings",
        "with_probe_readings",
        "SoilTest",
        "WorkRecord",
        "read_clippings",
        "read_ghcn_daily",
        "read_soil_tests",
        "read_weather",
        "read_work",
    ),
    "recovery": ("CoverReading", "Recovery", "back_in_play", "cover_readings", "healing"),
    "reporting": ("report",),
    "by_green": ("ByGreen",),
    "searching": ("Frontier", "search"),
    "space": ("Space",),
    "simulation": ("Ledger", "Run", "simulate"),
    "versions": ("show_versions",),
    "weather": (
        "Interpolate",
        "SameDayOtherYears",
        "Weather",
        "decay_modifier",
        "degree_days",
        "growth_potential",
        "soil_temperature",
    ),
    "sand": (
        "Grading",
        "Layering",
        "Mixture",
        "SandCheck",
        "Specification",
        "filter_d15_mm",
        "read_sieve_analyses",
        "read_specification",
        "sand_in_ground",
    ),
    "ordering": (
        "Buying",
        "Order",
        "order_sand",
    ),
    "work_day": (
        "Crew",
        "WorkDay",
        "check_spreader",
        "plan_day",
    ),
    "infiltration": (
        "RingReading",
        "Infiltration",
        "estimate_infiltration",
        "read_ring_readings",
    ),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name == "__version__":
        value = import_module("matledger._core").VERSION
    elif name in _MODULES:
        value = import_module(f"matledger.{name}")
    elif name in _HOME:
        value = getattr(import_module(f"matledger.{_HOME[name]}"), name)
    else:
        raise AttributeError(f"module 'matledger' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*__all__, *_MODULES})
