"""A test whose outcome is judged from a number: what is compared, the borders, how numbers scatter."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from firstcause.knowledge.ground import Grounded, Identifier, Words


class Circumstance(Grounded):
    """A circumstance under which the number means something else: when `name` is `value`, `add` is added to it before
    it is compared with the borders, and it scatters by `spread` more."""

    name: Identifier
    value: Words
    add: float = 0.0
    spread: Annotated[float, Field(ge=0.0)] = 0.0


class Measures(Grounded):
    """A test whose outcome is judged from a number, and how such numbers scatter. The ground is that of the borders
    and the spread.

    `judged_by` says what is compared with `borders`: the `reading` itself (in `unit`); its `share` of what the first of
    `asks` names, in %; its `distance` from the median of the sisters on this engine, in % (`distance-in-unit`: in
    `unit`); or what one of the judgements of `bench` makes of it. `bands` name the outcomes from low numbers to high
    ones, one more than there are borders. `spread` is one standard deviation of gauge, hand and day; `division` is what
    one can read off. `asks`: further numbers, with the words of the form. `possible`: no instrument shows less or more.
    `step` (trims only): by how much they must differ between regions to count as falling or rising.
    """

    judged_by: Literal[
        "reading", "share", "distance", "distance-in-unit", "compression-dry", "compression-wet", "leak-down", "trims"
    ]
    unit: Annotated[str, StringConstraints(min_length=1)]
    quantity: Words
    bands: Annotated[list[Identifier], Field(min_length=2, max_length=8)]
    borders: Annotated[list[float], Field(min_length=1, max_length=7)]
    spread: Annotated[float, Field(gt=0.0)]
    division: Annotated[float, Field(gt=0.0)]
    asks: dict[Identifier, Words] = {}
    possible: tuple[float, float] | None = None
    step: Annotated[float, Field(gt=0.0)] | None = None
    circumstances: list[Circumstance] = []

    @model_validator(mode="after")
    def _borders_part_the_bands(self) -> Self:
        if len(self.bands) != len(self.borders) + 1:
            raise ValueError(f"{len(self.bands)} bands need {len(self.bands) - 1} borders, not {len(self.borders)}")
        if any(low >= high for low, high in pairwise(self.borders)):
            raise ValueError("the borders rise")
        if self.division > 0.5 * self.spread + 1e-9:
            raise ValueError("one division is more than half a spread: belief would jump at a border")
        if self.judged_by == "share" and not self.asks:
            raise ValueError("a share needs under `asks` the number of which it is one")
        if (self.judged_by == "trims") != (self.step is not None):
            raise ValueError("`step` belongs to a test judged by 'trims', and to no other")
        return self
