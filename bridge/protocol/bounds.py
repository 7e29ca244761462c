"""Bounds of a number or a text, which stand in the annotation of a field.

They have the names and members of the library `annotated_types`, which pydantic brings along. The
player checks its commands without pydantic, and that library would take 0.7 MB of each process.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Bound:
    """Base of all bounds. A model of pydantic in which one stands holds it as well: the member is
    called as in pydantic's schema of a number or a text."""

    def __get_pydantic_core_schema__(
        self, source: object, handler: Callable[[object], dict[str, object]]
    ) -> dict[str, object]:
        return {**handler(source), **dataclasses.asdict(self)}


@dataclass(frozen=True, slots=True)
class Ge(Bound):
    """A number is at least this."""

    ge: float


@dataclass(frozen=True, slots=True)
class Le(Bound):
    """A number is at most this."""

    le: float


@dataclass(frozen=True, slots=True)
class MinLen(Bound):
    """A text has at least so many characters."""

    min_length: int


@dataclass(frozen=True, slots=True)
class MaxLen(Bound):
    """A text has at most so many characters."""

    max_length: int
