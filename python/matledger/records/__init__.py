"""Records of a course: weather, clippings, soil tests and work, read from CSV files or data frames."""

from matledger.records.clippings import read_clippings
from matledger.records.holes import (
    CoverRecord,
    DepthVerdict,
    FillReading,
    ProbeReading,
    depth_verdicts,
    fill_prior,
    read_cover,
    read_fill_readings,
    read_probe_readings,
    with_probe_readings,
)
from matledger.records.soil_tests import SoilTest, read_soil_tests
from matledger.records.weather import read_ghcn_daily, read_weather
from matledger.records.work import WorkRecord, read_work

__all__ = [
    "CoverRecord",
    "DepthVerdict",
    "FillReading",
    "ProbeReading",
    "SoilTest",
    "WorkRecord",
    "depth_verdicts",
    "fill_prior",
    "read_clippings",
    "read_cover",
    "read_fill_readings",
    "read_ghcn_daily",
    "read_probe_readings",
    "read_soil_tests",
    "read_weather",
    "read_work",
    "with_probe_readings",
]
