"""Long lists in parts of one page each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request

#: Rows of one part.
A_PAGE = 50


@dataclass(frozen=True)
class Part:
    """One part of a list.

    Attributes
    ----------
    rows : sequence
        Those of this part.
    count : int
        All there are.
    number, last : int
        Which part it is, and the number of the last; from 0.

    """

    rows: Sequence[Any]
    count: int
    number: int
    last: int

    @property
    def first(self) -> int:
        """Place of its first row in the list, from 0."""
        return self.number * A_PAGE


def part_of(rows: Sequence[Any], request: Request) -> Part:
    """Give the part that the address asks for (`page`, from 1); the nearest there is."""
    told = request.query_params.get("page", "1")
    last = max((len(rows) - 1) // A_PAGE, 0)
    wanted = int(told) - 1 if told.isdecimal() and len(told) < 7 else 0
    number = min(max(wanted, 0), last)
    return Part(rows[number * A_PAGE : (number + 1) * A_PAGE], len(rows), number, last)
