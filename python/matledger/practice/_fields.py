"""Fields of the practice classes: they read what they are given, and a class raises all problems together."""

from __future__ import annotations

import dataclasses
import operator
from collections.abc import Sequence
from html import escape
from types import EllipsisType
from typing import Any, ClassVar, Generic, TypeVar

from matledger import units
from matledger.errors import InputError, Problem
from matledger.units import Quantity

_Given = TypeVar("_Given")
_Kept = TypeVar("_Kept")

_MAX_COUNT = 2**32 - 1


class Field(Generic[_Given, _Kept]):
    """A dataclass field that reads what it is given and keeps the problems for `Checked`."""

    def __init__(self, default: _Kept | EllipsisType = ...) -> None:
        self.default = default

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    def __get__(self, instance: Checked | None, owner: type | None = None) -> _Kept:
        if instance is not None:
            kept: _Kept = instance.__dict__[self.name]
            return kept
        if isinstance(self.default, EllipsisType):
            raise AttributeError(self.name)
        return self.default

    def __set__(self, instance: Checked, value: _Given) -> None:
        try:
            instance.__dict__[self.name] = self.read(value, f"{instance.kind}.{self.name}")
        except InputError as error:
            instance.__dict__.setdefault("_problems", []).extend(error.problems)

    def read(self, value: _Given, place: str) -> _Kept:
        raise NotImplementedError


class Number(Field[Quantity, float]):
    def __init__(self, unit: str, default: float | EllipsisType = ..., *, above_0: bool = False) -> None:
        super().__init__(default)
        self.unit = unit
        self.above_0 = above_0

    def read(self, value: Quantity, place: str) -> float:
        number = units.parse(value, self.unit, name=place)
        if self.above_0 and number <= 0:
            raise InputError([Problem(place, str(value), f"more than 0 {self.unit}")])
        return number


class MaybeNumber(Field[Quantity | None, float | None]):
    def __init__(self, unit: str) -> None:
        super().__init__(None)
        self.number = Number(unit, above_0=True)

    def read(self, value: Quantity | None, place: str) -> float | None:
        return None if value is None else self.number.read(value, place)


class Pair(Field[tuple[Quantity, Quantity], tuple[float, float]]):
    def __init__(self, unit: str) -> None:
        super().__init__()
        self.unit = unit

    def read(self, value: tuple[Quantity, Quantity], place: str) -> tuple[float, float]:
        if isinstance(value, str) or not isinstance(value, Sequence) or len(value) != 2:
            raise InputError(
                [Problem(place, repr(value), "a pair (along, across) such as (50, 50) or ('2 in', '2 in')")]
            )
        along, across = value
        return (
            units.parse(along, self.unit, name=f"{place}[0]"),
            units.parse(across, self.unit, name=f"{place}[1]"),
        )


class Count(Field[int, int]):
    def read(self, value: int, place: str) -> int:
        try:
            count = -1 if isinstance(value, bool) else operator.index(value)
        except TypeError:
            count = -1
        if not 0 <= count <= _MAX_COUNT:
            raise InputError([Problem(place, f"{value!r} ({type(value).__name__})", "a whole number from 0")])
        return count


class Checked:
    """Raises the problems that the fields found, and shows the fields that are not at their default."""

    kind: ClassVar[str]

    def __post_init__(self) -> None:
        problems = self.__dict__.pop("_problems", None)
        if problems:
            raise InputError(problems)

    def _told(self) -> list[tuple[str, Any]]:
        fields = [(field, getattr(self, field.name)) for field in dataclasses.fields(self)]  # type: ignore[arg-type]
        return [(field.name, value) for field, value in fields if value != field.default]

    def __repr__(self) -> str:
        """Write the constructor call, without what stands at its default."""
        told = ", ".join(f"{name}={value!r}" for name, value in self._told())
        return f"{type(self).__name__}({told})"


def html_table(caption: str, header: Sequence[str], rows: Sequence[tuple[str, object]]) -> str:
    head = "".join(f"<th>{escape(cell)}</th>" for cell in header)
    body = "".join(f"<tr>{''.join(f'<td>{escape(str(cell))}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><caption>{escape(caption)}</caption>{f'<tr>{head}</tr>' if head else ''}{body}</table>"
