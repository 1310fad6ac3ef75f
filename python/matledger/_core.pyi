from typing import TypeAlias, final

import numpy as np
import numpy.typing as npt

__all__ = [
    "VERSION",
    "Weather",
    "check_clipping_record",
    "daily_clippings",
    "decay_modifier",
    "degree_days",
    "dry_g_m2",
    "dry_matter_g_l",
    "growth_potential",
    "site_yield",
    "soil_temperature",
]

VERSION: str

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

def dry_matter_g_l(grass: str) -> float: ...
def dry_g_m2(volume_l_m2: float, dry_matter_g_l: float) -> float: ...
def check_clipping_record(row: _Record) -> None: ...
def site_yield(
    start_day: int, degree_days: _Floats, rows: list[_Record], prior_annual_g_m2: float, prior_log_sd: float
) -> _Yield: ...
def daily_clippings(
    start_day: int, degree_days: _Floats, rows: list[_Record], site_yield: _Yield
) -> tuple[_Floats, _Bools, list[int]]: ...
