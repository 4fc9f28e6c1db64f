"""What the owner can choose between, made from the posterior of a case: what may stand, and the courses open now.

A bridge and nothing more: the chances come from the weighing, the spans and prices from the knowledge base, the lives
from the car's own cases; how they play out over the distance is `firstcause.outlook`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import NamedTuple

from firstcause.casebook.doses import dose_span
from firstcause.casebook.lives import Lives, Position, lives_of
from firstcause.casebook.weighing import WeighedCase
from firstcause.knowledge.base import fits
from firstcause.knowledge.schema import Behaviour, FaultEntry
from firstcause.outlook.competing import Risk
from firstcause.outlook.courses import Course, Standing
from firstcause.outlook.lifetime import LifeBelief
from firstcause.outlook.oil_dose import Driving
from firstcause.reasoning.bills import VICTIM_TO_RENEW, RepairTable, repair_table
from firstcause.reasoning.choice import Option
from firstcause.reasoning.steps import Step, repair_step
from firstcause.reasoning.verdict import quiet_since_change
from firstcause.tongue import _, small
from firstcause.vehicle.place import cylinder

MOST_NAMED = 6
MOST_CURES = 2
WORTH_CURING = 0.05
LIKELY_ENOUGH = 0.5  # after a test the likeliest cause is repaired from here on; below it stays open. Judgement.
REACHES_MOST = 0.5  # a repair that reaches so much of what may stand, and costs most, is "replace the unit". Judgement.
NOTHING, SOMETHING_ELSE = "nothing", "something-else"


class Spoilt(NamedTuple):
    """A part that a cause spoils: the victim's fault, the kind of part, and the cylinder that it serves."""

    fault: str
    part: str
    number: int


Span = tuple[float, float | None]
"""What something may cost, from and to; None where it has no upper end."""

Offer = tuple[float, float, Step, dict[str, float]]
"""A repair: how much of what may stand it ends, its price, the step, and the chance with which it ends each cause."""


@dataclass(frozen=True)
class Prospects:
    """What may stand and what can be chosen. `gone_now`: the complaint was read as gone since the last change.

    `spans` says on what each life rests, `unknown` what no course can know. `price_spans` gives for each course what
    it may cost now, from and to (None: no upper end).
    """

    standing: tuple[Standing, ...]
    courses: tuple[Course, ...]
    gone_now: bool
    price_spans: Mapping[str, Span]
    spans: tuple[str, ...]
    unknown: tuple[str, ...]
    risks: tuple[Risk, ...] = ()
    """every cause that may stand, each with its own chance: unlike `standing`, two of them may stand at once"""
    own_lives: Mapping[str, str] = field(default_factory=dict)
    """by cause: what this very car has shown of its return, in words; causes of which it shows nothing are left out"""
    harm_words: str = ""
    """what the complaint harms lastingly; empty where the pack knows of nothing"""


def prospects_of(weighed: WeighedCase, driving: Driving = "mixed") -> Prospects:
    """The courses of a case as it stands, for a car driven in this way; pure.

    Chances: what is left after "nothing stands" is shared out by the posterior of each live root, so that exactly one
    stands in each car (two at once are not drawn; said in the outlook). A case that nothing was weighed in gives what
    the knowledge base expects of such a car.
    """
    return _Maker(weighed, driving).made()


