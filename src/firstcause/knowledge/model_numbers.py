"""model.toml: what a pack is about, in which words, and the numbers that belong to the whole catalogue."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from firstcause.knowledge.costs import Afterwards
from firstcause.knowledge.ground import Grounded, Identifier, Minutes, PartsClass, Probability, Strict, Words


class CountLevel(Grounded):
    """Share of bad ones among what was watched, at one strength: Beta(a, b)."""

    a: Annotated[float, Field(gt=0)]
    b: Annotated[float, Field(gt=0)]


class Spill(Grounded):
    """False counts on a sound cylinder: what another one did is taken for its own.

    A share Beta(a, b) of the other one's count; `next_in_order` and `elsewhere` say how often a reading has such spill
    at all, for the cylinder that fires right after and for the rest.
    """

    a: Annotated[float, Field(gt=0)]
    b: Annotated[float, Field(gt=0)]
    next_in_order: Probability
    elsewhere: Probability


class Scale(Grounded):
    """How weights become probabilities: expected number of causes in one unit of the complaint, by distance.

    A unit is a cylinder, a bank or the engine. `shared_per_unit` is how much all shared causes weigh beside the private
    ones of a unit; `shared_reaches` the chance with which a shared cause at work reaches each unit. `remembered`: how
    much of a steady private fault's chance to be at work is the car's, the same in every reading (a power: at 1 all of
    it, at 0 each reading is drawn afresh). A shared one remembers all of it.
    """

    per_unit: tuple[Probability, Probability, Probability]
    shared_per_unit: Annotated[float, Field(ge=0.0, le=20.0)]
    shared_reaches: Probability
    remembered: Probability = 0.0


class PartsSpan(Grounded):
    """What a part of each class costs, from and to; one number alone is a class without an upper end."""

    classes: dict[PartsClass, Annotated[list[Annotated[float, Field(ge=0.0)]], Field(min_length=1, max_length=2)]]


class Money(Grounded):
    """What things cost unless the shop says otherwise; money in the shop's currency.

    `parts_class` is what is reckoned with for a part of a class; it lies in the `parts_span` of its class.
    """

    labour_per_hour: float
    parts_class: dict[PartsClass, float]
    parts_span: PartsSpan
    comeback: float
    refer_out: float
    verify_minutes: Minutes

    @model_validator(mode="after")
    def _each_class_in_its_span(self) -> Self:
        if set(self.parts_class) != set(self.parts_span.classes):
            raise ValueError("parts_class and parts_span name the same classes")
        for name, price in self.parts_class.items():
            least, most = self.span_of(name)
            if price < least or (most is not None and price > most):
                raise ValueError(f"the price {price:g} of class {name} lies outside its span")
        return self

    def span_of(self, parts_class: PartsClass) -> tuple[float, float | None]:
        """From and to of a class; None where it has no upper end."""
        least, *most = self.parts_span.classes[parts_class]
        return least, most[0] if most else None


class ClosingLimit(Grounded):
    """When the casebook refuses the word cured."""

    open_parent_at_most: Probability
    cause_at_least: Probability


class Sureness(Grounded):
    """How likely what was seen is what was there, when the technician is fairly sure or doubtful; sure is 1.

    The rest is shared evenly among the other outcomes.
    """

    fairly: Annotated[float, Field(gt=0.5, lt=1.0)]
    doubtful: Annotated[float, Field(gt=0.5, lt=1.0)]


class ConflictLimit(Grounded):
    """When findings are said to contradict: together so many powers of ten less likely than by themselves."""

    powers_of_ten: Annotated[float, Field(gt=0.0)]


class Condition(Grounded):
    """A way of running or standing in which the complaint is watched, e.g. at idle, or after a cold night.

    `way`: a shared cause is able to act, or not, in all conditions of one way alike. `code_looks_back`: how much of it
    a code without conditions looks back on. `shuts`: what a reading taken there has closed again.
    """

    id: Identifier
    name: Words
    way: Identifier
    code_looks_back: Annotated[float, Field(ge=0.0)]
    shuts: Literal["everything", "cylinders", "nothing"] = "nothing"


class CodeMeaning(Strict):
    """What a stored code says here: where the complaint is (`units`), or how a test came out (at the unit, or engine).

    A code with neither is known to belong to the complaint, but names no unit.
    """

    code: Annotated[str, StringConstraints(pattern=r"^[PCBU][0-3][0-9A-F]{3}$")]
    units: list[Annotated[int, Field(ge=1, le=12)]] = []
    test: Identifier | None = None
    outcome: Identifier | None = None

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.test is None) != (self.outcome is None):
            raise ValueError("a code that shows a test's outcome names both, the test and the outcome")
        return self


class Codes(Grounded):
    """How a stored code is weighed: its likelihood at each strength, for a unit it names and for another one.

    `in_condition`: how much of its condition a code with a freeze frame looks back on. `came_back`: how likely a car
    closed as done comes back with its lamp on though nothing of the complaint is left, against when it is at work.
    """

    names_it: list[Probability]
    names_another: list[Probability]
    in_condition: Annotated[float, Field(gt=0.0)]
    came_back: Annotated[float, Field(gt=0.0, le=1.0)]
    meaning: list[CodeMeaning] = []


class Watch(Grounded):
    """A reading to be taken: how much in each condition, as such (`over`) and as a share of the proving minutes.

    `offered`: it is proposed by itself. `again_for`: it is how one looks again after work when the complaint was seen
    in these conditions.
    """

    id: Identifier
    name: Words
    over: dict[Identifier, Annotated[float, Field(ge=0.0)]] = {}
    share_of_proof: dict[Identifier, Probability] = {}
    offered: bool = True
    again_for: list[Identifier] = []
    cautions: list[Identifier] = []


class ComplaintWords(Strict):
    """The complaint in words, as parts of sentences; `trouble` is what is gone at the end, `does` what the engine did.

    For people of the trade: `counted` heads a reading ("Misfires counted"), `bad` and `out_of` are its two numbers,
    `unread` says that it was not taken; `still`, `unproven`, `prove` and `longer` are sentences about the proof.
    For the owner: `owner_count` with {bad} and {of}, `owner_chance` with {one_in}.
    """

    trouble: Words
    does: Words
    seen: Words
    unseen: Words
    both: Words
    neither: Words
    counted: Words
    bad: Words
    out_of: Words
    unread: Words
    still: Words
    unproven: Words
    prove: Words
    longer: Words
    read_first: Words
    owner_count: Words
    owner_chance: Words
    measure: Words


class Neighbour(Strict):
    """Another pack that a case may belong to: the codes that point there, and what is said then."""

    pack: Identifier
    codes: list[Annotated[str, StringConstraints(pattern=r"^[PCBU][0-3][0-9A-F]{3}$")]]
    say: Words


class Complaint(Grounded):
    """What the pack is about: what is counted, in which unit, out of what, under which conditions, and in which words.

    `unit`: the complaint sits on a cylinder, a bank, or the engine. `out_of`: "ignition-events" (minutes at an engine
    speed) or "watched" (`per_watched` chances for each one watched: a start is one, a minute holds some readings).
    `minutes_each`: shop minutes for each one watched (a start with its waiting takes more than one).
    A count is more than stray above `stray_most` and above `stray_share` of what was watched.
    """

    name: Words
    unit: Literal["cylinder", "bank", "engine"]
    out_of: Literal["ignition-events", "watched"]
    per_watched: Annotated[float, Field(gt=0.0)] = 1.0
    minutes_each: Annotated[float, Field(gt=0.0)] = 1.0
    stray_most: Annotated[float, Field(ge=0.0)]
    stray_share: Probability
    words: ComplaintWords
    conditions: Annotated[list[Condition], Field(min_length=1)]
    codes: Codes
    watches: Annotated[list[Watch], Field(min_length=1)]
    neighbours: list[Neighbour] = []

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        known = {condition.id for condition in self.conditions}
        used = {name for watch in self.watches for name in (*watch.over, *watch.share_of_proof, *watch.again_for)}
        if used - known:
            raise ValueError(f"the watches name conditions that are not there: {', '.join(sorted(used - known))}")
        again = [name for watch in self.watches for name in watch.again_for]
        if sorted(again) != sorted(known):
            raise ValueError("each condition stands under again_for of exactly one watch")
        return self

    def is_seen(self, bad: float, out_of: float) -> bool:
        """Whether a count is more than the stray ones of a healthy car."""
        return bad > max(self.stray_most, self.stray_share * out_of)

    def condition(self, name: str) -> Condition | None:
        """The condition of this id."""
        return next((each for each in self.conditions if each.id == name), None)

    def ways(self) -> dict[str, tuple[str, ...]]:
        """The conditions of each way, in their order."""
        found: dict[str, tuple[str, ...]] = {}
        for each in self.conditions:
            found[each.way] = (*found.get(each.way, ()), each.id)
        return found


class Model(Strict):
    """model.toml: what the pack is about, and the numbers that belong to the whole catalogue, not to one entry.

    `levels` are the strengths of the complaint from none upwards.
    """

    complaint: Complaint
    levels: Annotated[dict[Identifier, CountLevel], Field(min_length=2)]
    spill: Spill | None = None
    scale: Scale
    money: Money
    closing: ClosingLimit
    sureness: Sureness
    conflict: ConflictLimit
    afterwards: Afterwards

    @model_validator(mode="after")
    def _a_likelihood_for_each_strength(self) -> Self:
        for name in ("names_it", "names_another"):
            if len(getattr(self.complaint.codes, name)) != len(self.levels):
                raise ValueError(f"complaint.codes.{name} has not one number for each of the {len(self.levels)} levels")
        harm = self.afterwards.harm
        if harm is not None and set(harm.per_1000_km) != set(self.levels):
            raise ValueError("afterwards.harm.per_1000_km names the strengths of the complaint, each once")
        return self

    @property
    def strengths(self) -> tuple[str, ...]:
        """The strengths of the complaint, from none upwards."""
        return tuple(self.levels)
