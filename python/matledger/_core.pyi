from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import TypeAlias, final

import numpy as np
import numpy.typing as npt

__all__ = [
    "SAND_BULK_DENSITY_G_CM3",
    "SHARED_CLIPPING_LOG_SD",
    "VERSION",
    "Batch",
    "Calendar",
    "Forecast",
    "Grading",
    "Programme",
    "Site",
    "Sites",
    "Specification",
    "Weather",
    "Work",
    "annual_degree_days",
    "bulk_density_g_cm3",
    "cart_trips",
    "catch_pans",
    "check_clipping_record",
    "choose",
    "cover",
    "daily_clippings",
    "days_to_cover",
    "decay_modifier",
    "degree_days",
    "deliveries",
    "drivers",
    "dry_g_m2",
    "dry_matter_g_l",
    "filter_d15_mm",
    "forecast",
    "growth_potential",
    "healing",
    "hole_share_variance",
    "keep_to_one_thread",
    "lesson",
    "mixed_model",
    "passes_to_fill",
    "pool",
    "porosity",
    "sand_by_day",
    "sand_shares",
    "scan",
    "schedule",
    "simulate",
    "site_yield",
    "size_classes",
    "soil_temperature",
    "spreader_swaths",
    "test_count",
    "trials",
    "unknown_fields",
    "us_sieves",
]

VERSION: str
SAND_BULK_DENSITY_G_CM3: float
SHARED_CLIPPING_LOG_SD: float

_Floats: TypeAlias = npt.NDArray[np.float64]
_Bools: TypeAlias = npt.NDArray[np.bool_]

# Weather

def degree_days(
    tmin_c: _Floats, tmax_c: _Floats, lower_c: float, upper_c: float | None, method: str, cutoff: str
) -> tuple[_Floats, list[int]]: ...
def growth_potential(tmean_c: _Floats, optimum_c: float, spread_c: float, plateau: bool) -> _Floats: ...
def decay_modifier(t_c: _Floats, moisture: _Floats | None, form: str, q10: float, reference_c: float) -> _Floats: ...
def soil_temperature(tmean_c: _Floats, lag_days: float) -> _Floats: ...

@final
class Weather:
    def __new__(
        cls, start_day: int, tmin_c: _Floats, tmax_c: _Floats, rain_mm: _Floats | None, filled: _Bools
    ) -> Weather: ...
    @staticmethod
    def from_rows(
        days: npt.NDArray[np.int64],
        tmin_c: _Floats,
        tmax_c: _Floats,
        rain_mm: _Floats | None,
        fill: list[int | None],
    ) -> Weather: ...
    @property
    def start_day(self) -> int: ...
    @property
    def tmin_c(self) -> _Floats: ...
    @property
    def tmax_c(self) -> _Floats: ...
    @property
    def rain_mm(self) -> _Floats | None: ...
    @property
    def filled(self) -> _Bools: ...
    @property
    def complete_years(self) -> list[int]: ...
    def slice(self, first_day: int, last_day: int) -> Weather: ...
    def __eq__(self, other: object, /) -> bool: ...
    def __ne__(self, other: object, /) -> bool: ...

# Growth

_Record: TypeAlias = tuple[str, int, int, float]
_Yield: TypeAlias = tuple[float, float, int, bool]

def lesson(shift: float, spread_left: float) -> str: ...
def dry_matter_g_l(grass: str) -> float: ...
def dry_g_m2(volume_l_m2: float, dry_matter_g_l: float) -> float: ...
def check_clipping_record(row: _Record) -> None: ...
def site_yield(
    start_day: int, degree_days: _Floats, rows: list[_Record], prior_annual_g_m2: float, prior_log_sd: float
) -> _Yield: ...
def annual_degree_days(degree_days: _Floats) -> float: ...
def daily_clippings(
    start_day: int, degree_days: _Floats, rows: list[_Record], site_yield: _Yield
) -> tuple[_Floats, _Bools, list[int]]: ...

# Calibration

_Window: TypeAlias = tuple[float, float] | None
_Test: TypeAlias = tuple[date, _Window, float, int, int, float | None]
_Green: TypeAlias = tuple[str, _Floats, Sequence[tuple[date, Work]], Sequence[_Test], float]
_Clippings: TypeAlias = tuple[_Floats, float, Sequence[_Record], Sequence[_Record]]
_Fit: TypeAlias = tuple[_Floats, float, float, int, bool, _Floats]
_Tell: TypeAlias = Callable[[int], object]
_Sampling: TypeAlias = tuple[int, float, int, int]
_Coordinates: TypeAlias = tuple[_Floats, _Floats, _Floats, _Floats]
_State: TypeAlias = tuple[int, int, list[float], float]
_Block: TypeAlias = tuple[_Floats, list[float], list[float], list[bool], list[int], list[bool]]

