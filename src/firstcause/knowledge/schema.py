"""What one entry of the catalogue may say: faults, tests, repairs, parts, access, questions, cautions, first decisions.

Every number stands in a table with its ground: `published` (with a source), `common-practice` or `judgement`.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations, product
from math import prod
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from firstcause.knowledge.ground import (
    Entry,
    Fitted,
    Grounded,
    Identifier,
    Minutes,
    PartsClass,
    Probability,
    Scope,
    Source,
    Strict,
    Words,
)
from firstcause.knowledge.measure import Measures

MOST_COMBINATIONS = 64


class Prior(Grounded):
    """Relative weight among the causes of its kind, by distance: [at 80,000 km, at 160,000 km, at 240,000 km].

    For a part, a place or a joint: weight among the causes at one cylinder. For a bank or the whole engine: weight
    among the causes that are shared. How weights become probabilities is in model.toml.
    """

    weight: tuple[float, float, float]

    @model_validator(mode="after")
    def _positive(self) -> Self:
        if min(self.weight) < 0:
            raise ValueError("weights must not be negative")
        return self


class StoryFactor(Grounded):
    """How an answer in the story multiplies the prior odds."""

    answer: Identifier
    factor: Annotated[float, Field(gt=0.0, le=100.0)]


class Behaviour(Grounded):
    """What the fault, being present, does to the counts of the complaint where it reaches.

    `acts` gives for each condition of the pack the chance that it is at work in a reading taken there. A fault that
    comes in bouts names what lies between two bouts on average, in the measure of the complaint (minutes, starts);
    then the chance grows with what was watched. `strength` shares the readings in which it is at work among the
    strengths of the pack; it must add up to 1. Under [[behaviour_where]] it is for engines as `fitted` says, and goes
    before [behaviour] there.
    """

    fitted: Fitted = Fitted()
    acts: dict[Identifier, Probability]
    between_bouts: Annotated[float, Field(ge=0.0)] = 0.0
    strength: dict[Identifier, Probability]

    @model_validator(mode="after")
    def _closes(self) -> Self:
        total = sum(self.strength.values())
        if abs(total - 1.0) > 1e-6:
            raise ValueError(f"strength adds up to {total:g}, not 1")
        return self


class Shows(Grounded):
    """What this fault by itself makes one test show; what is not listed goes to the first (least striking) outcome.

    It is the fault's own contribution: what other present faults, or chance, would show comes on top of it, and
    the most striking of all is what one sees. So the chances may add up to less than 1, never to more.

    A block with `fitted` is for engines that have it so, and goes before the block without, of the same test.
    """

    test: Identifier
    fitted: Fitted = Fitted()
    outcomes: dict[Identifier, Probability]

    @model_validator(mode="after")
    def _leaves_no_less_than_nothing(self) -> Self:
        total = sum(self.outcomes.values())
        if total > 1.0 + 1e-6:
            raise ValueError(f"the outcomes of {self.test!r} add up to {total:g}, more than 1")
        return self


class CausedBy(Grounded):
    """A cause that makes this fault: the chance that it has done so by the time the car comes in."""

    fault: Identifier
    chance: Probability


class CuredBy(Grounded):
    """For a fault of one's own: a repair that is there already and removes it, and how surely."""

    repair: Identifier
    chance: Probability


class Reseat(Grounded):
    """Handling a part can cure a bad contact, or make one."""

    parts: list[Identifier]
    cures: Probability
    causes: Probability


class Returns(Grounded):
    """When the trouble is likely back if only the symptom was relieved: km driven, from and to.

    `dose_test` names a test that reads in L/1000 km how much of what spoils the part gets in; where it was read, the
    span is reckoned from it and from the kind of driving.
    """

    after_km: tuple[Annotated[int, Field(ge=0)], Annotated[int, Field(ge=0)]]
    dose_test: Identifier | None = None

    @model_validator(mode="after")
    def _from_before_to(self) -> Self:
        if self.after_km[0] >= self.after_km[1]:
            raise ValueError("the first distance lies before the second")
        return self


