"""Daily weather, and what it drives: degree days, growth potential, soil temperature, decay."""

from __future__ import annotations

import datetime as dt
import html
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from numbers import Integral
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from matledger import _core
from matledger._arrays import DayLike, Days, DaysLike, Floats, day_number, days, floats, frozen
from matledger.days import as_day
from matledger.errors import InputError, Problem
from matledger.findings import of_kind, refuse
from matledger.variables import described

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl
    import xarray as xr

__all__ = [
    "FillRule",
    "Interpolate",
    "SameDayOtherYears",
    "Weather",
    "decay_modifier",
    "degree_days",
    "growth_potential",
    "soil_temperature",
]

Method: TypeAlias = Literal[
    "average", "clipped_average", "single_triangle", "double_triangle", "single_sine", "double_sine"
]
Cutoff: TypeAlias = Literal["horizontal", "intermediate", "vertical"]
DecayForm: TypeAlias = Literal[
    "rothc",
    "rothc_1999",
    "q10",
    "lloyd_taylor",
    "icbm",
    "kirschbaum",
    "century",
    "daycent_exponential",
    "daycent_arctangent",
    "yang_janssen",
]


def degree_days(
    tmin_c: npt.ArrayLike,
    tmax_c: npt.ArrayLike,
    *,
    lower_c: float,
    upper_c: float | None = None,
    method: Method = "single_sine",
    cutoff: Cutoff = "horizontal",
) -> Floats:
    r"""Degree days of each day from its extremes.

    Parameters
    ----------
    tmin_c, tmax_c
        Daily minima and maxima [degC], shape (days,).
    lower_c
        Lower threshold, the base [degC]: 0 is usual for creeping bentgrass and annual bluegrass, 10 for ultradwarf
        bermudagrass.
    upper_c
        Upper threshold [degC]; none by default.
    method
        How temperature runs between the extremes. ``"average"`` and ``"clipped_average"`` are methods 1 and 2 of
        [1]_; triangles [2]_ and sines [3]_ are single (through today's minimum) or double [4]_ (to tomorrow's; the
        last day has no tomorrow and uses its own).
    cutoff
        What heat above `upper_c` does: growth stays at its rate there (``"horizontal"``), slows as fast as it rose
        (``"intermediate"``), or stops (``"vertical"``).

    Returns
    -------
    numpy.ndarray
        Degree days [degC d], shape (days,).

    Raises
    ------
    InputError
        If shapes differ, a value is NaN or infinite, a minimum is above its maximum, or the thresholds do not fit.

    Warns
    -----
    UserWarning
        If an intermediate cutoff would take days below zero: they count zero.

    Notes
    -----
    With L and U the thresholds, :math:`A(t)` the day's mean excess over :math:`t` and :math:`f` the share of the day
    above U:

    .. math:: A(L) - A(U), \qquad A(L) - 2 A(U), \qquad A(L) - A(U) - (U - L) f

    for the horizontal, intermediate and vertical cutoff [5]_.

    References
    ----------
    .. [1] McMaster, G. S. and Wilhelm, W. W. (1997). Agricultural and Forest Meteorology 87, 291-300.
    .. [2] Zalom, F. G. and others (1983). Degree-days. University of California leaflet 21373.
    .. [3] Baskerville, G. L. and Emin, P. (1969). Ecology 50, 514-517.
    .. [4] Allen, J. C. (1976). Environmental Entomology 5, 388-396.
    .. [5] Roltsch, W. J. and others (1999). International Journal of Biometeorology 42, 169-176.

    Examples
    --------
    >>> from matledger import degree_days
    >>> degree_days([-2, 5], [8, 10], lower_c=0, method="average")
    array([3. , 7.5])
    >>> degree_days([-2, 5], [8, 10], lower_c=0, method="clipped_average")
    array([4. , 7.5])
    """
    thresholds = {"lower_c": lower_c} | ({} if upper_c is None else {"upper_c": upper_c})
    refuse([*of_kind("number", **thresholds), *of_kind("text", method=method, cutoff=cutoff)])
    low, high = floats(tmin_c, "tmin_c"), floats(tmax_c, "tmax_c")
    values, floored = _core.degree_days(low, high, lower_c, upper_c, method, cutoff)
    if floored:
        shown = ", ".join(map(str, floored[:5])) + (", ..." if len(floored) > 5 else "")
        warnings.warn(
            f"the intermediate cutoff took {len(floored)} of {len(values)} days below zero; they count zero "
            f"(rows {shown})",
            UserWarning,
            stacklevel=2,
        )
    return values


