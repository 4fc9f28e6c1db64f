"""Knowledge and history become a network: every finding stands under the fitment and the repairs of its moment."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge, fits, on_engine
from firstcause.knowledge.schema import FaultEntry, TestEntry
from firstcause.reasoning.acting import (
    Acting,
    Causes,
    State,
    ability_of,
    acting_on,
    causes_of_count,
    causes_of_test,
    cylinders_of,
    remembering,
    touches,
    where_seen,
)
from firstcause.reasoning.again import can_come_again, chance_again
from firstcause.reasoning.counts import (
    strength_weights,
    with_spill,
)
from firstcause.reasoning.fitment import Fitment
from firstcause.reasoning.history import (
    Answered,
    CarFacts,
    Coded,
    Driven,
    Found,
    Happening,
    History,
    Moved,
    Origin,
    Region,
    Renewed,
    Repaired,
    Reported,
    Reseated,
    Returned,
)
from firstcause.reasoning.joined import Reading, readings_joined
from firstcause.reasoning.network import Cause, Finding, Network
from firstcause.reasoning.prior import prior_probabilities
from firstcause.reasoning.shown import axes_of, leak_of, weights_of
from firstcause.vehicle.place import ENGINE, Place, bank, cylinder, joint

# A unit is complained of when its count is less than a tenth as likely without the complaint as with it. Judgement.
COMPLAINT_FROM = 0.1
# What an owner drives until he comes back, in every condition: long against the time between any bouts. Judgement.
OWNER_DROVE = 1000.0


@dataclass(frozen=True, slots=True)
class CauseFacts:
    """What a cause of the network stands for. `holder` is a part's serial or a place in its written form."""

    id: str
    fault: str
    holder: str
    home: frozenset[int]
    """Cylinders at whose place it is, or in which its part ran before the car came in."""
    remembers: bool = False
    """whether it is able to act in a way, or not, in every reading alike, though it is private"""