class FaultEntry(Entry):
    """One fault: what it is, where it lives, how often it is the cause, what causes it, what it shows.

    A `root` can be the first cause; a `victim` comes only from what stands under [[caused_by]] (its own weight is 0);
    an `unlisted` fault stands for what the catalogue does not hold and shows nothing in particular. A fault without
    [behaviour] acts only through its victims. `watch` and [returns] are for the owner: what to look at, and
    when the trouble is likely back if only the symptom was relieved. `ruins` names faults it leaves behind.
    """

    plain: Words
    kind: Literal["root", "victim", "unlisted"] = "root"
    scope: Scope
    part: Identifier | None = None
    prior: Prior
    story: list[StoryFactor] = []
    behaviour: Behaviour | None = None
    behaviour_where: list[Behaviour] = []
    shows: list[Shows] = []
    caused_by: list[CausedBy] = []
    cured_by: list[CuredBy] = []
    reseat: Reseat | None = None
    watch: str = ""
    returns: Returns | None = None
    ruins: list[Identifier] = []

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        if (self.scope == "part") != (self.part is not None):
            raise ValueError("a fault of scope 'part' names its part, and no other fault does")
        if self.kind == "victim" and not self.caused_by:
            raise ValueError("a victim names what causes it under [[caused_by]]")
        for test in {shows.test for shows in self.shows}:
            clash = _two_for_one_engine([shows.fitted for shows in self.shows if shows.test == test])
            if clash:
                raise ValueError(f"{test!r} stands twice under [[shows]] {clash}")
        clash = _two_for_one_engine([behaviour.fitted for behaviour in self.behaviour_where])
        if clash:
            raise ValueError(f"[[behaviour_where]] stands twice {clash}")
        if not all(behaviour.fitted.says_something() for behaviour in self.behaviour_where):
            raise ValueError("each [[behaviour_where]] says under `fitted` for which engines it is")
        return self

    @property
    def returns_after_km(self) -> tuple[int, int] | None:
        """From and to; None where nothing is known of a return."""
        return None if self.returns is None else self.returns.after_km


def _two_for_one_engine(fitted: list[Fitted]) -> str | None:
    """Why two blocks would hold for one engine; None when at most one does."""
    if sum(not one.says_something() for one in fitted) > 1:
        return "without `fitted`, so that nothing tells which of them counts"
    special = [one for one in fitted if one.says_something()]
    if any(one.never_meets(other) is None for one, other in combinations(special, 2)):
        return "with `fitted` that one engine can have both of"
    return None


class Outcome(Strict):
    """One outcome of a test. On a test with [[axes]], `at` says at which level of each; an axis that is not named is
    at its first level."""

    id: Identifier
    name: Words
    says: str = ""
    at: dict[Identifier, Identifier] = {}


class Axis(Strict):
    """One thing that a test shows by itself beside others, such as lean beside rich: its levels, least first."""

    id: Identifier
    levels: Annotated[list[Identifier], Field(min_length=2, max_length=6)]

    @model_validator(mode="after")
    def _levels_differ(self) -> Self:
        if len(self.levels) != len(set(self.levels)):
            raise ValueError(f"a level of the axis {self.id!r} stands twice")
        return self


class Together(Grounded):
    """What one sees when several axes are raised at once: the share of each outcome; must add up to 1.

    `at` names the level of an axis, or a list of its levels; an axis that is not named is at its first level.
    """

    at: dict[Identifier, Identifier | list[Identifier]]
    outcomes: dict[Identifier, Probability]


class ShownBy(Grounded):
    """For a test of one's own: a fault that is there already, and what it makes the test show."""

    fault: Identifier
    outcomes: dict[Identifier, Probability]


class Otherwise(Grounded):
    """P(outcome | none of the faults that this test shows is present); must add up to 1."""

    outcomes: dict[Identifier, Probability]


