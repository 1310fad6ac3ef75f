from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import final

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SAND_BULK_DENSITY_G_CM3",
    "VERSION",
    "Batch",
    "Calendar",
    "Programme",
    "Work",
    "rounds_to_fill",
    "simulate",
    "spreader_passes",
    "unknown_fields",
]

VERSION: str
SAND_BULK_DENSITY_G_CM3: float

@final
class Work:
    @staticmethod
    def coring(
        inside_diameter_mm: float,
        spacing_mm: tuple[float, float],
        depth_mm: float,
        depth_sd_mm: float,
        passes: int,
        returned_mineral: float,
        returned_om: float,
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
        closed: Sequence[str],
        next_open_day: bool,
    ) -> Programme: ...
    @property
    def rules(self) -> list[str]: ...
    @property
    def closed(self) -> list[str]: ...
    def calendar(
        self, first: date, last: date, degree_days: tuple[date, NDArray[np.float64]] | None = None
    ) -> Calendar: ...
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

def rounds_to_fill(hole_volume_mm: float, fill_fraction: float, sand_mm_per_round: float) -> int: ...
def spreader_passes(swath_m: float, green_width_m: float) -> int: ...

@final
class Batch:
    @property
    def readings(self) -> list[tuple[str, NDArray[np.float64]]]: ...
    @property
    def ledger(self) -> NDArray[np.float64]: ...
    @property
    def status(self) -> NDArray[np.uint8]: ...
    @property
    def years(self) -> list[int]: ...
    @property
    def interrupted(self) -> bool: ...

def simulate(
    start: date,
    clippings_g_m2: NDArray[np.float64],
    decay_modifier: NDArray[np.float64],
    programmes: Sequence[Sequence[tuple[date, Work]]],
    recorded_before: date,
    samples: Sequence[tuple[date, tuple[float, float] | None, float | None]],
    layout: Mapping[str, float],
    members: int,
    unknowns: Sequence[tuple[str, NDArray[np.float64]]],
    year_multipliers: Sequence[NDArray[np.float64]],
    quantities: Sequence[str],
    spans: str,
    threads: int | None,
    progress: Callable[[int, int], object] | None,
) -> Batch: ...
def unknown_fields() -> list[tuple[str, float, float, float]]: ...
