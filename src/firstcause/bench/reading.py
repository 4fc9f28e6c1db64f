"""What every bench judgement hands back: the number, the limit, its source, an outcome, a sentence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite
from typing import Any

from firstcause.errors import RequestError


class ImpossibleReading(RequestError):
    """A reading that no instrument can have shown, or one that lacks what it must be compared with."""

    def __init__(self, what: str) -> None:
        self.what = what
        super().__init__(f"The reading cannot be judged: {what}. Nothing was recorded; measure or enter it again.")


@dataclass(frozen=True, slots=True)
class BenchJudgement:
    """One measurement judged. `value` and `limit` are in `unit`; `outcome` is the id that the knowledge files use.

    `outcome` is None when the reading alone decides nothing; the sentence then says what is missing.
    `mark` tells how the limit was read: published, or common practice.
    """

    test: str
    quantity: str
    value: float
    unit: str
    limit: float
    limit_source: str
    mark: str
    outcome: str | None
    sentence: str
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {
            name: list(value) if isinstance(value := getattr(self, name), tuple) else value for name in self.__slots__
        }


def require_positive(values: Iterable[float], what: str) -> None:
    """Raises ImpossibleReading unless every value is finite and above 0."""
    for value in values:
        if not isfinite(value) or value <= 0:
            raise ImpossibleReading(f"{what} of {value:g}")