@final
class Site:
    def __new__(
        cls,
        start: date,
        decay_modifier: _Floats,
        greens: Sequence[_Green],
        clippings: _Clippings | None,
        methods: Sequence[str],
        priors: Sequence[tuple[str, float, float]],
        scatter: tuple[float | None, bool],
        earlier: tuple[_Floats, _Floats] | None,
        layout: Mapping[str, float],
    ) -> Site: ...
    @property
    def names(self) -> list[str]: ...
    @property
    def priors(self) -> list[tuple[float, float, str]]: ...
    def log_density_and_gradient(self, z: _Floats) -> tuple[float, _Floats]: ...
    def before_tests(self) -> tuple[_Floats, _Floats]: ...
    def years_shown(self, z: _Floats) -> list[tuple[int, float, float, float]]: ...
    def find_mode(self, tell: _Tell | None = None) -> _Fit: ...
    def settle_chains(
        self, given: _Fit, asked: _Sampling, chains: int, tell: _Tell | None = None
    ) -> tuple[_Coordinates, list[_State]]: ...
    def advance_chains(
        self,
        given: _Fit,
        coordinates: _Coordinates,
        asked: _Sampling,
        states: Sequence[_State],
        draws: int,
        tell: _Tell | None = None,
    ) -> list[tuple[_Block, _State]]: ...
    def log_likelihoods(self, z: _Floats) -> _Floats: ...
    def draws(self, given: _Fit, draws: int, seed: int) -> _Floats: ...
    def nested_draws(self, given: _Fit, draws: int, seed: int, tell: _Tell | None = None) -> _Floats: ...
    @staticmethod
    def directions_learnt(given: _Fit) -> int: ...
    def natural(self, z: _Floats) -> _Floats: ...
    def predictions(self, z: _Floats) -> list[tuple[_Floats, _Floats]]: ...
    def predictions_near(self, centre: _Floats, z: _Floats) -> list[tuple[_Floats, _Floats]]: ...
    def trace(self, green: int, z: _Floats, samples: Sequence[tuple[date, _Window]]) -> _Floats: ...
    @staticmethod
    def unknowns() -> list[tuple[str, str, str, str]]: ...

@final
class Sites:
    def __new__(cls, sites: Sequence[Site], covariates: _Floats, scatter_sd: float) -> Sites: ...
    @property
    def names(self) -> list[str]: ...
    def log_density_and_gradient(self, z: _Floats) -> tuple[float, _Floats]: ...
    def find_mode(self, tell: _Tell | None = None) -> _Fit: ...
    def settle_chains(
        self, given: _Fit, asked: _Sampling, chains: int, tell: _Tell | None = None
    ) -> tuple[_Coordinates, list[_State]]: ...
    def advance_chains(
        self,
        given: _Fit,
        coordinates: _Coordinates,
        asked: _Sampling,
        states: Sequence[_State],
        draws: int,
        tell: _Tell | None = None,
    ) -> list[tuple[_Block, _State]]: ...
    def site_coordinates(self, site: int, z: _Floats) -> _Floats: ...

def keep_to_one_thread(alone: bool) -> bool: ...

# Forecast

def drivers(weather: Weather, driving: Mapping[str, object]) -> tuple[_Floats, _Floats]: ...
def forecast(
    site: Site,
    draws: _Floats,
    weather: Weather,
    driving: Mapping[str, object],
    g_m2_per_degree_day: float,
    programmes: Sequence[Programme],
    years: int,
    sequences: int,
    to_come: tuple[int | None, Sequence[float]],
    samples: Sequence[_Window],
    seed: int,
    tell: _Tell | None = None,
) -> Forecast: ...

@final
class Forecast:
    @property
    def dates(self) -> list[date]: ...
    @property
    def ledger_years(self) -> list[int]: ...
    @property
    def shape(self) -> list[int]: ...
    def values(self, quantity: str) -> _Floats: ...
    def ledgers(self) -> _Floats: ...
    def work(self) -> list[list[tuple[int, float, float, float, float, float]]]: ...
    def calendars(self) -> list[list[Calendar]]: ...
    def probability(self, sample: int, om_percent: float) -> tuple[_Floats, _Floats]: ...

# Practice