def growth_potential(tmean_c: npt.ArrayLike, *, optimum_c: float, spread_c: float, plateau: bool = False) -> Floats:
    r"""Temperature growth potential of each day, from 0 to 1.

    Parameters
    ----------
    tmean_c
        Daily mean temperature [degC], shape (days,).
    optimum_c, spread_c
        Temperature of fastest growth and spread of the curve [degC]; usual figures are 20 and 5.5 for C3 grasses, 31
        and 7 for C4 (the spreads are from memory).
    plateau
        Whether the potential stays at 1 above the optimum.

    Returns
    -------
    numpy.ndarray
        Growth potential [-], shape (days,).

    Raises
    ------
    InputError
        If a temperature is NaN or infinite or the spread is not above zero.

    Notes
    -----
    .. math:: \exp\left(-\tfrac12 \left(\frac{T - T_\mathrm{opt}}{s}\right)^2\right)

    References
    ----------
    .. [1] Gelernter, W. and Stowell, L. (2005). Golf Course Management 73(3), 108-113.

    Examples
    --------
    >>> from matledger import growth_potential
    >>> growth_potential([9, 20], optimum_c=20, spread_c=5.5).round(3)
    array([0.135, 1.   ])
    """
    refuse([*of_kind("number", optimum_c=optimum_c, spread_c=spread_c), *of_kind("flag", plateau=plateau)])
    return _core.growth_potential(floats(tmean_c, "tmean_c"), optimum_c, spread_c, plateau)


def decay_modifier(
    t_c: npt.ArrayLike,
    *,
    form: DecayForm = "rothc",
    reference_c: float = 15.0,
    q10: float = 2.0,
    moisture: npt.ArrayLike | None = None,
) -> Floats:
    """How much faster organic matter decays on each day than at the reference temperature.

    Parameters
    ----------
    t_c
        Daily mean temperature of the soil [degC], shape (days,).
    form
        Response to temperature: ``"rothc"`` (description of 2024 [1]_), ``"rothc_1999"`` (rounded constants [2]_),
        ``"q10"``, ``"lloyd_taylor"`` [3]_, ``"icbm"`` [4]_, ``"kirschbaum"`` [5]_, ``"century"`` [6]_,
        ``"daycent_exponential"`` [7]_, ``"daycent_arctangent"`` [8]_ or ``"yang_janssen"`` [9]_ (from memory).
    reference_c
        Temperature at which the modifier is 1 [degC].
    q10
        Ratio of rates 10 degC apart [-]; used by the form ``"q10"`` only.
    moisture
        Factor for moisture [-], 0 to 1, shape (days,); 1 if not given, since greens are irrigated.

    Returns
    -------
    numpy.ndarray
        Decay modifier [-], shape (days,).

    Raises
    ------
    InputError
        If a temperature is NaN or infinite, a moisture factor is outside 0 to 1, or the form is zero at the reference.

    References
    ----------
    .. [1] Coleman, K., Prout, J. M. and Milne, A. E. (2024). RothC, a model for the turnover of carbon in soil.
    .. [2] Coleman, K. and Jenkinson, D. S. (1999). RothC-26.3, a model for the turnover of carbon in soil.
    .. [3] Lloyd, J. and Taylor, J. A. (1994). Functional Ecology 8, 315-323.
    .. [4] Katterer, T. and others (1998). Oecologia 115 (pages from memory: 1-7); used with ICBM.
    .. [5] Kirschbaum, M. U. F. (1995). Soil Biology and Biochemistry 27, 753-760.
    .. [6] Burke, I. C. and others (2003). In: Models in Ecosystem Science (from memory).
    .. [7] Kelly, R. H. and others (2000). Journal of Geophysical Research (from memory).
    .. [8] Del Grosso, S. J. and others (2005). Biogeochemistry 73 (from memory).
    .. [9] Yang, H. S. and Janssen, B. H. (2000). European Journal of Soil Science 51, 517-529.

    Examples
    --------
    >>> from matledger import decay_modifier
    >>> decay_modifier([5, 15, 25]).round(2)
    array([0.26, 1.  , 2.  ])
    """
    refuse([*of_kind("number", reference_c=reference_c, q10=q10), *of_kind("text", form=form)])
    wet = None if moisture is None else floats(moisture, "moisture")
    return _core.decay_modifier(floats(t_c, "t_c"), wet, form, q10, reference_c)


