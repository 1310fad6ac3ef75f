"""Clippings that were weighed, or measured by volume."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from matledger.errors import InputError, Problem
from matledger.growth import ClippingRecord
from matledger.tables import MAX_BYTES, Column, Findings, Source, read_table, shown

__all__ = ["collect_clippings", "read_clippings"]

AMOUNTS = ("dry_g_m2", "volume_l_m2", "volume_l")
COLUMNS = (
    Column(name="green", kind="text"),
    Column(name="first_day", kind="date"),
    Column(name="last_day", kind="date"),
    *(Column(name=name, kind="number", least=0, required=False, may_be_empty=True) for name in AMOUNTS),
)
