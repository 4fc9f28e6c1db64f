"""How a case may end, for the page: what the word cured still lacks, as a picture, and what is against each end."""

from __future__ import annotations

from dataclasses import dataclass

from firstcause.casebook.events import ClosingState
from firstcause.casebook.weighing import CLOSING_STATES, WeighedCase
from firstcause.casebook.words import holder_words
from firstcause.reasoning.saying import drawn, percent
from firstcause.reasoning.verdict import CAME_BACK, STILL_THERE, Objection

MOST_OPEN = 4
AGAINST_PROOF = (CAME_BACK, STILL_THERE, "no-proof", "weak-proof")
WORTH_A_BAR = 0.02


@dataclass(frozen=True)
class Bar:
    """One share on its way to a limit, all in per cent; `good`: on the right side of the limit."""

    name: str
    where: str
    shown: str
    width: float
    limit: float
    good: bool


@dataclass(frozen=True)
class Proof:
    """What a proven repair asks for: quiet since the last change, the cause shown, nothing else standing, all at home.

    `quiet` and `cause_words` are the objections there, empty where it is met.
    """

    quiet: tuple[Objection, ...]
    weak: bool
    cause: Bar
    open: tuple[Bar, ...]
    more_open: int
    open_limit: str
    cause_limit: str
    least: str
    away: tuple[Objection, ...]

    @property
    def met(self) -> int:
        """How many of the four are met."""
        stands = any(not bar.good for bar in self.open)
        return (not self.quiet) + self.cause.good + (not stands) + (not self.away)


@dataclass(frozen=True)
class End:
    """One of the five ends and what is said against it, without what is said against every end alike."""

    state: ClosingState
    refused: bool
    against: tuple[Objection, ...]


def always_said(weighed: WeighedCase) -> tuple[Objection, ...]:
    """What is said against every end alike, such as parts that are away from home."""
    first, *others = (weighed.objections[state] for state in CLOSING_STATES)
    return tuple(objection for objection in first if all(objection in other for other in others))


def ends_of(weighed: WeighedCase) -> tuple[End, ...]:
    """The five ends in their order."""
    always = always_said(weighed)
    return tuple(
        End(
            state,
            any(o.hard for o in weighed.objections[state]),
            tuple(o for o in weighed.objections[state] if o not in always),
        )
        for state in CLOSING_STATES
    )


def proof_of(weighed: WeighedCase) -> Proof:
    """What the word cured asks for and how far it is met."""
    closing, weighing = weighed.knowledge.model.closing, weighed.weighing
    against = weighed.objections["cured"]
    shown = [s for s in weighing.roots if s.probability >= WORTH_A_BAR]
    bars = tuple(
        Bar(
            s.name, holder_words(s.where, weighed.knowledge), percent(s.probability), drawn(s.probability) * 100,
            closing.open_parent_at_most * 100, s.probability <= closing.open_parent_at_most,
        )
        for s in shown[:MOST_OPEN]
    )  # fmt: skip
    removed = weighing.removed
    cause = Bar(
        "", "", percent(removed), drawn(removed) * 100, closing.cause_at_least * 100, removed >= closing.cause_at_least
    )
    proof = tuple(o for o in against if o.code in AGAINST_PROOF)
    return Proof(
        proof, bool(proof) and not any(o.hard for o in proof), cause, bars, max(0, len(shown) - MOST_OPEN),
        percent(closing.open_parent_at_most), percent(closing.cause_at_least), percent(WORTH_A_BAR),
        tuple(o for o in against if o.code in ("parts-away", "lent-parts")),
    )  # fmt: skip