class _Maker:
    def __init__(self, weighed: WeighedCase, driving: Driving) -> None:
        self.driving: Driving = driving
        self.weighed, self.model = weighed, weighed.weighing.model
        self.knowledge, self.belief, self.terms = weighed.knowledge, weighed.weighing.belief, weighed.weighing.terms
        self.about = self.knowledge.model.afterwards
        open_now = weighed.weighing.advice.standing_open
        self.table: RepairTable = repair_table(self.model, self.terms, self.belief, open_now)
        self.prices = self.table.bill(open_now).price + self.terms.labour(self.terms.verify_minutes)
        self.lives: Mapping[Position, Lives] = lives_of(weighed.case, self.knowledge)
        quiet = quiet_since_change(self.model)
        self.gone_now = quiet is not None and any(quiet.values())
        self.spans: dict[str, str] = {}
        self.own_lives: dict[str, str] = {}
        self.risks: list[Risk] = []

    def made(self) -> Prospects:
        standing = self._standing()
        named = [each.cause for each in standing if each.cause not in (NOTHING, SOMETHING_ELSE)]
        courses = [self._watch()]
        spans: dict[str, Span] = {"watch": (0.0, 0.0)}
        for course, span in (*self._renew_victim(named), *self._tests(named), *self._repairs(named)):
            courses.append(course)
            spans[course.key] = span
        sale = sum(each.chance * each.settle_price for each in standing)
        courses.append(
            Course(
                "sell",
                _("Sell it as it is, and say so"),
                sale,
                "live-with-it",
                dict.fromkeys((*named, SOMETHING_ELSE), 1.0),
                leaves_open=_("What a buyer takes off is not known: reckoned as what the cure would cost them."),
            )
        )
        spans["sell"] = (0.0, None)
        return Prospects(
            standing, tuple(courses), self.gone_now, spans, tuple(self.spans.values()), self._unknown(named),
            tuple(self.risks), self.own_lives, "" if self.about.harm is None else self.about.harm.what,
        )  # fmt: skip

    # ------------------------------------------------------------ what may stand

    def _standing(self) -> tuple[Standing, ...]:
        anything = 1.0 - self.weighed.weighing.advice.cured
        roots = sorted(self.model.live_roots, key=lambda cause: -self.belief[cause])
        whole = sum(self.belief[cause] for cause in roots)
        share = anything / whole if whole > 0.0 else 0.0
        found = [self._stands(cause, share * self.belief[cause]) for cause in roots[:MOST_NAMED]]
        rest = max(0.0, anything - sum(each.chance for each in found))
        if rest > 0.0:
            elsewhere = self.terms.refer_out
            harm = self._harm(None)
            life = self._life(None, ())
            self.risks.append(Risk(_("Something else"), rest, life))
            found.append(Standing(SOMETHING_ELSE, _("Something else"), rest, life, elsewhere, *harm))
        found.append(Standing(NOTHING, _("Nothing is left"), 1.0 - sum(each.chance for each in found), None))
        return tuple(found)

    def _stands(self, cause: str, chance: float) -> Standing:
        entry = self.model.entry(cause)
        place = str(self.model.place_now(cause))
        name = entry.name if place == "engine" else f"{entry.name} ({place})"
        lives = [self.lives[at] for at in self._positions(cause) if at in self.lives]
        running = max((life.running_km or 0.0 for life in lives), default=0.0) if self.gone_now else 0.0
        life = self._life(cause, lives)
        self.risks.append(Risk(name, self.belief[cause], life, running))
        if running > 0.0 and cause in self.own_lives:
            self.own_lives[cause] += _(", and the present one has {running:,.0f} km", running=running)
        return Standing(cause, name, chance, life, self._settle_price(cause), *self._harm(cause), running)

    def victims_of(self, cause: str) -> list[Spoilt]:
        """What this cause spoils at the cylinders in question, be the part that sits there now spoilt or clean."""
        sites = self.model.sites or frozenset(self.model.car.layout.cylinders)
        fault = self.model.facts[cause].fault
        victims = [entry for entry in self.knowledge.faults.values() if entry.kind == "victim"]
        return [
            Spoilt(entry.id, entry.part, number)
            for entry in victims
            if entry.part is not None and any(link.fault == fault for link in entry.caused_by)
            for number in sorted(self.model.reach(cause) & sites)
        ]

    def _was_spoilt(self, victim: Spoilt) -> float:
        """Chance that the part is spoilt so now, or that one which sat there before was."""
        facts = self.model.facts
        return max(
            (
                chance
                for cause, chance in self.belief.items()
                if facts[cause].fault == victim.fault and victim.number in facts[cause].home | self.model.reach(cause)
            ),
            default=0.0,
        )

    def _acted_through(self, cause: str) -> set[Spoilt]:
        """The victims by which this cause has likely made the complaint."""
        return {victim for victim in self.victims_of(cause) if self._was_spoilt(victim) >= VICTIM_TO_RENEW}

    def _positions(self, cause: str) -> list[Position]:
        """Where parts sit whose lives tell of this cause: its victims, and itself when it is a part."""
        found: list[Position] = [(victim.part, victim.number) for victim in self.victims_of(cause)]
        part = self.model.entry(cause).part
        return found + ([] if part is None else [(part, number) for number in sorted(self.model.reach(cause))])

    def _entries(self, cause: str) -> list[FaultEntry]:
        """The cause and what it spoils, each entry once."""
        spoils = dict.fromkeys(victim.fault for victim in self.victims_of(cause))
        return [self.model.entry(cause), *(self.knowledge.faults[fault] for fault in spoils)]

    def _life(self, cause: str | None, lives: Sequence[Lives]) -> LifeBelief:
        entries = [] if cause is None else self._entries(cause)
        span = next((entry.returns_after_km for entry in entries if entry.returns_after_km is not None), None)
        first, last = span or self.about.unsaid_after_km
        ground = _("knowledge base, judgement") if span else _("nothing is written of its return: a wide span is taken")
        by_dose = dose_span(self.weighed.case, entries, self.driving)
        if by_dose is not None:
            (first, last), ground = by_dose
        ended = [km for life in lives for km in life.ended_km if km > 0.0]
        censored = [km for life in lives for km in life.censored_km]
        if ended or censored:
            seen = [_("spoilt again after {km:,.0f} km", km=km) for km in ended]
            seen += [_("still good after {km:,.0f} km", km=km) for km in censored]
            ground += _("; in this very car {listed}", listed=", ".join(seen))
            if cause is not None:
                self.own_lives[cause] = listed_lives(ended, censored)
        name = _("Something else") if cause is None else self.model.entry(cause).name
        self.spans[name] = _(
            "{name}: back after {first:,} to {last:,} km in 8 of 10 ({ground}).",
            name=name,
            first=first,
            last=last,
            ground=ground,
        )
        belief = LifeBelief.from_span(max(first, 1), max(last, first + 1), self.about.counts_as_lives)
        return belief.learnt(ended, censored)

    def _harm(self, cause: str | None) -> tuple[float, float]:
        """Lasting damage a 1,000 km with the complaint, and its price."""
        harm = self.about.harm
        if harm is None:
            return 0.0, 0.0
        price = self.terms.parts_class[harm.parts_class] + self.terms.labour(harm.minutes)
        every = [] if cause is None else [entry.behaviour for entry in self._entries(cause)]
        rates = [_rate(behaviour, harm.per_1000_km) for behaviour in every if behaviour is not None]
        return max(rates, default=sorted(harm.per_1000_km.values())[len(harm.per_1000_km) // 2]), price

    def _settle_price(self, cause: str) -> float:
        column = self.table.solves[:, self.table.roots.index(cause)]
        able = [float(price) for price, solves in zip(self.prices, column, strict=True) if solves >= LIKELY_ENOUGH]
        return min(able, default=float(self.table.refer[self.table.roots.index(cause)]))

    # ------------------------------------------------------------ courses

    def _untouched(self, renewed: set[Spoilt]) -> frozenset[str]:
        """Causes that keep the complaint up unless cured: those that act by themselves or by a victim left as it is."""
        if self.gone_now:
            return frozenset()
        beside = {SOMETHING_ELSE}
        for cause in self.model.live_roots:
            victims = self._acted_through(cause)
            if self.model.entry(cause).behaviour is not None or not victims or not victims <= renewed:
                beside.add(cause)
        return frozenset(beside)

    def _watch(self) -> Course:
        if self.gone_now:
            return Course(
                "watch",
                _("Drive on and watch"),
                0.0,
                "settle",
                fresh=False,
                return_price=self.terms.comeback,
                noticed_after_km=self.about.noticed_after_km,
                leaves_open=_("Every cause that may still stand. When it is back, it is looked for in earnest."),
            )
        return Course(
            "watch",
            _("Drive on with it, do nothing"),
            0.0,
            "live-with-it",
            relieves=False,
            leaves_open=_("Everything. The complaint stays, and what it harms is harmed."),
        )

    def _renew_victim(self, named: Sequence[str]) -> list[tuple[Course, Span]]:
        """Renew what is spoilt each time, and leave what spoils it."""
        spoilt = {victim for cause in named for victim in self._acted_through(cause)}
        worst = max(spoilt, key=lambda victim: (self._was_spoilt(victim), -victim.number), default=None)
        step = None if worst is None else self._renewal(worst)
        if worst is None or step is None:
            return []
        touched = {victim for victim in spoilt if (victim.part, victim.number) == (worst.part, worst.number)}
        part, place = small(self.knowledge.parts[worst.part].name), cylinder(worst.number)
        price = step.price + self.terms.labour(self.terms.verify_minutes)
        now = 0.0 if self.gone_now else price
        course = Course(
            "renew-victim",
            _("Renew the {part} of {place} whenever it is needed", part=part, place=place.said()),
            now,
            "renew",
            fresh=not self.gone_now,
            return_price=price,
            noticed_after_km=self.about.noticed_after_km,
            beside=self._untouched(touched),
            leaves_open=_("The cause stays and spoils it again and again."),
        )
        span = self._span(step) if now else (0.0, 0.0)
        return [(course, span)]

    def _renewal(self, victim: Spoilt) -> Step | None:
        """The cheapest repair that renews the part at its cylinder."""
        place, open_now = cylinder(victim.number), self.weighed.weighing.advice.standing_open
        able = [
            repair_step(self.model, self.terms, repair, place, open_now)
            for repair in self.knowledge.repairs.values()
            if repair.renews == victim.part and repair.on == "cylinder" and fits(repair.fitted, self.model.car.layout)
        ]
        return min(able, key=lambda step: step.price, default=None)

    def _repairs(self, named: Sequence[str]) -> list[tuple[Course, Span]]:
        """The repairs that end most of what may stand, and the one that replaces the whole unit."""
        offers: list[Offer] = []
        for row, step in enumerate(self.table.steps):
            cures = {c: float(self.table.solves[row, self.table.roots.index(c)]) for c in named}
            worth = sum(self.belief[cause] * chance for cause, chance in cures.items())
            offers.append((worth, float(self.prices[row]), step, cures))
        whole = max((worth for worth, *__ in offers), default=0.0)
        wide = [offer for offer in offers if offer[0] >= max(REACHES_MOST * whole, WORTH_CURING)]
        units = [offer for offer in wide if offer[2].place.kind == "engine" and self._is_dear(offer)]
        unit = max(units, key=lambda offer: offer[1], default=None)
        found: list[tuple[Course, Span]] = []
        shown: set[str] = set()
        for cause in [each for each in named if self.belief[each] >= WORTH_CURING]:
            able = [o for o in offers if o is not unit and o[3][cause] >= LIKELY_ENOUGH and o[2].key not in shown]
            offer = min(able, key=lambda each: each[1], default=None)
            if offer is not None and len(found) < MOST_CURES:
                shown.add(offer[2].key)
                of = small(self.model.entry(cause).name)
                found.append(
                    self._cure(
                        "cure " + offer[2].key,
                        _("{name} ({place}), for {of}", name=offer[2].name, place=offer[2].place, of=of),
                        offer,
                    )
                )
        if unit is not None:
            found.append(self._cure("unit", _("Replace the unit: {name}", name=small(unit[2].name)), unit))
        return found

    def _is_dear(self, offer: Offer) -> bool:
        return self.knowledge.repairs[offer[2].what].parts_class in ("E", "F")

    def _cure(self, key: str, name: str, offer: Offer) -> tuple[Course, Span]:
        __, price, step, cures = offer
        renewed = {victim for cause, chance in cures.items() if chance > 0.0 for victim in self._acted_through(cause)}
        left = [small(self.model.entry(c).name) for c, chance in cures.items() if chance < LIKELY_ENOUGH]
        course = Course(
            key,
            name,
            price,
            "settle",
            cures,
            return_price=self.terms.comeback,
            noticed_after_km=self.about.noticed_after_km,
            beside=self._untouched(renewed),
            fresh=bool(renewed) and not self.gone_now,
            leaves_open=_("If it is not that: {listed}.", listed=", ".join(left[:3]))
            if left
            else _("Only what the repair may miss."),
        )
        return course, self._span(step, price - step.price)

    def _span(self, step: Step, besides: float = 0.0) -> Span:
        """What a repair may cost: its labour, and from and to of its price class; `besides` goes with it."""
        repair = self.knowledge.repairs[step.what]
        least, most = self.knowledge.model.money.span_of(repair.parts_class)
        labour = step.price - self.terms.parts_class[repair.parts_class] + max(besides, 0.0)
        return labour + least, None if most is None else labour + most

    def _tests(self, named: Sequence[str]) -> list[tuple[Course, Span]]:
        """The best look first, and then the repair of what it shows."""
        options = [o for o in self.weighed.weighing.advice.options if o.step.kind in ("test", "swap")]
        option = next((o for o in options if isfinite(o.expected_cost)), None)
        if option is None or not named or self.weighed.weighing.advice.cured >= 1.0 - WORTH_CURING:
            return []
        after = _after_test(option, named)
        cures: dict[str, float] = {}
        price: dict[str, float] = {}
        for cause, outcomes in after.items():
            for aims, chance in outcomes.items():
                if aims is None:
                    continue
                row = self._row_for(aims)
                price[cause] = price.get(cause, 0.0) + chance * float(self.prices[row])
                if cause in self.table.roots:
                    solved = float(self.table.solves[row, self.table.roots.index(cause)])
                    cures[cause] = cures.get(cause, 0.0) + chance * solved
        step = option.step
        other = "" if step.other is None else _(", with cylinder {other}", other=step.other)
        course = Course(
            "test " + step.key,
            _(
                "Settle the cause first: {name} ({place}{other}), then repair what it shows",
                name=step.name,
                place=step.place,
                other=other,
            ),
            step.price,
            "settle",
            cures,
            return_price=self.terms.comeback,
            noticed_after_km=self.about.noticed_after_km,
            beside=self._untouched(set()),
            price_by_cause=price,
            fresh=False,
            leaves_open=_("What the test does not tell apart."),
        )
        return [(course, (step.price, step.price + max(price.values(), default=0.0)))]

    def _row_for(self, cause: str) -> int:
        column = self.table.solves[:, self.table.roots.index(cause)]
        able = [row for row, solves in enumerate(column) if solves >= LIKELY_ENOUGH]
        return min(able, key=lambda row: float(self.prices[row])) if able else int(column.argmax())

    def _unknown(self, named: Sequence[str]) -> tuple[str, ...]:
        said = [_("Two causes at once: each reckoned car has one.")]
        untested = [small(self.model.entry(c).name) for c in named[1:3]]
        if untested:
            said.append(
                _(
                    "Which of them it is: {name}, {listed}.",
                    name=small(self.model.entry(named[0]).name),
                    listed=_(" or ").join(untested),
                )
            )
        said.append(
            _("Prices are usual ones for such work, not an offer; what else wears out in this car is left out.")
        )
        if self.about.harm is not None:
            said.append(_("How much {what} has suffered already: nobody measured it.", what=self.about.harm.what))
        return tuple(said)


def listed_lives(ended_km: Sequence[float], running_km: Sequence[float]) -> str:
    """What this car has shown, in words: `it was back after 6,000 km, it held for 3,000 km`."""
    said = [_("it was back after {km:,.0f} km", km=km) for km in ended_km]
    return ", ".join([*said, *(_("it held for {km:,.0f} km", km=km) for km in running_km)])


def _rate(behaviour: Behaviour, per_1000_km: Mapping[str, float]) -> float:
    """Lasting damage a 1,000 km from a fault at its usual strengths."""
    return sum(share * per_1000_km.get(strength, 0.0) for strength, share in behaviour.strength.items())


def _after_test(option: Option, named: Sequence[str]) -> dict[str, dict[str | None, float]]:
    """For each cause that may stand: with which chance each cause (or None: nothing) is repaired after the test.

    Bayes turned round: P(outcome | cause) = P(cause | outcome) P(outcome) / sum over outcomes. A cause that no outcome
    names is taken as if the test said nothing about it. After an outcome its likeliest cause is repaired when it
    reaches LIKELY_ENOUGH.
    """
    aims: list[tuple[float, str | None, Mapping[str, float]]] = []
    for look in option.fan:
        suspects = {cause.partition("#")[0]: p for cause, p in look.suspects}
        first = max(suspects, key=lambda cause: suspects[cause], default=None)
        chosen = first if first is not None and first in named and suspects[first] >= LIKELY_ENOUGH else None
        aims.append((look.chance, chosen, suspects))
    total = sum(aim[0] for aim in aims) or 1.0
    found: dict[str, dict[str | None, float]] = {}
    for cause in named:
        shares = [chance * suspects.get(cause, 0.0) for chance, _chosen, suspects in aims]
        if sum(shares) <= 0.0:
            shares = [aim[0] / total for aim in aims]
        whole = sum(shares)
        then: dict[str | None, float] = {}
        for share, (_chance, chosen, _suspects) in zip(shares, aims, strict=True):
            then[chosen] = then.get(chosen, 0.0) + share / whole
        found[cause] = then
    return found