class TestEntry(Entry):
    """One test: how it is done, what it costs, what it opens, and what can come out.

    `outcomes` stand from the least to the most striking: when two causes would show differently, the more striking
    outcome is what one sees (a noisy-MAX). `on` says what is tested: the cylinder as it is now, the part that now sits
    there (with `part`; it remembers the cylinder in which it ran), a bank, or the engine. `minutes` are for one such
    thing, with `access` already open. `spoils` names tests that mean less once this one was done.

    Where one order cannot hold it (lean and rich), the test has [[axes]]. Each outcome stands `at` one combination of
    levels, the first at the least of all, and a fault that shows it raises just these levels. What several faults
    raise meets on each axis by itself; every combination at which no outcome stands needs its [[together]].
    """

    __test__ = False

    how: Words
    on: Literal["cylinder", "part", "bank", "engine"]
    part: Identifier | None = None
    axes: list[Axis] = []
    outcomes: Annotated[list[Outcome], Field(min_length=2, max_length=12)]
    together: list[Together] = []
    otherwise: Otherwise
    minutes: Minutes
    minutes_ground: Literal["common-practice", "judgement", "published"] = "common-practice"
    access: list[Identifier] = []
    tools: list[Words] = []
    spoils: list[Identifier] = []
    shown_by: list[ShownBy] = []
    measures: Measures | None = None

    @model_validator(mode="after")
    def _closes(self) -> Self:
        if (self.on == "part") != (self.part is not None):
            raise ValueError("a test on a part names the part, and no other test does")
        ids = [outcome.id for outcome in self.outcomes]
        if len(ids) != len(set(ids)):
            raise ValueError("an outcome stands twice")
        self._outcomes_known(self.otherwise.outcomes, "otherwise")
        if self.measures is not None:
            strange = set(self.measures.bands) - set(ids)
            if strange:
                raise ValueError(f"measures.bands names what is no outcome here: {', '.join(sorted(strange))}")
        if self.otherwise.outcomes.get(ids[0], 0.0) <= 0.0:
            raise ValueError(f"otherwise must leave some chance for {ids[0]!r}, the least striking outcome")
        return self

    @model_validator(mode="after")
    def _axes_hang_together(self) -> Self:
        if not self.axes:
            if self.together or any(outcome.at for outcome in self.outcomes):
                raise ValueError("an outcome stands `at` levels, and [[together]] speaks, only on a test with [[axes]]")
            return self
        ids = [axis.id for axis in self.axes]
        if len(ids) < 2 or len(ids) != len(set(ids)):
            raise ValueError("a test has no [[axes]] at all, or two or more with names of their own")
        if prod(len(axis.levels) for axis in self.axes) > MOST_COMBINATIONS:
            raise ValueError(f"the axes have more than {MOST_COMBINATIONS} combinations of levels")
        self.outcome_shares()
        return self

    def levels_of(self, outcome: Outcome) -> tuple[int, ...]:
        """Position of the level of each axis at which an outcome stands."""
        return self._combinations(dict(outcome.at), f"the outcome {outcome.id!r}")[0]

    def outcome_shares(self) -> dict[tuple[int, ...], dict[str, float]]:
        """For each combination of levels (last axis fastest) the share of each outcome that is seen there.

        Raises ValueError when a combination is without an outcome, or has two rules.
        """
        found: dict[tuple[int, ...], dict[str, float]] = {}

        def stands(at: Mapping[str, str | list[str]], shares: Mapping[str, float], who: str) -> None:
            for combination in self._combinations(at, who):
                if combination in found:
                    raise ValueError(f"{who} speaks for {self._in_words(combination)}, of which something else speaks")
                found[combination] = dict(shares)

        for outcome in self.outcomes:
            stands(dict(outcome.at), {outcome.id: 1.0}, f"the outcome {outcome.id!r}")
        for n, row in enumerate(self.together, start=1):
            self._outcomes_known(row.outcomes, f"together[{n}]")
            stands(row.at, row.outcomes, f"together[{n}]")
        everything = list(product(*(range(len(axis.levels)) for axis in self.axes)))
        if next(iter(found)) != everything[0]:
            raise ValueError(f"the first outcome, {self.outcomes[0].id!r}, stands at the first level of every axis")
        for combination in everything:
            if combination not in found:
                raise ValueError(f"nothing says what one sees at {self._in_words(combination)}: add it to [[together]]")
        return {combination: found[combination] for combination in everything}

    def _combinations(self, at: Mapping[str, str | list[str]], who: str) -> list[tuple[int, ...]]:
        for name in at:
            if name not in {axis.id for axis in self.axes}:
                raise ValueError(f"{who} names the axis {name!r}, which the test does not have")
        positions = []
        for axis in self.axes:
            named = at.get(axis.id, axis.levels[0])
            levels = [named] if isinstance(named, str) else named
            for level in levels:
                if level not in axis.levels:
                    raise ValueError(f"{who} names the level {level!r}; {axis.id!r} has {', '.join(axis.levels)}")
            positions.append([axis.levels.index(level) for level in levels])
        return list(product(*positions))

    def _outcomes_known(self, shares: Mapping[str, float], who: str) -> None:
        strange = set(shares) - {outcome.id for outcome in self.outcomes}
        if strange:
            raise ValueError(f"{who} names outcomes that the test does not have: {', '.join(sorted(strange))}")
        total = sum(shares.values())
        if abs(total - 1.0) > 1e-6:
            raise ValueError(f"{who} adds up to {total:g}, not 1")

    def _in_words(self, combination: tuple[int, ...]) -> str:
        return ", ".join(f"{axis.id} {axis.levels[level]}" for axis, level in zip(self.axes, combination, strict=True))


