"""Records of a course: weather, clippings, soil tests and work, read from CSV files or data frames."""

from matledger.records.clippings import read_clippings
from matledger.records.soil_tests import SoilTest, read_soil_tests
from matledger.records.weather import read_ghcn_daily, read_weather
from matledger.records.work import WorkRecord, read_work

__all__ = [
    "SoilTest",
    "WorkRecord",
    "read_clippings",
    "read_ghcn_daily",
    "read_soil_tests",
    "read_weather",
    "read_work",
]
