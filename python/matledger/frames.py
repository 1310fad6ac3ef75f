"""Records as data frames, under the column names that the readers take back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

__all__ = ["to_pandas", "to_polars"]


class Recorded(Protocol):
    """A record that knows its row in a file."""

    def as_row(self) -> dict[str, Any]:
        """Return the record by column name; None where a cell is empty."""


def to_pandas(records: Sequence[Recorded]) -> pd.DataFrame:
    """Turn records of one kind into a pandas data frame, one row each.

    Parameters
    ----------
    records
        Soil tests, work records or clipping records.

    Returns
    -------
    pandas.DataFrame
        Columns as in the CSV file of that kind; those that no record fills are left out.
    """
    import pandas as pd

    return pd.DataFrame(_columns(records))


def to_polars(records: Sequence[Recorded]) -> pl.DataFrame:
    """Turn records of one kind into a polars data frame, one row each.

    Parameters
    ----------
    records
        Soil tests, work records or clipping records.

    Returns
    -------
    polars.DataFrame
        Columns as in the CSV file of that kind; those that no record fills are left out.
    """
    import polars as pl

    return pl.DataFrame(_columns(records))


def _columns(records: Sequence[Recorded]) -> dict[str, list[Any]]:
    rows = [record.as_row() for record in records]
    names = dict.fromkeys(name for row in rows for name in row)
    columns = {name: [row.get(name) for row in rows] for name in names}
    return {name: cells for name, cells in columns.items() if any(cell is not None for cell in cells)}
