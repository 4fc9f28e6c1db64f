"""The readable catalogue of a pack: each fault with what speaks for it and against it, ready to be written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import isinf

from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.ground import Grounded, Source
from firstcause.knowledge.schema import Behaviour, FaultEntry
from firstcause.reasoning.speaks import Speaks, speaks, victims_of
from firstcause.tongue import N_, Said, _, number, small

MOST_NAMED = 5
WORTH_NAMING_DB = 0.5
FULL_BAR_DB = 20.0
DEFER = N_("The maker's service information comes before anything said here.")
SCALE = N_(
    "10 dB make the odds ten times as high, 3 dB twice. The fault alone, with what it brings about, is compared with a "
    "car on which nothing is that the test shows; beside other suspects the same finding moves belief less."
)
PLACES = Said(
    {
        "place": "In one cylinder",
        "joint": "Between two cylinders",
        "bank": "On a bank",
        "shared": "On the whole engine",
    }
)
KINDS = Said(
    {
        "root": "can be the first cause",
        "victim": "comes only from another fault",
        "unlisted": "stands for what the catalogue does not hold",
    }
)
GROUNDS = Said(
    {
        "counted": "counted",
        "published": "published",
        "common-practice": "common practice, no source",
        "judgement": "judgement, no source",
    }
)


@dataclass(frozen=True)
class Line:
    """One outcome of one test, for or against: `size` is the share of a full bar, 0 to 1."""

    test: str
    outcome: str
    strength: str
    size: float
    chances: str
    ground: str


@dataclass(frozen=True)
class Named:
    """Another entry, what ties it to this one, and the ground; `id` is empty for what is no fault."""

    id: str
    name: str
    chance: str
    ground: str


@dataclass(frozen=True)
class Leaf:
    """One fault of the catalogue, in words."""

    id: str
    name: str
    plain: str
    where: str
    facts: tuple[tuple[str, str], ...]
    speaks_for: tuple[Line, ...]
    speaks_against: tuple[Line, ...]
    tests_left_out: int
    parents: tuple[Named, ...]
    victims: tuple[Named, ...]
    repairs: tuple[Named, ...]
    watch: str
    cautions: tuple[str, ...]

    @property
    def left_out_words(self) -> str:
        """That more tests say less of it; nothing where none was left out."""
        if not self.tests_left_out:
            return ""
        if self.tests_left_out == 1:
            return _("1 more test says less.")
        return _("{n} more tests say less.", n=self.tests_left_out)


@dataclass(frozen=True)
class Catalogue:
    """All faults of a pack, by where they sit."""

    pack: str
    name: str
    groups: tuple[tuple[str, tuple[Leaf, ...]], ...]

    @property
    def leaves(self) -> tuple[Leaf, ...]:
        """Every fault, in the order of the groups."""
        return tuple(leaf for __, leaves in self.groups for leaf in leaves)


def catalogue_of(knowledge: Knowledge) -> Catalogue:
    """The catalogue of a pack, its own order: places first, then names."""
    groups: dict[str, list[Leaf]] = {}
    for fault in sorted(knowledge.faults.values(), key=lambda fault: fault.name.lower()):
        leaf = leaf_of(knowledge, fault.id)
        groups.setdefault(leaf.where, []).append(leaf)
    order = [*sorted(set(groups) - set(PLACES.values())), *(where for where in PLACES.values() if where in groups)]
    listed = tuple((where, tuple(groups[where])) for where in order)
    return Catalogue(knowledge.pack, knowledge.model.complaint.name, listed)


def leaf_of(knowledge: Knowledge, fault: str) -> Leaf:
    """One fault in words. Raises KeyError when the pack has none of this id."""
    entry = knowledge.faults[fault]
    words = speaks(knowledge, fault)
    named = [word for word in words if abs(word.decibans) >= WORTH_NAMING_DB]
    shown_for = _first_of_each_test(word for word in named if word.decibans > 0)
    against = _first_of_each_test(word for word in named if word.decibans < 0)
    told = {word.test for word in (*shown_for, *against)}
    return Leaf(
        id=fault,
        name=entry.name,
        plain=entry.plain,
        where=_where(knowledge, entry),
        facts=tuple(_facts(knowledge, entry)),
        speaks_for=tuple(_line(knowledge, entry, word) for word in shown_for),
        speaks_against=tuple(_line(knowledge, entry, word) for word in against),
        tests_left_out=len({word.test for word in named} - told),
        parents=tuple(
            Named(link.fault, knowledge.faults[link.fault].name, f"{link.chance:.0%}", ground_of(link, entry.sources))
            for link in sorted(entry.caused_by, key=lambda link: -link.chance)
            if link.fault in knowledge.faults
        ),
        victims=tuple(_victims(knowledge, fault)),
        repairs=tuple(_repairs(knowledge, entry)),
        watch=entry.watch,
        cautions=_cautions(knowledge, entry, told),
    )


def _first_of_each_test(words: Iterable[Speaks]) -> list[Speaks]:
    """The strongest outcome of each test, strongest test first; of those that say the same, the one seen most often."""

    def rank(word: Speaks) -> tuple[float, float]:
        strength = word.decibans if isinf(word.decibans) else round(word.decibans)
        return -abs(strength), -max(word.if_present, word.otherwise)

    first: dict[tuple[str, str], Speaks] = {}
    for word in sorted(words, key=rank):
        first.setdefault((word.test, word.fitted.in_words()), word)
    return list(first.values())[:MOST_NAMED]


def ground_of(number: Grounded, sources: Iterable[Source]) -> str:
    """Where a number comes from, and why one should believe it."""
    titles = {source.id: source.title for source in sources}
    source = f": {titles.get(number.source, number.source)}" if number.source else ""
    return f"{GROUNDS[number.basis]}{source}. {number.why}".strip()


def found_by(catalogue: Catalogue, words: str) -> tuple[Leaf, ...]:
    """The faults in which every word of the search stands: in name, description, tests, parents or victims."""
    wanted = words.lower().split()
    return tuple(leaf for leaf in catalogue.leaves if all(word in _text_of(leaf) for word in wanted))


def _text_of(leaf: Leaf) -> str:
    lines = [f"{line.test} {line.outcome}" for line in (*leaf.speaks_for, *leaf.speaks_against)]
    others = [one.name for one in (*leaf.parents, *leaf.victims, *leaf.repairs)]
    return " ".join([leaf.id, leaf.name, leaf.plain, leaf.where, *lines, *others]).lower()


def _where(knowledge: Knowledge, fault: FaultEntry) -> str:
    if fault.part is None:
        return PLACES[fault.scope]
    return _("In the part: {name}", name=small(knowledge.parts[fault.part].name))


def _facts(knowledge: Knowledge, fault: FaultEntry) -> Iterable[tuple[str, str]]:
    engines = fault.fitted.in_words().strip(" ()")
    yield _("Kind"), KINDS[fault.kind] + (_("; only on {engines}", engines=engines) if engines else "")
    if any(fault.prior.weight):
        at = ", ".join(
            _("{weight:g} at {km},000 km", weight=weight, km=km)
            for weight, km in zip(fault.prior.weight, (80, 160, 240), strict=True)
        )
        kind = _("shared causes") if fault.scope in ("bank", "shared") else _("causes at one cylinder")
        yield (
            _("How frequent"),
            _(
                "weight among the {kind}: {at} ({ground_of})",
                kind=kind,
                at=at,
                ground_of=ground_of(fault.prior, fault.sources),
            ),
        )
    for behaviour in [*([fault.behaviour] if fault.behaviour else []), *fault.behaviour_where]:
        yield (
            _("At work{in_words}", in_words=behaviour.fitted.in_words()),
            _behaves(knowledge, behaviour, fault.sources),
        )
    if fault.behaviour is None and not fault.behaviour_where:
        yield _("At work"), _("only through what it brings about")


def _behaves(knowledge: Knowledge, behaviour: Behaviour, sources: Iterable[Source]) -> str:
    complaint = knowledge.model.complaint
    names = {condition.id: condition.name.lower() for condition in complaint.conditions}
    acts = ", ".join(f"{names.get(condition, condition)} {chance:.0%}" for condition, chance in behaviour.acts.items())
    bouts = ""
    if behaviour.between_bouts:
        bouts = _(
            "; in bouts, {between_bouts:g} {measure} between two on average",
            between_bouts=behaviour.between_bouts,
            measure=complaint.words.measure,
        )
    return f"{acts}{bouts} ({ground_of(behaviour, sources)})"


def _line(knowledge: Knowledge, fault: FaultEntry, word: Speaks) -> Line:
    test = knowledge.tests[word.test]
    outcome = next(outcome.name for outcome in test.outcomes if outcome.id == word.outcome)
    through = ", ".join(knowledge.faults[victim].name for victim in word.through)
    grounds = [] if word.own is None else [ground_of(word.own, fault.sources)]
    grounds += [_("Through: {through}.", through=through)] if through else []
    grounds += [_("Without a fault: {ground_of}", ground_of=ground_of(test.otherwise, test.sources))]
    return Line(
        test=f"{test.name}{word.fitted.in_words()}",
        outcome=outcome,
        strength=_strength(word.decibans),
        size=min(1.0, abs(word.decibans) / FULL_BAR_DB),
        chances=_(
            "{share} with this fault, {share2} without", share=_share(word.if_present), share2=_share(word.otherwise)
        ),
        ground=" ".join(grounds),
    )


def _strength(decibans: float) -> str:
    if isinf(decibans):
        return _("only with it") if decibans > 0 else _("never with it")
    return f"{number(decibans, '+.0f' if abs(decibans) >= 1.0 else '+.1f')} dB"


def _share(chance: float) -> str:
    return f"{chance:.0%}" if chance >= 0.0995 else number(chance, ".1%") if chance >= 0.00095 else _("under 0.1%")


def _victims(knowledge: Knowledge, fault: str) -> Iterable[Named]:
    for victim, chance in sorted(victims_of(knowledge, fault).items(), key=lambda pair: -pair[1]):
        entry = knowledge.faults[victim]
        link = next(link for link in entry.caused_by if link.fault == fault)
        yield Named(victim, entry.name, f"{chance:.0%}", ground_of(link, entry.sources))
    for ruined in knowledge.faults[fault].ruins:
        if ruined in knowledge.faults:
            yield Named(ruined, knowledge.faults[ruined].name, _("left behind"), _("to be looked at after the repair"))


def _repairs(knowledge: Knowledge, fault: FaultEntry) -> Iterable[Named]:
    for repair in knowledge.repairs.values():
        minutes = _(
            "{minutes:.0f} min, {minutes_buried:.0f} where it is hard to reach",
            minutes=repair.minutes,
            minutes_buried=repair.minutes_buried,
        )
        if fault.part is not None and repair.renews == fault.part:
            yield Named("", repair.name, _("goes with the part"), minutes)
        for cure in repair.cures:
            if cure.fault == fault.id:
                yield Named("", repair.name, f"{cure.chance:.0%}", f"{minutes}; {ground_of(cure, repair.sources)}")


def _cautions(knowledge: Knowledge, fault: FaultEntry, tests: Iterable[str]) -> tuple[str, ...]:
    ids = dict.fromkeys(
        [*fault.cautions, *(caution for test in sorted(tests) for caution in knowledge.tests[test].cautions)]
    )
    known: Mapping[str, str] = {name: knowledge.cautions[name].text for name in ids if name in knowledge.cautions}
    return tuple(known.values())
