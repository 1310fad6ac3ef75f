"""Clippings: from what was weighed or measured to every day's growth."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias, get_args

import numpy as np
import numpy.typing as npt

from matledger import _core
from matledger._arrays import DayLike, Days, Floats, day_number, floats, frozen
from matledger.days import as_day
from matledger.errors import InputError, Problem
from matledger.findings import Headings, either, fold, of_kind, refuse, shown

__all__ = ["ClippingRecord", "DailyClippings", "SiteYield", "daily_clippings", "site_yield"]

Grass: TypeAlias = Literal["creeping bentgrass", "ultradwarf bermudagrass", "manilagrass"]

_Row: TypeAlias = tuple[str, int, int, float]


@dataclass(frozen=True)
class ClippingRecord:
    """Clippings taken off one green over some days.

    Parameters
    ----------
    green
        Name of the green.
    first_day, last_day
        Days whose growth was collected, both included: dates or ISO 8601 text.
    dry_g_m2
        Dry mass [g/m2].
    file, row, headings
        Where the record was read, and what the file calls its columns; for messages.

    Raises
    ------
    InputError
        If it ends before it starts, or the mass is negative, NaN or infinite.

    Examples
    --------
    >>> from matledger import ClippingRecord
    >>> ClippingRecord("1", "2014-05-01", "2014-05-03", 2.5)
    ClippingRecord(green='1', first_day=datetime.date(2014, 5, 1), last_day=datetime.date(2014, 5, 3), dry_g_m2=2.5)
    """

    green: str
    first_day: dt.date
    last_day: dt.date
    dry_g_m2: float
    file: str | None = field(default=None, compare=False, repr=False, kw_only=True)
    row: int | None = field(default=None, compare=False, repr=False, kw_only=True)
    headings: Headings | None = field(default=None, compare=False, repr=False, kw_only=True)

    def __post_init__(self) -> None:
        """Bring the days and the mass into their types and check them."""
        if not isinstance(self.green, str) or not self.green.strip():
            raise InputError([Problem("green", repr(self.green), "the name of a green")])
        for name in ("first_day", "last_day"):
            object.__setattr__(self, name, as_day(getattr(self, name), name))
        object.__setattr__(self, "dry_g_m2", float(floats([self.dry_g_m2], "dry_g_m2")[0]))
        _core.check_clipping_record(_row(self))

    @classmethod
    def from_volume(
        cls,
        green: str,
        first_day: DayLike,
        last_day: DayLike,
        *,
        volume_l_m2: float,
        grass: Grass | str | None = None,
        dry_matter_g_l: float | None = None,
    ) -> ClippingRecord:
        """Make a record from the volume of fresh clippings.

        Parameters
        ----------
        green, first_day, last_day
            As for the class.
        volume_l_m2
            Fresh volume [L/m2].
        grass
            ``"creeping bentgrass"`` or ``"ultradwarf bermudagrass"`` (60 g/L), or ``"manilagrass"`` (110 g/L); spaces
            and case do not count.
        dry_matter_g_l
            Dry matter in a litre of fresh clippings [g/L], in place of the grass's.

        Raises
        ------
        InputError
            If neither or both of `grass` and `dry_matter_g_l` are given, or a value is out of its range.

        Examples
        --------
        >>> from matledger import ClippingRecord
        >>> ClippingRecord.from_volume("1", "2014-05-01", "2014-05-01", volume_l_m2=0.05, grass="manilagrass").dry_g_m2
        5.5
        """
        if (grass is None) == (dry_matter_g_l is None):
            found = "neither" if grass is None else "both"
            raise InputError([Problem("grass, dry_matter_g_l", found, "one of the two")])
        dry_matter = dry_matter_g_l if grass is None else _dry_matter_g_l(grass)
        assert dry_matter is not None
        mass = _core.dry_g_m2(volume_l_m2, dry_matter)
        return cls(green, as_day(first_day, "first_day"), as_day(last_day, "last_day"), mass)

    def as_row(self) -> dict[str, Any]:
        """Return the record by column name."""
        return {name: getattr(self, name) for name in ("green", "first_day", "last_day", "dry_g_m2")}


@dataclass(frozen=True)
class SiteYield:
    """Clippings per degree day on days without a record: a log-normal.

    Parameters
    ----------
    g_m2_per_degree_day
        Median, dry [g/m2 per degC d].
    log_sd
        Standard deviation of its log [-].
    records
        Records that told something: those over days of growth.
    source
        ``"records"``, or ``"prior"`` if nothing but the prior stands behind it.
    """

    g_m2_per_degree_day: float
    log_sd: float
    records: int
    source: Literal["records", "prior"]


@dataclass(frozen=True, eq=False)
class DailyClippings:
    """Clippings of each day on one green.

    Attributes
    ----------
    dates
        Days, ``datetime64[D]``, shape (days,).
    clippings_g_m2
        Dry mass [g/m2], shape (days,).
    measured
        Whether a record covers the day; other days come from the site's yield.
    spread_evenly
        Records with mass over days without degree days, spread evenly for want of anything better.
    """

    dates: Days
    clippings_g_m2: Floats
    measured: npt.NDArray[np.bool_]
    spread_evenly: tuple[ClippingRecord, ...]


def site_yield(
    start: DayLike,
    degree_days: npt.ArrayLike,
    records: Sequence[ClippingRecord] = (),
    *,
    prior_annual_g_m2: float = 170.0,
    prior_log_sd: float = 0.5,
) -> SiteYield:
    r"""Clippings per degree day, from a site's records and a prior on the yield of a year.

    Parameters
    ----------
    start
        Day of the first degree day.
    degree_days
        Degree days of each day [degC d], shape (days,); a year or more.
    records
        Clipping records of all greens; those over days without degree days tell nothing and do not count.
    prior_annual_g_m2, prior_log_sd
        Median yield of a year [g/m2] and standard deviation of its log [-] before any record (from memory).

    Returns
    -------
    SiteYield
        With no records that count it is the prior, and `source` says so.

    Raises
    ------
    InputError
        If a record lies outside the series or overlaps another of its green, all masses are zero, or the series is
        shorter than a year.

    Notes
    -----
    Masses :math:`m` and degree days :math:`X` of :math:`n` records give the ratio estimator [1]_

    .. math:: b = \frac{\sum m}{\sum X}, \qquad
       \mathrm{var}(\log b) = \frac{1}{n} \, \frac{\nu c^2 + \sum ((m - b X) / (b \bar X))^2}{\nu + n - 1}

    where :math:`\nu = 2` and :math:`c = 0.5` (our judgement) keep a few records that happen to agree from looking
    certain. On the log scale it is weighed with the prior by inverse variance.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd edition, chapter 6 (from memory).

    Examples
    --------
    >>> from matledger import site_yield
    >>> b = site_yield("2014-01-01", [10.0] * 365)
    >>> round(b.g_m2_per_degree_day, 4), b.log_sd, b.source
    (0.0465, 0.5, 'prior')
    """
    refuse(of_kind("number", prior_annual_g_m2=prior_annual_g_m2, prior_log_sd=prior_log_sd))
    median, log_sd, count, prior = _core.site_yield(
        day_number(as_day(start, "start")),
        floats(degree_days, "degree_days"),
        core_records(records),
        prior_annual_g_m2,
        prior_log_sd,
    )
    return SiteYield(median, log_sd, count, "prior" if prior else "records")


def daily_clippings(
    start: DayLike, degree_days: npt.ArrayLike, records: Sequence[ClippingRecord], site_yield: SiteYield
) -> DailyClippings:
    """Clippings of each day on one green.

    A record's mass goes to its days in proportion to their degree days; days without a record get the site's median
    yield.

    Parameters
    ----------
    start
        Day of the first degree day.
    degree_days
        Degree days of each day [degC d], shape (days,).
    records
        Clipping records of one green.
    site_yield
        Clippings per degree day, see :func:`site_yield`.

    Returns
    -------
    DailyClippings

    Raises
    ------
    InputError
        If a record lies outside the series, overlaps another, or is of another green than the first.

    Examples
    --------
    >>> from matledger import ClippingRecord, SiteYield, daily_clippings
    >>> record = ClippingRecord("1", "2014-05-01", "2014-05-02", 3.0)
    >>> daily_clippings("2014-05-01", [10, 20, 20], [record], SiteYield(0.05, 0.2, 4, "records")).clippings_g_m2
    array([1., 2., 1.])
    """
    first = as_day(start, "start")
    mass, measured, evenly = _core.daily_clippings(
        day_number(first),
        floats(degree_days, "degree_days"),
        core_records(records),
        (site_yield.g_m2_per_degree_day, site_yield.log_sd, site_yield.records, site_yield.source == "prior"),
    )
    dates = np.datetime64(first, "D") + np.arange(len(mass))
    return DailyClippings(frozen(dates), frozen(mass), frozen(measured), tuple(records[i] for i in evenly))


def core_records(records: Sequence[ClippingRecord]) -> list[_Row]:
    """Hand records to the core."""
    return [_row(record) for record in records]


def _dry_matter_g_l(grass: str) -> float:
    names: dict[str, str] = {fold(name): name for name in get_args(Grass)}
    name = names.get(fold(grass)) if isinstance(grass, str) else None
    if name is None:
        expected = f"{either(list(names.values()))}, or dry_matter_g_l for the clippings"
        raise InputError([Problem("grass", shown(grass), expected)])
    return _core.dry_matter_g_l(name)


def _row(record: ClippingRecord) -> _Row:
    return record.green, day_number(record.first_day), day_number(record.last_day), record.dry_g_m2