@final
class Work:
    @staticmethod
    def coring(
        inside_diameter_mm: float,
        spacing_mm: tuple[float, float],
        depth_mm: float,
        depth_sd_mm: float,
        passes: int,
        returned_mineral_share: float,
        returned_om_share: float,
        holes_open_days: int,
    ) -> Work: ...
    @staticmethod
    def solid_tining(
        diameter_mm: float,
        spacing_mm: tuple[float, float],
        depth_mm: float,
        depth_sd_mm: float,
        passes: int,
        holes_open_days: int,
    ) -> Work: ...
    @staticmethod
    def vertical_mowing(
        blade_width_mm: float,
        blade_spacing_mm: float,
        depth_mm: float,
        passes: int,
        removed_share: float,
        holes_open_days: int,
    ) -> Work: ...
    @staticmethod
    def sand_injection(sand_g_m2: float, from_mm: float, to_mm: float) -> Work: ...
    @staticmethod
    def topdressing(sand_g_m2: float, passes: int, picked_up_share: float) -> Work: ...
    @property
    def kind(self) -> str: ...
    @property
    def area_fraction(self) -> float: ...
    @property
    def area_share(self) -> float: ...
    @property
    def area_plain_sum(self) -> float: ...
    @property
    def holes_per_m2(self) -> float | None: ...
    @property
    def hole_volume_mm(self) -> float: ...
    @property
    def sand_g_m2(self) -> float: ...
    def __eq__(self, other: object, /) -> bool: ...
    def __ne__(self, other: object, /) -> bool: ...

@final
class Programme:
    def __new__(
        cls,
        name: str,
        steps: Sequence[tuple[str, Sequence[Work]]],
        no_work: Sequence[str],
        next_work_day: bool,
    ) -> Programme: ...
    @property
    def rules(self) -> list[str]: ...
    @property
    def no_work(self) -> list[str]: ...
    def calendar(self, first: date, last: date, degree_days: tuple[date, _Floats] | None = None) -> Calendar: ...
    def __eq__(self, other: object, /) -> bool: ...
    def __ne__(self, other: object, /) -> bool: ...

@final
class Calendar:
    @property
    def dated(self) -> list[tuple[date, int, int]]: ...
    @property
    def skipped(self) -> list[tuple[int, date, str]]: ...
    @property
    def moved(self) -> list[tuple[int, date, date]]: ...
    @property
    def uncounted(self) -> list[tuple[int, date]]: ...
    def area_by_year(self) -> list[tuple[int, float, float, float, float, float]]: ...

def passes_to_fill(hole_volume_mm: float, fill_fraction: float, sand_mm_per_pass: float) -> int: ...
def spreader_swaths(swath_m: float, green_width_m: float) -> int: ...

# Sand and the days of the work

_Limit: TypeAlias = tuple[str, float, float, float | None, float | None]

@final
class Grading:
    @staticmethod
    def from_finer(sizes_mm: Sequence[float], finer_percent: Sequence[float]) -> Grading: ...
    @staticmethod
    def from_masses(
        sizes_mm: Sequence[float],
        masses_g: Sequence[float],
        cumulative: bool,
        pan_g: float | None,
        sample_g: float | None,
    ) -> Grading: ...
    @staticmethod
    def mixed(parts: Sequence[tuple[Grading, float]]) -> Grading: ...
    @property
    def sizes_mm(self) -> list[float]: ...
    @property
    def finer_percent(self) -> list[float]: ...
    def finer(self, size_mm: float) -> tuple[float, bool] | None: ...
    def between(self, lower_mm: float, upper_mm: float) -> tuple[float, bool] | None: ...
    def d_mm(self, percent: float) -> float | None: ...
    @property
    def uniformity(self) -> float | None: ...
    @property
    def curvature(self) -> float | None: ...
    @property
    def gradation_index(self) -> float | None: ...
    @property
    def fineness_modulus(self) -> float | None: ...
    def over(self, lower: Grading) -> tuple[bool, list[float], list[float], list[bool]]: ...
    def __eq__(self, other: object, /) -> bool: ...
    def __ne__(self, other: object, /) -> bool: ...

@final
class Specification:
    def __new__(cls, limits: Sequence[_Limit]) -> Specification: ...
    @staticmethod
    def usga_root_zone() -> Specification: ...
    @property
    def limits(self) -> list[_Limit]: ...
    def check(self, sand: Grading) -> list[tuple[float | None, bool, bool | None]]: ...
    def envelope(self) -> list[tuple[float, float, float]]: ...
    def __eq__(self, other: object, /) -> bool: ...
    def __ne__(self, other: object, /) -> bool: ...