@dataclass(frozen=True)
class Model:
    """A network, what its causes stand for, and the state of the car at the end of the history."""

    knowledge: Knowledge
    car: CarFacts
    history: History
    network: Network
    facts: Mapping[str, CauseFacts]
    fitment: Fitment
    current: Mapping[tuple[str, str], str]
    """(fault, holder) -> the cause that stands for it now; holders that have left the car are not in it."""
    original: Mapping[tuple[str, str], str]
    happening_of: Mapping[str, str]
    """finding id -> id of the happening it came from"""
    complaint: frozenset[int]
    """Units (cylinders, banks, or the engine as 1) that were seen or stored with the complaint."""
    sites: frozenset[int]
    """Cylinders in question: those of the complaint, and those from which the parts then sitting there came."""
    came_back_with: frozenset[str] | None = None
    """The causes that stood when the car came back after a closing; None when it never did."""

    @cached_property
    def units(self) -> Mapping[int, frozenset[int]]:
        """The cylinders of each unit on which the complaint may sit."""
        return _units(self.knowledge, self.car)

    def unit_place(self, number: int) -> Place:
        """The place of a unit."""
        return _unit_place(self.knowledge, number)

    @property
    def complaint_cylinders(self) -> frozenset[int]:
        """The cylinders of the units complained of."""
        return frozenset(number for unit in self.complaint for number in self.units[unit])

    def entry(self, cause_id: str) -> FaultEntry:
        """The knowledge entry of a cause."""
        return self.knowledge.faults[self.facts[cause_id].fault]

    def reach(self, cause_id: str) -> frozenset[int]:
        """Cylinders on which the cause acts now: a part acts where it sits, a place where it is."""
        facts = self.facts[cause_id]
        if self.entry(cause_id).scope != "part":
            return facts.home
        position = self.fitment.where(facts.holder)
        return frozenset(position[1]) if position else frozenset()

    def place_now(self, cause_id: str) -> Place:
        """The place at which one would work on the cause now."""
        facts = self.facts[cause_id]
        if self.entry(cause_id).scope != "part":
            return _place(facts.holder)
        return cylinder(min(self.reach(cause_id)))

    @cached_property
    def _can_show(self) -> frozenset[str]:
        """Faults that make the complaint themselves or through a victim."""
        able = {f.id for f in self.knowledge.faults.values() if f.behaviour is not None}
        grown = True
        while grown:
            parents = {link.fault for f in able for link in self.knowledge.faults[f].caused_by}
            grown = not parents <= able
            able |= parents
        return frozenset(able)

    @cached_property
    def live(self) -> tuple[str, ...]:
        """Current causes that can make the complaint at the sites in question, roots and victims, in network order."""
        now = set(self.current.values())
        sites = self.sites or frozenset(self.car.layout.cylinders)
        return tuple(
            cause.id
            for cause in self.network.causes
            if cause.id in now
            and self.facts[cause.id].fault in self._can_show
            and (self.facts[cause.id].home | self.reach(cause.id)) & sites
        )

    @cached_property
    def live_roots(self) -> tuple[str, ...]:
        """The roots (and the unlisted) among `live`."""
        return tuple(cause for cause in self.live if self.entry(cause).kind != "victim")

    @cached_property
    def live_victims(self) -> tuple[str, ...]:
        """The victims among `live`."""
        return tuple(cause for cause in self.live if self.entry(cause).kind == "victim")

    def able_to_act(self, cause: str, way: str) -> str | None:
        """The cause that says whether a fault that remembers (all shared ones do) acts in this way, if it was read."""
        name = f"{cause}#{way}"
        return name if name in self.facts else None

    def causes_of_test(self, test: TestEntry, place: Place) -> Causes:
        """The causes that a test done now at this place would show, with their cumulative outcomes."""
        key = (test.id, place)
        if key not in self._of_tests:
            self._of_tests[key] = causes_of_test(self, test, place)
        return self._of_tests[key]

    @cached_property
    def _of_tests(self) -> dict[tuple[str, Place], Causes]:
        return {}

    def causes_of_count(self, unit: int, watched: Mapping[Region, float]) -> Causes:
        """The causes that would make the complaint on this unit in a reading taken now."""
        return causes_of_count(self, unit, (watched,))

    def acting_on(self, here: frozenset[int]) -> Acting:
        """All current causes that act on any of these cylinders."""
        if here not in self._acting:
            self._acting[here] = acting_on(self, here)
        return self._acting[here]

    @cached_property
    def _acting(self) -> dict[frozenset[int], Acting]:
        return {}


def compile_model(knowledge: Knowledge, car: CarFacts, history: History) -> Model:
    """Walk the history once and build the network.

    Raises RequestError for a part, place, test or repair that this engine or the knowledge base does not have.
    """
    builder = _Builder(on_engine(knowledge, car.layout), car, history)
    for happening in readings_joined(history, knowledge.model.complaint):
        builder.take(happening)
    return builder.model()


def after_moves(model: Model, moves: Sequence[Moved]) -> Model:
    """The model after parts have changed places and nothing has been seen since: no finding is other than before.

    Its network is that of the model, then the successors of contacts that were handled.
    """
    facts, current, added = dict(model.facts), dict(model.current), list[Cause]()
    after = replace(model, history=(*model.history, *moves), facts=facts, current=current)
    for move in moves:
        after = replace(after, fitment=after.fitment.moved(move.part, move.first, move.second))
        for fault, holder, home, leak, parent in _contacts_handled(after, move.part, (move.first, move.second)):
            name = _next_name(current, fault, holder)
            added.append(Cause(name, leak, (parent,)))
            facts[name], current[(fault, holder)] = CauseFacts(name, fault, holder, home), name
    return replace(after, network=model.network.and_causes(added))


def _next_name(current: Mapping[tuple[str, str], str], fault: str, holder: str) -> str:
    """The name of the cause that will stand for a fault of a holder from now on."""
    before = current.get((fault, holder))
    base = f"{fault}@{holder}"
    return base if before is None else f"{base}~{(before.count('~') and int(before.split('~')[1]) + 1) or 1}"


Successor = tuple[str, str, frozenset[int], float, tuple[str, float]]
"""Fault, holder, home, chance that it comes about now, and (the cause before, chance that it still stands)."""


