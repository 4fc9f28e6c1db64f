"""Cases drawn from the model itself: several faults are there, and every reading and test comes out as they make it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from tests.reasoning.shop_cases import car, counted, found, knowledge, reduced

from firstcause.knowledge.base import Knowledge, fits
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.fitment import Fitment
from firstcause.reasoning.history import (
    CarFacts,
    Coded,
    Counted,
    Found,
    Happening,
    History,
    Moved,
    Region,
    Renewed,
    Repaired,
    Reseated,
)
from firstcause.reasoning.network import Finding
from firstcause.vehicle.place import ENGINE, Place, bank, cylinder

ALWAYS = ("something-else-in-this-cylinder", "something-else-on-the-engine")
KINDS = ("count", "count", "again", "test", "test", "test", "swap", "renew", "reseat", "repair")
# Counts that are usual for each strength of misfiring (none, light, heavy, dead), from and up to.
COUNTS = ((0, 3), (5, 30), (60, 200), (300, 500))
WATCHED: tuple[dict[Region, float], ...] = ({"idle": 2.0}, {"idle": 3.0, "load": 4.0}, {"cruise": 6.0})


@dataclass(frozen=True)
class DrawnCase:
    """A car, its pack, what counts of its history, what was withdrawn from it, and the faults that it was given."""

    base: Knowledge
    facts: CarFacts
    history: History
    withdrawn: tuple[str, ...]
    given: frozenset[str]

    def model(self) -> Model:
        return compile_model(self.base, self.facts, self.history)


def some_faults(chance: np.random.Generator, count: int) -> Knowledge:
    """The misfire pack cut down to some of its faults, parents of one of them among them, and the unlisted ones."""
    everything = knowledge().faults
    picked = [str(name) for name in chance.choice(sorted(everything), count, replace=False)]
    family = [link.fault for name in picked for link in everything[name].caused_by]
    return reduced(*sorted({*picked[: count - 2], *family[:2], *ALWAYS}))


def drawn_case(seed: int, shape: str, faults: int | tuple[str, ...], happenings: int) -> DrawnCase:
    """One to three faults are there; a code and a reading, then what a shop may do, in any order.

    `faults`: the ones the pack is cut down to, or how many are drawn for that.
    """
    chance = np.random.default_rng([2026, seed])
    base = some_faults(chance, faults) if isinstance(faults, int) else reduced(*faults)
    return _Drawing(chance, base, car(shape, km=float(chance.integers(20_000, 300_000)))).play(happenings)


@dataclass
class _Drawing:
    chance: np.random.Generator
    base: Knowledge
    facts: CarFacts
    history: list[Happening] = field(default_factory=list)
    is_there: dict[str, bool] = field(default_factory=dict)

    def play(self, happenings: int) -> DrawnCase:
        roots = [c.id for c in self._model().network.causes if c.leak > 0.0 and c.id.split("@")[0] not in ALWAYS]
        given = frozenset(str(c) for c in self.chance.choice(roots, int(self.chance.integers(1, 4)), replace=False))
        self.is_there |= dict.fromkeys(given, True)
        acting = self._acting() or list(self.facts.layout.cylinders)
        suspect = int(self.chance.choice(acting))
        self.history.append(Coded("code", frozenset({suspect}), "idle" if self.chance.random() < 0.5 else None))
        self._count("first", WATCHED[0])
        for n in range(happenings):
            self._do(f"h{n}", str(self.chance.choice(KINDS)), suspect)
        withdrawn = self._withdraw()
        kept = tuple(happening for happening in self.history if happening.id not in withdrawn)
        return DrawnCase(self.base, self.facts, kept, withdrawn, given)

    # ---- what is there

    def _model(self, *more: Happening) -> Model:
        """Under the changes so far; of readings and tests only the ones given, so that none is joined to another."""
        changes = [h for h in self.history if isinstance(h, Moved | Renewed | Reseated | Repaired)]
        return compile_model(self.base, self.facts, (*changes, *more))

    def _settle(self, model: Model) -> Model:
        """Draw whether each cause is there that was not drawn yet: what a fault brings about, what a repair leaves."""
        for cause in model.network.causes:
            if cause.id not in self.is_there:
                absent = 1.0 - cause.leak
                for parent, part in cause.parents:
                    absent *= 1.0 - part if self.is_there[parent] else 1.0
                self.is_there[cause.id] = bool(self.chance.random() > absent)
        return model

    def _shares(self, finding: Finding) -> NDArray[np.float64]:
        """P(level) of a finding under what is there."""
        at_most = np.array(finding.leak)
        for cause, cumulative in finding.causes:
            at_most = at_most * np.array(cumulative) if self.is_there[cause] else at_most
        shares = at_most.reshape(finding.axes or at_most.shape)
        for axis in range(shares.ndim):
            shares = np.diff(shares, axis=axis, prepend=0.0)
        shares = np.maximum(shares.ravel(), 0.0)
        return np.asarray(shares / shares.sum())

    def _acting(self) -> list[int]:
        """Cylinders on which a fault acts that is there."""
        model = self._settle(self._model())
        return sorted({n for c in model.live if self.is_there[c] for n in model.reach(c)})

    # ---- what is done

    def _do(self, name: str, kind: str, suspect: int) -> None:
        """One thing of this kind; `again` reads the counters once more as they were read last."""
        other = int(self.chance.choice([n for n in self.facts.layout.cylinders if n != suspect]))
        part = str(self.chance.choice(["coil", "plug", "injector"]))
        match kind:
            case "count":
                self._count(name, WATCHED[int(self.chance.integers(len(WATCHED)))])
            case "again":
                last = next(h for h in reversed(self.history) if isinstance(h, Counted))
                self._count(name, last.watched)
            case "test":
                self._test(name, suspect if self.chance.random() < 0.8 else other)
            case "swap":
                self.history.append(Moved(name, part, suspect, other))
            case "renew":
                self.history.append(Renewed(name, part, suspect))
            case "reseat":
                self.history.append(Reseated(name, part, suspect))
            case _:
                repairs = [r for r in self.base.repairs.values() if any(c.fault in self.base.faults for c in r.cures)]
                repair = repairs[int(self.chance.integers(len(repairs)))]
                self.history.append(Repaired(name, repair.id, self._place(repair.on, suspect)))

    def _place(self, on: str, number: int) -> Place:
        layout = self.facts.layout
        return {"bank": bank(layout.bank_of(number)), "engine": ENGINE}.get(on, cylinder(number))

    def _count(self, name: str, minutes: Mapping[Region, float]) -> None:
        """A strength is drawn for each cylinder, then a count that is usual for it."""
        layout = self.facts.layout
        quiet = counted(name, layout, minutes, {})
        findings = {finding.id: finding for finding in self._settle(self._model(quiet)).network.findings}
        misfires = {}
        for number in layout.cylinders:
            strength = self.chance.choice(len(COUNTS), p=self._shares(findings[f"{name}/{cylinder(number)}"]))
            misfires[number] = int(self.chance.integers(*COUNTS[int(strength)]))
        self.history.append(counted(name, layout, minutes, misfires))

    def _test(self, name: str, number: int) -> None:
        """Some test that shows a fault of the pack; its outcome is drawn, and written down as sure or unsure."""
        kinds = Fitment.as_brought_in(self.facts.layout, self.base.parts).kinds
        shown = sorted({shows.test for fault in self.base.faults.values() for shows in fault.shows})
        can_be_done = [
            t
            for t in shown
            if fits(self.base.tests[t].fitted, self.facts.layout)
            and ((part := self.base.tests[t].part) is None or part in kinds)
        ]
        test = self.base.tests[str(self.chance.choice(can_be_done))]
        place = self._place(test.on, number)
        outcomes = [outcome.id for outcome in test.outcomes]
        likelihoods = []
        for outcome in outcomes:
            model = self._settle(self._model(found(name, test.id, place, outcome)))
            (finding,) = model.network.findings
            likelihoods.append(float(self._shares(finding) @ np.array(finding.weights)))
        drawn = str(self.chance.choice(outcomes, p=np.array(likelihoods) / sum(likelihoods)))
        self.history.append(found(name, test.id, place, drawn, sure=float(self.chance.choice([0.6, 0.8, 1.0]))))

    def _withdraw(self) -> tuple[str, ...]:
        """Now and then one finding is taken back."""
        told = [h.id for h in self.history if isinstance(h, Found | Counted)]
        return (str(self.chance.choice(told)),) if self.chance.random() < 0.3 else ()