def soil_temperature(tmean_c: npt.ArrayLike, *, lag_days: float) -> Floats:
    r"""Temperature of the soil near the surface, lagging behind the air.

    Parameters
    ----------
    tmean_c
        Daily mean temperature of the air [degC], shape (days,).
    lag_days
        Time constant of the lag [d]; 0 gives the air back.

    Returns
    -------
    numpy.ndarray
        Daily mean temperature of the soil [degC], shape (days,). It starts at the first day's air temperature, which
        the first few lags' worth of days remember.

    Raises
    ------
    InputError
        If a temperature is NaN or infinite or the lag is below zero.

    Notes
    -----
    .. math:: S' = (T - S) / \mathrm{lag}

    with :math:`T` held over each day: the update and the day's mean are exact (first-order linear equation).

    Examples
    --------
    >>> from matledger import soil_temperature
    >>> soil_temperature([10, 20, 20], lag_days=2).round(2)
    array([10.  , 12.13, 15.23])
    """
    refuse(of_kind("number", lag_days=lag_days))
    return _core.soil_temperature(floats(tmean_c, "tmean_c"), lag_days)


@dataclass(frozen=True)
class Interpolate:
    """Fill gaps in temperature in a line between the days around them.

    Rain is not filled by this rule: a line through rain is no rain.

    Parameters
    ----------
    max_days
        Longest gap filled [d].

    Examples
    --------
    >>> from matledger import Interpolate, Weather
    >>> days = ["2014-05-01", "2014-05-02", "2014-05-03"]
    >>> weather = Weather(days, [5, None, 7], [15, None, 17], fill=[Interpolate(max_days=1)])
    >>> weather.tmin_c.tolist(), weather.filled.tolist()
    ([5.0, 6.0, 7.0], [False, True, False])
    """

    max_days: int

    def __post_init__(self) -> None:
        """Check the length of the gap."""
        if isinstance(self.max_days, bool) or not isinstance(self.max_days, Integral) or self.max_days < 1:
            raise InputError([Problem("max_days", repr(self.max_days), "a whole number of days, 1 or more")])


@dataclass(frozen=True)
class SameDayOtherYears:
    """Fill a day with the mean of what was measured on that calendar day in other years.

    29 February falls back on 28 February if no other leap year was measured.

    Examples
    --------
    >>> from matledger import SameDayOtherYears, demo_course
    >>> record = demo_course().weather
    >>> tmin_c = record.tmin_c.tolist()
    >>> tmin_c[400] = None
    >>> filled = type(record)(record.dates, tmin_c, record.tmax_c, fill=[SameDayOtherYears()])
    >>> int(filled.filled.sum())
    1
    """


FillRule: TypeAlias = Interpolate | SameDayOtherYears


