"""What every knowledge file is made of: kinds of values, the ground of a number, what an entry has in common."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

Probability = Annotated[float, Field(ge=0.0, le=1.0)]
Minutes = Annotated[float, Field(ge=0.0, le=3000.0)]
Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$")]
Words = Annotated[str, StringConstraints(min_length=3, strip_whitespace=True)]
Status = Literal["draft", "reviewed", "proven-in-cases", "withdrawn"]
Basis = Literal["counted", "published", "common-practice", "judgement"]
Scope = Literal["part", "place", "joint", "bank", "shared"]
PartsClass = Literal["none", "A", "B", "C", "D", "E", "F"]

FILLER_WORDS = frozenset({"unknown", "n/a", "tbd", "todo", "none given", "xxx", "-"})


class Strict(BaseModel):
    """No key that the schema does not know."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Grounded(Strict):
    """Numbers with their ground: where they come from, and why one should believe them."""

    basis: Basis
    why: str = ""
    source: str = ""

    @model_validator(mode="after")
    def _ground_is_said(self) -> Self:
        if self.basis in ("counted", "published") and not self.source:
            raise ValueError(f"basis {self.basis!r} needs a source (an id from [[sources]])")
        for text in (self.why, self.source):
            if text.strip().lower() in FILLER_WORDS:
                raise ValueError(f"{text!r} says nothing: leave it out or say it")
        return self


class Source(Strict):
    """A source named in this file."""

    id: Identifier
    title: Words
    read_on: str = ""
    mark: Literal["read", "from-memory"] = "read"


class Fitted(Strict):
    """Which engines have the thing at all; an empty list means any."""

    ignition: list[Literal["coil-on-plug", "waste-spark", "distributor"]] = []
    injection: list[Literal["port", "direct", "single-point"]] = []
    metering: list[Literal["air-flow-meter", "manifold-pressure"]] = []
    induction: list[Literal["natural", "turbo"]] = []
    timing_drive: list[Literal["chain", "belt"]] = []
    deactivation: list[bool] = []

    def says_something(self) -> bool:
        """Whether not every engine has it."""
        return any(allowed for _, allowed in self)

    def in_words(self) -> str:
        """Which engines, in brackets after a name; nothing where it is any."""
        named = [str(one) if key != "deactivation" else "deactivation" for key, allowed in self for one in allowed]
        return f" ({' or '.join(named)})" if named else ""

    def never_meets(self, other: Fitted) -> str | None:
        """In what two things differ that can never sit in one engine; None when they can."""
        for key, allowed in self:
            others = getattr(other, key)
            if allowed and others and not set(allowed) & set(others):
                return key
        return None


class Entry(Strict):
    """What faults, tests and repairs have in common: one entry is one file of that name."""

    id: Identifier
    name: Words
    status: Status
    fitted: Fitted = Fitted()
    cautions: list[Identifier] = []
    sources: list[Source] = []
