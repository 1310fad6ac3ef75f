"""Arrays at the door: what a user may hand over becomes what the core takes; errors name the argument."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from matledger.days import day_of, missing
from matledger.errors import InputError, Problem

Floats: TypeAlias = npt.NDArray[np.float64]
Days: TypeAlias = npt.NDArray[np.datetime64]
DaysLike: TypeAlias = npt.ArrayLike | Sequence[dt.date]
DayLike: TypeAlias = dt.date | np.datetime64 | str

_DAYS = "days such as 2014-05-01, without a time of day or a time zone"


def floats(values: object, name: str) -> Floats:
    """Return numbers as a contiguous float64 array of one dimension; what is missing becomes NaN.

    Parameters
    ----------
    values
        Numbers in an array, a sequence, or a pandas, polars or xarray column.
    name
        The argument, for the error.

    Raises
    ------
    InputError
        If there is anything but numbers, or not one dimension.
    """
    array = _array(values)
    if array.dtype == object:
        wrong = [i for i, value in enumerate(array.flat) if not (missing(value) or _number(value))]
        if wrong:
            raise InputError([Problem(f"{name}[{i}]", repr(array.flat[i]), "a number") for i in wrong])
        array = np.array([np.nan if missing(value) else float(value) for value in array.flat]).reshape(array.shape)
    if array.dtype.kind not in "iuf":
        raise InputError([Problem(name, f"values of type {array.dtype}", "numbers")])
    return np.ascontiguousarray(_one_dimension(array, name), dtype=np.float64)


def days(values: object, name: str) -> Days:
    """Return days as an array ``datetime64[D]``.

    Parameters
    ----------
    values
        Dates in an array, a sequence (ISO 8601 text among them), or a pandas or polars column.
    name
        The argument, for the error.

    Raises
    ------
    InputError
        If one is missing, has a time of day or a time zone, or is no date.
    """
    array = _one_dimension(_array(values), name)
    if array.dtype.kind == "M":
        whole = array.astype("datetime64[D]")
        wrong = np.flatnonzero(whole != array)  # NaT differs from itself
    elif array.dtype.kind in "OU" or array.size == 0:
        read = [day_of(value) for value in array]
        wrong = np.flatnonzero([day is None for day in read])
        whole = np.array(read, dtype="datetime64[D]")
    else:
        raise InputError([Problem(name, f"values of type {array.dtype}", _DAYS)])
    if wrong.size:
        raise InputError([Problem(f"{name}[{i}]", str(array[i]), _DAYS) for i in wrong])
    return whole


def day_number(value: dt.date) -> int:
    """Count the days from 1970-01-01."""
    return (value - dt.date(1970, 1, 1)).days


def frozen(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return the array, locked against writing."""
    array.flags.writeable = False
    return array


def _array(values: object) -> npt.NDArray[Any]:
    if isinstance(values, np.ma.MaskedArray):
        return np.array(values.tolist(), dtype=object)  # None where masked
    if isinstance(values, (np.ndarray, list, tuple, range)):
        return np.asarray(values)
    import narwhals as nw

    series = nw.from_native(values, series_only=True, allow_series=True, pass_through=True)
    if not isinstance(series, nw.Series):
        return np.asarray(values)
    if isinstance(series.dtype, nw.Datetime) and series.dtype.time_zone:
        return np.array(series.to_list(), dtype=object)
    if series.dtype.is_numeric() and series.null_count():
        series = series.cast(nw.Float64)
    return np.asarray(series.to_numpy())


def _one_dimension(array: npt.NDArray[Any], name: str) -> npt.NDArray[Any]:
    if array.ndim != 1:
        raise InputError([Problem(name, f"an array of shape {array.shape}", "one dimension: one value a day")])
    return array


def _number(value: object) -> bool:
    if isinstance(value, int) and not isinstance(value, bool):
        return abs(value) < 1e300  # more than any float holds
    return isinstance(value, (float, np.integer, np.floating))