@dataclass(frozen=True, init=False, repr=False, eq=False)
class Weather:
    """Daily weather without gaps.

    Parameters
    ----------
    dates
        Days in rising order, shape (rows,): ``datetime64``, dates, ISO 8601 text, or a column of a data frame.
    tmin_c, tmax_c
        Daily minima and maxima [degC], shape (rows,); NaN where missing.
    rain_mm
        Rain of each day [mm], shape (rows,), if there is a record.
    fill
        Rules tried in order on what is missing; nothing is filled unless a rule is named.

    Attributes
    ----------
    dates
        Every day from the first to the last, ``datetime64[D]``, shape (days,).
    tmin_c, tmax_c, rain_mm
        As given [degC, mm], in order, with filled values where a rule was named; read-only.
    filled
        Days on which a rule filled any value.
    core
        The series inside the core, for other modules.

    Raises
    ------
    InputError
        With every problem at once, by date: days missing, given twice or out of order, minima above maxima, values
        that cannot be.

    Notes
    -----
    A filled extreme that would cross the day's measured one stops there; two filled ones that cross are swapped.

    Examples
    --------
    >>> from matledger import Interpolate, Weather
    >>> weather = Weather(
    ...     ["2014-05-01", "2014-05-02", "2014-05-04"], [4, 6, 8], [14, 16, 18], fill=[Interpolate(max_days=2)]
    ... )
    >>> weather.tmean_c
    array([ 9., 11., 12., 13.])
    >>> weather
    Weather(2014-05-01 to 2014-05-04, 4 days, 1 filled)
    """

    dates: Days
    tmin_c: Floats
    tmax_c: Floats
    rain_mm: Floats | None
    filled: npt.NDArray[np.bool_]
    core: _core.Weather

    def __init__(
        self,
        dates: DaysLike,
        tmin_c: npt.ArrayLike,
        tmax_c: npt.ArrayLike,
        rain_mm: npt.ArrayLike | None = None,
        *,
        fill: Sequence[FillRule] = (),
    ) -> None:
        if not isinstance(fill, Sequence):
            raise InputError([Problem("fill", repr(fill), "a list of rules such as [Interpolate(max_days=3)]")])
        wrong = [(i, rule) for i, rule in enumerate(fill) if not isinstance(rule, Interpolate | SameDayOtherYears)]
        if wrong:
            expected = "Interpolate(max_days=...) or SameDayOtherYears()"
            raise InputError([Problem(f"fill[{i}]", repr(rule), expected) for i, rule in wrong])
        self._hold(
            _core.Weather.from_rows(
                days(dates, "dates").astype(np.int64),
                floats(tmin_c, "tmin_c"),
                floats(tmax_c, "tmax_c"),
                None if rain_mm is None else floats(rain_mm, "rain_mm"),
                [rule.max_days if isinstance(rule, Interpolate) else None for rule in fill],
            )
        )

    def _hold(self, core: _core.Weather) -> None:
        tmin = core.tmin_c
        start = np.datetime64(core.start_day, "D")
        columns: dict[str, Any] = {
            "dates": start + np.arange(len(tmin)),
            "tmin_c": tmin,
            "tmax_c": core.tmax_c,
            "rain_mm": core.rain_mm,
            "filled": core.filled,
        }
        for name, column in columns.items():
            object.__setattr__(self, name, None if column is None else frozen(column))
        object.__setattr__(self, "core", core)

    @classmethod
    def _from_core(cls, core: _core.Weather) -> Weather:
        weather = object.__new__(cls)
        weather._hold(core)
        return weather

    def __reduce__(self) -> tuple[Callable[..., Weather], tuple[Any, ...]]:
        """Pickle the series as its columns."""
        return _restore, (self.core.start_day, self.tmin_c, self.tmax_c, self.rain_mm, self.filled)

    def __eq__(self, other: object) -> bool:
        """Compare day by day."""
        return self.core == other.core if isinstance(other, Weather) else NotImplemented

    __hash__ = None  # type: ignore[assignment]

    def __len__(self) -> int:
        """Count the days."""
        return len(self.dates)

    @property
    def start(self) -> dt.date:
        """First day."""
        return self.dates[0].astype(object)  # type: ignore[no-any-return]

    @property
    def end(self) -> dt.date:
        """Last day."""
        return self.dates[-1].astype(object)  # type: ignore[no-any-return]

    @property
    def tmean_c(self) -> Floats:
        """Means of the daily extremes [degC], shape (days,)."""
        return (self.tmin_c + self.tmax_c) / 2

    @property
    def years(self) -> tuple[int, ...]:
        """Calendar years that the series covers from 1 January to 31 December."""
        return tuple(self.core.complete_years)

    def slice(self, first: DayLike, last: DayLike) -> Weather:
        """Return the days from `first` to `last`, both included.

        Parameters
        ----------
        first, last
            Days of the series.

        Raises
        ------
        InputError
            If either is outside the series, or they are the wrong way round.
        """
        from_day, to_day = as_day(first, "first"), as_day(last, "last")
        return Weather._from_core(self.core.slice(day_number(from_day), day_number(to_day)))

    def __repr__(self) -> str:
        """Say what days there are."""
        return f"Weather({self.start} to {self.end}, {len(self)} days, {int(self.filled.sum())} filled)"

    def _repr_html_(self) -> str:
        means = f"{self.tmin_c.mean():.1f} / {self.tmean_c.mean():.1f} / {self.tmax_c.mean():.1f} degC"
        rows = [
            ("days", f"{self.start} to {self.end} ({len(self)})"),
            ("filled", f"{int(self.filled.sum())} days"),
            ("whole years", ", ".join(map(str, self.years)) or "none"),
            ("minimum / mean / maximum, averaged", means),
        ]
        if self.rain_mm is not None:
            rows.append(("rain", f"{self.rain_mm.sum() / len(self) * 365.25:.0f} mm a year"))
        cells = "".join(f"<tr><th scope='row'>{k}</th><td>{html.escape(v)}</td></tr>" for k, v in rows)
        return f"<table><caption>Weather</caption><tbody>{cells}</tbody></table>"

    def _columns(self) -> dict[str, npt.NDArray[Any]]:
        columns: dict[str, npt.NDArray[Any]] = {"tmin_c": self.tmin_c, "tmax_c": self.tmax_c}
        if self.rain_mm is not None:
            columns["rain_mm"] = self.rain_mm
        return columns | {"filled": self.filled}

    def to_pandas(self) -> pd.DataFrame:
        """Return a pandas data frame indexed by ``date``."""
        import pandas as pd

        index = pd.DatetimeIndex(self.dates, name="date")
        return pd.DataFrame({name: column.copy() for name, column in self._columns().items()}, index=index)

    def to_polars(self) -> pl.DataFrame:
        """Return a polars data frame with a column ``date``."""
        import polars as pl

        return pl.DataFrame({"date": self.dates, **self._columns()})

    def to_xarray(self) -> xr.Dataset:
        """Return an xarray data set along ``time``, with attributes after the CF conventions."""
        import xarray as xr

        attributes: dict[str, dict[str, Any]] = {
            "tmin_c": {"cell_methods": "time: minimum"},
            "tmax_c": {"cell_methods": "time: maximum"},
            "rain_mm": {"cell_methods": "time: sum"},
            "filled": {"flag_values": np.array([0, 1], dtype=np.int8), "flag_meanings": "measured filled"},
        }
        columns = self._columns() | {"filled": self.filled.astype(np.int8)}
        variables = {name: ("time", column.copy(), attributes[name]) for name, column in columns.items()}
        time = ("time", self.dates.astype("datetime64[ns]"), {"standard_name": "time", "axis": "T"})
        return described(xr.Dataset(variables, coords={"time": time}), "Weather")


def _restore(
    start_day: int, tmin_c: Floats, tmax_c: Floats, rain_mm: Floats | None, filled: npt.NDArray[np.bool_]
) -> Weather:
    return Weather._from_core(_core.Weather(start_day, tmin_c, tmax_c, rain_mm, filled))
