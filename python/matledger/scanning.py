"""Programmes run forward for a search, all at once or in blocks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from concurrent.futures import Executor
from typing import TypeAlias

import numpy as np

from matledger import _core
from matledger._arrays import Floats
from matledger.calibration import Calibration
from matledger.executors import Tell, run_each
from matledger.play import Dated
from matledger.practice import Programme

__all__ = ["scan_programmes"]

BLOCK = 64
"""Programmes in one block."""

Asked: TypeAlias = tuple[int, int, tuple[float, float], int]
Scanned: TypeAlias = tuple[tuple[dt.date, dt.date], Floats, Sequence[Sequence[Dated]]]


def scan_programmes(
    calibration: Calibration,
    programmes: Sequence[Programme],
    asked: Asked,
    executor: Executor | None,
    progress: Tell | None,
) -> Scanned:
    """Span, organic matter ``(programme, green, draw)`` and calendars of all programmes."""
    if executor is None:
        return _scan_block(calibration, programmes, asked, progress)
    blocks = [programmes[i : i + BLOCK] for i in range(0, len(programmes), BLOCK)]
    found = run_each(
        _scan_block, [(calibration, block, asked) for block in blocks], executor=executor, progress=progress
    )
    return (
        found[0][0],
        np.concatenate([om_percent for _, om_percent, _ in found]),
        [own for _, _, calendars in found for own in calendars],
    )


def _scan_block(
    calibration: Calibration, programmes: Sequence[Programme], asked: Asked, progress: Tell | None = None
) -> Scanned:
    years, weather_sequences, window, seed = asked
    span, om_percent, found = _core.scan(
        calibration.site,
        np.ascontiguousarray(calibration.coordinates),
        calibration.course.weather.core,
        calibration.driving._given(),
        calibration.site_yield.g_m2_per_degree_day,
        [programme.core for programme in programmes],
        years,
        min(weather_sequences, len(calibration.coordinates)),
        window,
        seed,
        progress,
    )
    calendars = [
        [[(day, programme.steps[step][1][work]) for day, step, work in calendar.dated] for calendar in own]
        for programme, own in zip(programmes, found, strict=True)
    ]
    return span, om_percent, calendars