class Cures(Grounded):
    """A fault that a repair removes, and how surely."""

    fault: Identifier
    chance: Probability


class RepairEntry(Entry):
    """One repair: renewing a part (which takes all faults of that part with it) or curing faults of a place.

    `on` says how far it reaches: a repair on a bank or on the engine cures the faults it names at every cylinder
    there. `minutes` (easy to reach) and `minutes_buried` are the work itself; what `access` opens is counted apart.
    """

    plain: Words
    renews: Identifier | None = None
    on: Literal["cylinder", "joint", "bank", "engine"] = "cylinder"
    cures: list[Cures] = []
    minutes: Minutes
    minutes_buried: Minutes
    minutes_ground: Literal["common-practice", "judgement", "published"] = "common-practice"
    access: list[Identifier] = []
    parts_class: PartsClass
    drive_after: bool = True

    @model_validator(mode="after")
    def _does_something(self) -> Self:
        if self.renews is None and not self.cures:
            raise ValueError("a repair renews a part or cures at least one fault")
        return self


class DeadOnArrival(Grounded):
    """A new part may be bad out of the box."""

    fault: Identifier
    chance: Probability


class LikeAnOldOne(Grounded):
    """How likely a part from another car is bad, as a factor on what one expects of the car's own before it failed."""

    factor: Annotated[float, Field(ge=0.0, le=10.0)]


class PartKind(Strict):
    """A kind of part that sits in positions and can be moved.

    `used_part` is one from a scrapped car, `lent_part` one from a car that runs well; where they are not there, such a
    part counts like a new one.
    """

    id: Identifier
    name: Words
    serves: Literal["cylinder", "coil-group", "bank", "engine"]
    swap_minutes: Minutes
    swappable: bool = True
    access: list[Identifier] = []
    new_part: DeadOnArrival
    used_part: LikeAnOldOne | None = None
    lent_part: LikeAnOldOne | None = None
    cautions: list[Identifier] = []
    fitted: Fitted = Fitted()


class Access(Strict):
    """Something that must be opened first; paid once while it stays open.

    `minutes_buried` is for a cylinder under the intake or against the bulkhead; `needs` must be open before it.
    """

    id: Identifier
    name: Words
    per: Literal["cylinder", "bank", "engine"]
    minutes: Minutes
    minutes_buried: Minutes
    needs: list[Identifier] = []
    ground: Literal["common-practice", "judgement", "published"] = "common-practice"


class Question(Strict):
    """A question about the story; its answer may move the prior odds."""

    id: Identifier
    ask: Words
    group: Literal["noticed", "previous-work", "conditions"] = "previous-work"


class Caution(Strict):
    """A warning shown with the step."""

    id: Identifier
    text: Words
    level: Literal["danger", "care"] = "care"


class Triage(Grounded):
    """A rule of the first decision: may the car be driven? It speaks when any of its signs is told.

    `stop`: not driven, not run. `move-only`: may be moved a short way under the stated measure. `with-care`: may be
    driven gently to the shop.
    """

    id: Identifier
    lamp: list[Literal["on", "flashing"]] = []
    fuel_smell: bool = False
    answers: list[Identifier] = []
    verdict: Literal["stop", "move-only", "with-care"]
    owner: Words
    do: Words
    cautions: list[Identifier] = []
    sources: list[Source] = []

    @model_validator(mode="after")
    def _speaks(self) -> Self:
        if not (self.lamp or self.fuel_smell or self.answers):
            raise ValueError("a triage rule names at least one sign: lamp, fuel_smell or answers")
        return self
