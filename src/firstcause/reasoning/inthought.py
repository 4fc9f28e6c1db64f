"""A car's next moments in thought: what the list of steps would be after each outcome, for the look-ahead."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from firstcause.reasoning.choice import Advice, Option, advise
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Contradiction, rough_engine
from firstcause.reasoning.history import Counted, Found, Happening, Moved, Region, Repaired
from firstcause.reasoning.lookahead import Branch
from firstcause.reasoning.looks import units_of_swap
from firstcause.reasoning.steps import Terms, best_watch

# Engine speed of a reading in thought, and the share of bad ones where none was read yet. Judgement.
USUAL_RPM = 1500.0
USUAL_SHARE = 0.1


class CarScene:
    """A car with its history at a moment, real or in thought; the list of steps is made when it is asked for.

    `known`: the list of this moment where it has been made already. Swaps are ranked at the real moment only: behind an
    outcome each would need an engine of its own. There the lower bound leaves room for them (see `branches`).
    """

    def __init__(self, model: Model, terms: Terms, known: Advice | None = None) -> None:
        self.model, self.terms = model, terms
        self._advice = known

    @property
    def advice(self) -> Advice:
        """The list of steps of this moment; raises Contradiction where it cannot be."""
        if self._advice is None:
            self._advice = advise(self.model, self.terms, rough_engine(self.model.network), swaps=False)
        return self._advice

    def branches(self) -> Sequence[Branch]:
        """One for each option. Where the moment cannot be, one branch that costs nothing: it will not come about."""
        try:
            advice = self.advice
        except Contradiction:
            return [Branch("nothing", 0.0, (), (), 0.0, 0.0, 0.0)]
        found = [_branch(option) for option in advice.options]
        if not any(option.step.kind == "swap" for option in advice.options):
            dearest = advice.options[-1]
            at_least = min(advice.at_least, min(branch.lower for branch in found))
            found.append(Branch("a swap", 0.0, (), (), dearest.expected_cost, at_least, dearest.upper))
        return found

    def after(self, key: str, outcome: int) -> CarScene:
        """The car after an option came out so."""
        option = next(option for option in self.advice.options if option.step.key == key)
        happenings = self.in_thought(option, option.fan[outcome].outcome)
        history = (*self.model.history, *happenings)
        return CarScene(compile_model(self.model.knowledge, self.model.car, history), self.terms)

    def in_thought(self, option: Option, outcome: str) -> tuple[Happening, ...]:
        """What would stand in the history if this option were taken and came out so."""
        step, name = option.step, f"in thought {len(self.model.history)}"
        shares = self.bad_shares()
        if step.kind == "test":
            return (Found(name, step.what, step.place, {outcome: 1.0}),)
        if step.kind in ("watch", "verify"):
            return (self._reading(name, dict(step.watched), {} if outcome == "quiet" else shares),)
        if step.kind == "repair":
            proof = self._reading(f"{name} proof", dict(best_watch(self.model, self.terms)), shares)
            return Repaired(name, step.what, step.place), proof
        moved = tuple(Moved(f"{name} {part}", part, first, second) for part, first, second in step.moves)
        home, *partners = units_of_swap(self.model, step)
        at = {
            "stayed": [home], "moved": partners, "both": [home, *partners], "several": [home, *partners],
            **{f"moved-{part}": [unit] for (part, _, _), unit in zip(step.moves, partners, strict=True)},
        }.get(outcome, [])  # fmt: skip
        worst = max(shares.values())
        return *moved, self._reading(f"{name} reading", dict(step.watched), dict.fromkeys(at, worst))

    def bad_shares(self) -> dict[int, float]:
        """Share of bad ones on the units that showed the complaint in the last reading that showed any."""
        for happening in reversed(self.model.history):
            if isinstance(happening, Counted) and any(happening.bad.values()):
                shares = {unit: bad / max(happening.out_of.get(unit, 0), 1) for unit, bad in happening.bad.items()}
                worst = max(shares.values())
                return {unit: share for unit, share in shares.items() if share > worst / 10.0}
        return dict.fromkeys(self.model.complaint or tuple(self.model.units)[:1], USUAL_SHARE)

    def _reading(self, name: str, watched: Mapping[Region, float], shares: Mapping[int, float]) -> Counted:
        complaint, much = self.model.knowledge.model.complaint, sum(watched.values())
        by_minutes = complaint.out_of != "watched"
        each = self.model.car.layout.firings_per_minute(USUAL_RPM) if by_minutes else complaint.per_watched
        out_of = max(1, round(each * much))
        bad = {unit: min(out_of, round(shares.get(unit, 0.0) * out_of)) for unit in self.model.units}
        return Counted(name, dict(watched), dict.fromkeys(self.model.units, out_of), bad)


def _branch(option: Option) -> Branch:
    fan = option.fan
    chances = tuple(look.chance for look in fan)
    after = tuple(look.chance * look.expected_cost for look in fan)
    if option.step.kind == "repair":  # the one that worked leaves nothing to be done
        chances = tuple(0.0 if look.outcome == "it-was-that" else look.chance for look in fan)
    price = option.expected_cost - sum(after)
    return Branch(option.step.key, price, chances, after, option.expected_cost, option.lower, option.upper)
