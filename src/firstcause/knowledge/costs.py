"""What is reckoned with after the car has left: how soon a complaint is back, and what it harms meanwhile."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from firstcause.knowledge.ground import Grounded, Identifier, Minutes, PartsClass, Words

Kilometres = Annotated[int, Field(gt=0)]


class LastingHarm(Grounded):
    """What the complaint harms while it is driven with: how often in 1,000 km at each strength, and what that costs."""

    what: Words
    per_1000_km: dict[Identifier, Annotated[float, Field(ge=0.0)]]
    parts_class: PartsClass
    minutes: Minutes


class LaterLook(Grounded):
    """Something to look at once the car has left: after these distances, for these faults while one may still stand.

    An empty `faults` is for any case. `who`: the owner at home, or the workshop, where the car must come back.
    """

    id: Identifier
    what: Words
    how: Words
    after_km: Annotated[list[Kilometres], Field(min_length=1)]
    faults: list[Identifier] = []
    who: Literal["owner", "workshop"]


class Afterwards(Grounded):
    """What is reckoned with after the car has left: `unsaid_after_km` where an entry says nothing of a return.

    A span of the knowledge base counts like `counts_as_lives` lives seen; a complaint that is back is driven with for
    `noticed_after_km` before something is done.
    """

    unsaid_after_km: tuple[Kilometres, Kilometres]
    counts_as_lives: Annotated[float, Field(gt=0.0)]
    noticed_after_km: Annotated[float, Field(gt=0.0)]
    harm: LastingHarm | None = None
    looks: list[LaterLook] = []

    @model_validator(mode="after")
    def _from_before_to(self) -> Self:
        if self.unsaid_after_km[0] >= self.unsaid_after_km[1]:
            raise ValueError("unsaid_after_km: write the shorter distance first")
        return self