def _contacts_handled(state: State, part: str, numbers: Sequence[int]) -> list[Successor]:
    """The successors of the contacts that may be cured or made bad when a part is handled at these cylinders."""
    places = {n for number in numbers for n in state.fitment.position(part, number)[1]}
    found = []
    for (fault, holder), cause in state.current.items():
        reseat = state.knowledge.faults[fault].reseat
        if reseat is not None and part in reseat.parts and state.facts[cause].home & places:
            found.append((fault, holder, state.facts[cause].home, reseat.causes, (cause, 1.0 - reseat.cures)))
    return found


@dataclass
class _Builder:
    knowledge: Knowledge
    car: CarFacts
    history: History
    causes: list[Cause] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    facts: dict[str, CauseFacts] = field(default_factory=dict)
    current: dict[tuple[str, str], str] = field(default_factory=dict)
    happening_of: dict[str, str] = field(default_factory=dict)
    complaint: set[int] = field(default_factory=set)
    sites: set[int] = field(default_factory=set)
    shelved: dict[str, dict[tuple[str, str], str]] = field(default_factory=dict)
    """serial of a part that came out -> the causes that stand for it, should it go in again"""
    clean_since: dict[tuple[str, str], float] = field(default_factory=dict)
    """(victim, serial) -> odometer at which the part was fitted or cleaned"""
    came_back_with: frozenset[str] | None = None

    def __post_init__(self) -> None:
        self.odometer_km = self.car.distance_km
        self.fitment = Fitment.as_brought_in(self.car.layout, self.knowledge.parts)
        self.wanderers = _parts_that_move(self.fitment, self.history)
        self.remembering = remembering(self.knowledge)
        self.seen_at = where_seen(self.knowledge, self.units, self.history)
        self.faults = {f.id: f for f in self.knowledge.faults.values() if fits(f.fitted, self.car.layout)}
        answers = frozenset(h.answer for h in self.history if isinstance(h, Answered))
        reported = [h for h in self.history if isinstance(h, Reported)]
        self.priors = prior_probabilities(self.faults.values(), self.knowledge.model, self.car, answers, reported)
        self.of_fault: dict[str, list[str]] = {}
        for fault in _parents_first(self.faults):
            for holder, home in self._holders(fault):
                self._add_original(fault, holder, home)
            self.of_fault[fault.id] = [cause for (name, _), cause in self.current.items() if name == fault.id]
        self.original = dict(self.current)

    # ------------------------------------------------------------ causes

    def _holders(self, fault: FaultEntry) -> Iterable[tuple[str, frozenset[int]]]:
        layout = self.car.layout
        if fault.scope == "part":
            for serial, (kind, cylinders) in self.fitment.home.items():
                if kind == fault.part:
                    yield serial, frozenset(cylinders)
        elif fault.scope == "place":
            yield from ((str(cylinder(n)), frozenset((n,))) for n in layout.cylinders)
        elif fault.scope == "joint":
            pairs = {tuple(sorted((n, other))) for n in layout.cylinders for other in layout.neighbours(n)}
            yield from ((str(joint(a, b)), frozenset((a, b))) for a, b in sorted(pairs))
        elif fault.scope == "bank":
            yield from ((str(bank(n)), frozenset(members)) for n, members in enumerate(layout.banks, start=1))
        else:
            yield str(ENGINE), frozenset(layout.cylinders)

    def _add_original(self, fault: FaultEntry, holder: str, home: frozenset[int]) -> None:
        parents = tuple(
            (cause_id, link.chance)
            for link in fault.caused_by
            for cause_id in self.of_fault.get(link.fault, ())
            if self.facts[cause_id].home & home
        )
        self._add(fault.id, holder, home, self.priors[fault.id], parents)

    def _add(
        self, fault: str, holder: str, home: frozenset[int], leak: float, parents: tuple[tuple[str, float], ...] = ()
    ) -> None:
        identifier = _next_name(self.current, fault, holder)
        self.causes.append(Cause(identifier, leak, parents, self._block(fault, holder, home)))
        block = self._block(fault, holder, home)
        remembers = block is not None and fault in self.remembering and bool(home & self.seen_at)
        self.facts[identifier] = CauseFacts(identifier, fault, holder, home, remembers)
        self.current[(fault, holder)] = identifier

    def _block(self, fault: str, holder: str, home: frozenset[int]) -> str | None:
        if self.knowledge.model.complaint.unit != "cylinder":
            return None  # each count then reaches several cylinders, so that no block would stand by itself
        private = self.knowledge.faults[fault].scope in ("part", "place") and len(home) == 1
        return f"cylinder {min(home)}" if private and holder not in self.wanderers else None

    def able_to_act(self, cause: str, way: str) -> str:
        """The cause that says whether a fault that remembers acts in this way; made at the first such reading."""
        name = f"{cause}#{way}"
        if name not in self.facts:
            facts = self.facts[cause]
            ability = ability_of(self.knowledge.model, self.knowledge.faults[facts.fault], way)
            block = self._block(facts.fault, facts.holder, facts.home)
            self.causes.append(Cause(name, 0.0, ((cause, ability),), block))
            self.facts[name] = CauseFacts(name, facts.fault, facts.holder, facts.home)
        return name

    def acting_on(self, here: frozenset[int]) -> Acting:
        """All causes that stand at this moment and act on any of these cylinders."""
        return acting_on(self, here)

    # ------------------------------------------------------------ happenings

    def take(self, happening: Happening | Reading) -> None:
        """Fold one happening in."""
        match happening:
            case Answered() | Reported():
                pass
            case Coded():
                self._coded(happening)
            case Reading():
                self._counted(happening)
            case Found():
                self._found(happening)
            case Moved(part=part, first=first, second=second):
                self.fitment = self.fitment.moved(part, first, second)
                self._handled(part, (first, second))
            case Reseated(part=part, cylinder=number):
                self.fitment.position(part, number)
                self._handled(part, (number,))
            case Renewed(part=part, cylinder=number, origin=origin):
                self._renewed(part, number, origin)
            case Driven(odometer_km=odometer_km):
                self._driven(odometer_km)
            case Repaired():
                self._repaired(happening)
            case Returned():
                self._returned(happening)

    def _handled(self, part: str, numbers: Sequence[int]) -> None:
        """Handling a part may cure or make a bad contact at each place it was taken from or put to."""
        for fault, holder, home, leak, parent in _contacts_handled(self, part, numbers):
            self._add(fault, holder, home, leak, (parent,))

    def _renewed(self, part: str, number: int, origin: Origin = "new") -> None:
        old = self.fitment.at(part, number)
        self.shelved[old] = {key: self.current.pop(key) for key in [key for key in self.current if key[1] == old]}
        self.fitment = self.fitment.renewed(part, number, origin)
        serial = self.fitment.at(part, number)
        if origin == "its-own":
            self.current.update(self.shelved.pop(serial))
        else:
            home = frozenset(self.fitment.home[serial][1])
            for name, chance in self._bad_from_the_start(part, origin):
                self._add(name, serial, home, chance)
            for fault in self.faults.values():
                if fault.part == part and can_come_again(fault):
                    self.clean_since[(fault.id, serial)] = self.odometer_km
        self._handled(part, (number,))

    def _bad_from_the_start(self, part: str, origin: Origin) -> list[tuple[str, float]]:
        """What may be wrong with a part when it is fitted: a new one may be dead in its box, an old one is like any."""
        kind = self.fitment.kinds[part]
        old = {"used": kind.used_part, "lent": kind.lent_part}.get(origin)
        if old is None:
            return [(kind.new_part.fault, kind.new_part.chance)] if kind.new_part.fault in self.faults else []
        return [
            (fault.id, min(1.0, old.factor * self.priors[fault.id]))
            for fault in self.faults.values()
            if fault.part == part and fault.kind == "root"
        ]

    def _driven(self, odometer_km: float) -> None:
        """A part that was clean is dirtied again by what still stands behind it, the surer the farther one drives."""
        before, self.odometer_km = self.odometer_km, odometer_km
        for (fault, serial), clean_at in self.clean_since.items():
            position = self.fitment.where(serial)
            if position is None:
                continue
            entry, so_far = self.faults[fault], self.current.get((fault, serial))
            parents = tuple(
                (cause_id, chance)
                for link in entry.caused_by
                for (name, holder), cause_id in self.current.items()
                if name == link.fault and touches(self, holder, cause_id, frozenset(position[1]))
                and (chance := chance_again(entry, link.chance, before - clean_at, odometer_km - clean_at)) > 0.0
            )  # fmt: skip
            if parents:
                stays = () if so_far is None else ((so_far, 1.0),)
                self._add(fault, serial, frozenset(self.fitment.home[serial][1]), 0.0, (*stays, *parents))

    def _returned(self, happening: Returned) -> None:
        """It came back: something is at work where it was complained of, unless it came back for another reason.

        One observation, whatever the number of units: each carries its root of the likelihood.
        """
        self.came_back_with = frozenset(self.current.values())
        complaint, strengths = self.knowledge.model.complaint, self.knowledge.model.strengths
        watched = {each.id: OWNER_DROVE for each in complaint.conditions}
        for number in sorted(self.complaint):
            quiet = complaint.codes.came_back ** (1.0 / len(self.complaint))
            weights = (quiet, *(1.0,) * (len(strengths) - 1))
            self._observe_unit(happening.id, number, causes_of_count(self, number, (watched,)), weights)

    def _repaired(self, happening: Repaired) -> None:
        repair = self.knowledge.repairs.get(happening.repair)
        if repair is None:
            raise RequestError(f"The knowledge base has no repair {happening.repair!r}. Nothing was weighed.")
        if repair.renews is not None:
            self._renewed(repair.renews, min(cylinders_of(happening.place, self.car)))
        here = cylinders_of(happening.place, self.car)
        for cure in repair.cures:
            for (fault, holder), cause_id in list(self.current.items()):
                if fault == cure.fault and _is_within(self.facts[cause_id].home, holder, here, happening.place):
                    self._add(fault, holder, self.facts[cause_id].home, 0.0, ((cause_id, 1.0 - cure.chance),))
                    if can_come_again(self.faults[fault]):
                        self.clean_since[(fault, holder)] = self.odometer_km

    @cached_property
    def units(self) -> Mapping[int, frozenset[int]]:
        """The cylinders of each unit on which the complaint may sit."""
        return _units(self.knowledge, self.car)

    def _require_unit(self, number: int) -> int:
        if number not in self.units:
            place = _unit_place(self.knowledge, number)
            raise RequestError(f"This engine has no {place} on which the complaint could sit. Nothing was weighed.")
        return number

    def _complains(self, numbers: Iterable[int]) -> None:
        for number in numbers:
            self.complaint.add(number)
            self.sites |= self.units[number]
            for serial, position in self.fitment.home.items():
                here = self.fitment.where(serial)
                if here is not None and self.units[number] & set(here[1]):
                    self.sites.update(position[1])

    def _coded(self, happening: Coded) -> None:
        complaint = self.knowledge.model.complaint
        codes, watched = complaint.codes, {each.id: each.code_looks_back for each in complaint.conditions}
        if happening.region is not None:
            watched = {self._require_region(happening.region, happening.id): codes.in_condition}
        for number in self.units:
            weights = tuple(codes.names_it if number in happening.units else codes.names_another)
            self._observe_unit(happening.id, number, causes_of_count(self, number, (watched,)), weights)
        self._complains(map(self._require_unit, happening.units))

    def _counted(self, happening: Reading) -> None:
        words, levels = self.knowledge.model.complaint.words, self.knowledge.model.levels
        for region in (region for run in happening.runs for region in run):
            self._require_region(region, happening.id)
        for number, bad in happening.bad.items():
            self._require_unit(number)
            out_of = happening.out_of.get(number, 0)
            if out_of <= 0:
                continue
            if bad > out_of:
                raise RequestError(
                    f"{happening.id} counts {bad} {words.bad} on {_unit_place(self.knowledge, number)} in {out_of} "
                    f"{words.out_of}. Correct the count, or what was watched."
                )
            weights = self._with_spill(happening, number, strength_weights(bad, out_of, levels))
            self._observe_unit(happening.id, number, causes_of_count(self, number, happening.runs), weights)
            if weights[0] < COMPLAINT_FROM * max(weights):
                self._complains((number,))

    def _require_region(self, region: Region, happening_id: str) -> Region:
        complaint = self.knowledge.model.complaint
        if complaint.condition(region) is None:
            known = ", ".join(each.id for each in complaint.conditions)
            why = f"{happening_id} was watched at {region!r}; this pack knows {known}"
            raise RequestError(f"{why}. Nothing was weighed.")
        return region

    def _observe_unit(self, happening_id: str, unit: int, causes: Causes, weights: tuple[float, ...]) -> None:
        """A count over the strengths: by itself a unit shows none of it."""
        name = f"{happening_id}/{_unit_place(self.knowledge, unit)}"
        self._observe(happening_id, Finding(name, (1.0,) * len(weights), causes, weights))

    def _with_spill(self, happening: Reading, number: int, weights: tuple[float, ...]) -> tuple[float, ...]:
        spill, layout = self.knowledge.model.spill, self.car.layout
        if spill is None:
            return weights
        worst = max(happening.bad, key=lambda other: happening.bad[other])
        order = layout.firing_order
        follows = order[(order.index(worst) + 1) % layout.count] == number
        chance = spill.next_in_order if follows else spill.elsewhere
        return with_spill(weights, happening.bad[number], happening.bad[worst], spill, chance)

    def _found(self, happening: Found) -> None:
        test = self.knowledge.tests.get(happening.test)
        if test is None:
            raise RequestError(f"The knowledge base has no test {happening.test!r}. Nothing was weighed.")
        weights = weights_of(test, happening.weights)
        causes = causes_of_test(self, test, happening.place)
        finding = Finding(happening.id, leak_of(test), causes, weights, axes_of(test))
        self._observe(happening.id, finding)

    def _observe(self, happening_id: str, finding: Finding) -> None:
        self.findings.append(finding)
        self.happening_of[finding.id] = happening_id

    def model(self) -> Model:
        return Model(
            self.knowledge,
            self.car,
            self.history,
            Network(tuple(self.causes), tuple(self.findings)),
            self.facts,
            self.fitment,
            self.current,
            self.original,
            self.happening_of,
            frozenset(self.complaint),
            frozenset(self.sites),
            self.came_back_with,
        )


