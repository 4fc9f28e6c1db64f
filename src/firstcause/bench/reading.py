"""What every bench judgement hands back: the number, the limit, its source, an outcome, a sentence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
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
    """One measurement judged. `value`, `limit` (the border that condemns) and `spread` are in `unit`.

    `weights`: how likely the value is under each outcome of the knowledge test, adding up to 1; empty when the reading
    alone decides nothing (the sentence then says what is missing). `outcome` is the likeliest; None when no single one
    stands out.
    `mark` tells the ground of the border: published, common practice, judgement.
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
    weights: Mapping[str, float] = field(default_factory=dict)
    spread: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        values = {name: getattr(self, name) for name in self.__slots__}
        return {**values, "notes": list(self.notes), "weights": dict(self.weights)}


def require_positive(values: Iterable[float], what: str) -> None:
    """Raises ImpossibleReading unless every value is finite and above 0."""
    for value in values:
        if not isfinite(value) or value <= 0:
            raise ImpossibleReading(f"{what} of {value:g}")