def us_sieves() -> list[tuple[int, float]]: ...
def size_classes(usga: bool) -> list[tuple[str, float, float]]: ...
def filter_d15_mm(base_d15_mm: float, base_d85_mm: float) -> tuple[float, float]: ...
def porosity(bulk_density_g_cm3: float, particle_density_g_cm3: float) -> float: ...
def bulk_density_g_cm3(porosity: float, particle_density_g_cm3: float) -> float: ...
def sand_by_day(
    work: Sequence[tuple[date, Work]], fill_fraction: float, draggable_mm: float
) -> list[tuple[date, float, float, float, float, float, int, int]]: ...
def deliveries(
    needs_dry_t: Sequence[float], moisture: float, waste: float, stock_dry_t: float, load_t: float
) -> list[tuple[float, float, int, float, float]]: ...
def schedule(
    steps: Sequence[tuple[str, int | None, int, Sequence[float]]], machines: Sequence[int], crew: int
) -> list[tuple[int, int, float, float]]: ...
def cart_trips(mass_kg: float, volume_l: float, payload_kg: float, bed_l: float) -> int: ...
def catch_pans(
    masses_g: Sequence[float], pan_m2: float, passes: int, moisture: float, level: float
) -> tuple[float, tuple[float, float], float | None]: ...
def sand_shares(
    start: date,
    clippings_g_m2: _Floats,
    decay_modifier: _Floats,
    work: Sequence[tuple[date, Work]],
    sands: Sequence[int],
    samples: Sequence[tuple[date, tuple[float, float]]],
    column_depth_mm: float,
    mat_depth_mm: float,
    stretch_days: int,
    unknowns: Sequence[tuple[str, _Floats]],
) -> tuple[list[list[float]], list[list[float]]]: ...

# Batch

@final
class Batch:
    @property
    def readings(self) -> list[tuple[str, npt.NDArray[np.float64]]]: ...
    @property
    def ledger(self) -> npt.NDArray[np.float64]: ...
    @property
    def status(self) -> npt.NDArray[np.uint8]: ...
    @property
    def years(self) -> list[int]: ...
    @property
    def interrupted(self) -> bool: ...

def simulate(
    start: date,
    clippings_g_m2: npt.NDArray[np.float64],
    decay_modifier: npt.NDArray[np.float64],
    programmes: Sequence[Sequence[tuple[date, Work]]],
    recorded_before: date,
    samples: Sequence[tuple[date, tuple[float, float] | None, float | None]],
    layout: Mapping[str, float],
    error_percent: float | None,
    members: int,
    unknowns: Sequence[tuple[str, npt.NDArray[np.float64]]],
    year_multipliers: Sequence[npt.NDArray[np.float64]],
    quantities: Sequence[str],
    spans: str,
    threads: int | None,
    progress: Callable[[int, int], object] | None,
) -> Batch: ...
def unknown_fields() -> list[tuple[str, float, float, float]]: ...

# Decision

def healing(
    readings: Sequence[tuple[tuple[float, float, bool], float, float]], draws: int, seed: int
) -> npt.NDArray[np.float64]: ...
def days_to_cover(
    given: tuple[float, float, bool],
    draws: npt.NDArray[np.float64],
    degree_days: npt.NDArray[np.float64],
    cover: float,
) -> npt.NDArray[np.float64]: ...
def cover(
    given: tuple[float, float, bool], draws: npt.NDArray[np.float64], degree_days: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]: ...
def choose(
    worth: Sequence[Sequence[float]],
    limits: Sequence[tuple[str, Sequence[Sequence[float]], float]],
    together: Sequence[tuple[str, Sequence[tuple[float, Sequence[int]]], float]],
) -> tuple[list[int], float] | None: ...
def scan(
    site: Site,
    draws: npt.NDArray[np.float64],
    weather: Weather,
    driving: Mapping[str, object],
    g_m2_per_degree_day: float,
    programmes: Sequence[Programme],
    years: int,
    sequences: int,
    sampled: tuple[float, float] | None,
    seed: int,
    tell: _Tell | None = None,
) -> tuple[tuple[date, date], npt.NDArray[np.float64], list[list[Calendar]]]: ...

# Studies

_Estimated: TypeAlias = tuple[float, float, float, float, float, float]

def mixed_model(
    response: npt.NDArray[np.float64],
    fixed: npt.NDArray[np.float64],
    terms: Sequence[tuple[str, Sequence[int]]],
    restricted: bool,
    weights: npt.NDArray[np.float64],
    level: float,
) -> tuple[npt.NDArray[np.float64], list[float], float, float, list[_Estimated]]: ...
def hole_share_variance(diameter_mm: float, spacing_mm: tuple[float, float], probe_diameter_mm: float) -> float: ...
def pool(
    means: npt.NDArray[np.float64], variances: npt.NDArray[np.float64], level: float
) -> tuple[float, tuple[float, float], tuple[float, float], float, float]: ...
def test_count(design: Mapping[str, object]) -> int: ...
def trials(
    design: Mapping[str, object], variances: Mapping[str, float], difference: float, trials: int, seed: int
) -> npt.NDArray[np.float64]: ...