@lru_cache(maxsize=256)
def _place(holder: str) -> Place:
    return Place.parse(holder)


def _units(knowledge: Knowledge, car: CarFacts) -> Mapping[int, frozenset[int]]:
    groups = car.layout.groups(knowledge.model.complaint.unit)
    return {number: frozenset(group) for number, group in enumerate(groups, start=1)}


def _unit_place(knowledge: Knowledge, number: int) -> Place:
    unit = knowledge.model.complaint.unit
    return ENGINE if unit == "engine" else Place(unit, (number,))


def _is_within(home: frozenset[int], holder: str, here: frozenset[int], place: Place) -> bool:
    """Whether work at a place reaches a cause: the place itself, or anything inside it."""
    return holder == str(place) or home <= here or (holder.startswith("joint") and bool(home & here))


def _parts_that_move(fitment: Fitment, history: History) -> frozenset[str]:
    """Serials that sit in more than one position during the history: their causes are private to no cylinder."""
    movers: set[str] = set()
    for happening in history:
        if isinstance(happening, Moved):
            fitment_after = fitment.moved(happening.part, happening.first, happening.second)
            movers |= {fitment.at(happening.part, n) for n in (happening.first, happening.second)}
            fitment = fitment_after
        elif isinstance(happening, Renewed):
            fitment = fitment.renewed(happening.part, happening.cylinder, happening.origin)
    return frozenset(movers)


def _parents_first(faults: Mapping[str, FaultEntry]) -> list[FaultEntry]:
    order: dict[str, FaultEntry] = {}

    def visit(name: str, path: tuple[str, ...]) -> None:
        if name in order or name not in faults:
            return
        if name in path:
            raise RequestError(f"The causes {' -> '.join([*path, name])} go round in a circle in the knowledge base.")
        for link in faults[name].caused_by:
            visit(link.fault, (*path, name))
        order[name] = faults[name]

    for name in faults:
        visit(name, ())
    return list(order.values())
