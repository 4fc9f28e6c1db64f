"""What the car's own records will do next: which drives end what, and on about which days of the owner's driving."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from firstcause.roadtest.coming_days import Asked, Kind, Span, Standing, What, checks_wanted, fewest, spans, waiting
from firstcause.roadtest.conditions import mark_words
from firstcause.roadtest.cycles import where_of
from firstcause.roadtest.inspection import check_words
from firstcause.roadtest.permanent import code_kind
from firstcause.roadtest.records import Cycle, Records, RuleReading, Sighting, after_cycle
from firstcause.roadtest.rules import CONFIRMED_ERASE_WARM_UPS, LAMP_OFF_CYCLES, PENDING_ERASE_CYCLES
from firstcause.roadtest.usual import UsualDriving, usual_shares
from firstcause.roadtest.window import FreezeFrame
from firstcause.tongue import N_, Said, _

ALWAYS_COMPLETE_BEFORE = 2019  # model year, of which the reference is not sure
BASE = RuleReading()


@dataclass(frozen=True, slots=True)
class OpenReading:
    """One place of the rule that can be read in two ways: how it is read first, and the other way, both in words.

    `field` and `value`: what of `RuleReading` the other way changes.
    """

    id: str
    first: str
    other: str
    field: str
    value: Any


OPEN_READINGS: tuple[OpenReading, ...] = (
    OpenReading(
        "load", N_("similar load is within 20 points of calculated load"),
        N_("similar load is within 20 % of the stored load"),
        "load", "relative",
    ),
    OpenReading(
        "permanent-limits", N_("the permanent record's drive has no limits of cold and height"),
        N_("the limits of the general denominator hold for it too: 20 degF or more, below 8,000 ft"),
        "permanent_limits", True,
    ),
    OpenReading(
        "first-1000", N_("confirmed by any later start in which it comes so early"),
        N_("confirmed by the very next drive only"), "first_1000", "next",
    ),
    OpenReading(
        "continuous", N_("the misfire and fuel checks must have run to read complete"),
        N_("the misfire and fuel checks always read complete (cars before about model year 2019)"), "continuous",
        "always complete",
    ),
    OpenReading(
        "lamp-cycles", N_("three quiet drives that came back to the old conditions; drives between them do not count"),
        N_("three such drives in a row among all drives"), "lamp_cycles", "in a row",
    ),
)  # fmt: skip
# The five open questions of the reference (regulation and protocol, section 8), in their order.


@dataclass(frozen=True, slots=True)
class ComingItem:
    """One thing the car will do. `drives`: the fewest drives that can do it; `by`: by what evidence.

    `other_readings`: the open reading of the rule (its id) and the span it gives, where that differs.
    """

    kind: Kind
    name: str
    by: str
    drives: int | None
    span: Span
    other_readings: tuple[tuple[str, Span], ...]
    cite: str
    mark: str

    @property
    def reads_apart(self) -> tuple[str, ...]:
        """The open readings that change its days."""
        return tuple(id_ for id_, _span in self.other_readings)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable. Dates as ISO text."""
        return {
            "kind": self.kind, "name": self.name, "by": self.by, "fewest_drives": self.drives,
            **_span_dict(self.span),
            "other_readings": [{"reading": id_, **_span_dict(span)} for id_, span in self.other_readings],
            "cite": self.cite, "mark": self.mark,
        }  # fmt: skip

    @property
    def title(self) -> str:
        """What comes, short."""
        return {
            "lamp": _("the lamp goes out"), "pending": _("pending {code} goes", code=self.name),
            "confirmed": _("stored {code} goes", code=self.name),
            "permanent": _("permanent {code} goes", code=self.name),
            "self-check": _("self-check {name} is complete", name=check_words(self.name)),
            "inspection": _("its records pass ({place})", place=self.name),
        }[self.kind]  # fmt: skip

    def sentence(self) -> str:
        """In plain words, by the first reading."""
        fewest = ""
        if self.drives is not None and not self.span.done:
            fewest = (
                _(", after 1 drive at the least")
                if self.drives == 1
                else _(", after {n} drives at the least", n=self.drives)
            )
        look = " " + _("Read service $0A at the next start.") if self.kind == "permanent" and self.span.done else ""
        title = self.title
        return (
            _(
                "{what} {by}{fewest}: {days}.",
                what=title[0].upper() + title[1:], by=self.by, fewest=fewest, days=self.span.words(),
            )
            + f"{look} [{self.cite}; {mark_words(self.mark)}]"
        )  # fmt: skip


@dataclass(frozen=True)
class Coming:
    """Everything the car will do, as far as its records are known. `already`: what it has done, in words.

    `returns`: what it would do if the fault came back. `left_open`: what the recordings do not say.
    """

    on: date
    usual: UsualDriving
    items: tuple[ComingItem, ...]
    already: tuple[str, ...]
    returns: tuple[str, ...]
    left_open: tuple[str, ...]
    grounds: tuple[str, ...]
    reading: RuleReading

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {
            "from": self.on.isoformat(), "usual_driving": self.usual.to_dict(),
            "items": [item.to_dict() for item in self.items], "already": list(self.already),
            "if_it_returns": list(self.returns), "left_open": list(self.left_open), "grounds": list(self.grounds),
            "sentences": self.sentences(),
        }  # fmt: skip

    def of(self, kind: Kind) -> tuple[ComingItem, ...]:
        """The items of one kind."""
        return tuple(item for item in self.items if item.kind == kind)

    def sentences(self) -> list[str]:
        """In plain words; what the other reading of an open place changes stands in a sentence of its own."""
        said = [*self.already, *(item.sentence() for item in self.items)]
        for each in OPEN_READINGS:
            if told := self._by_the_other(each):
                swapped = getattr(self.reading, each.field) == each.value
                one, two = (each.other, each.first) if swapped else (each.first, each.other)
                said.append(
                    _(
                        "The rule is open here. Read as “{one}” it is as above; as “{two}”: {told}.",
                        one=_(one), two=_(two), told=told,
                    )
                )  # fmt: skip
        said += self.returns
        if any(not item.span.done for item in self.items):
            said.append(
                _(
                    "Days for {week}, if the fault stays away; by the chance of the weeks 9 of 10 cars come within "
                    "them. A drive counts as ended at the next start.",
                    week=self.usual.words(),
                )
            )
        if self.left_open:
            said.append(
                _("The recordings leave open {points}. The days allow for both.", points="; ".join(self.left_open))
            )
        return said

    def _by_the_other(self, reading: OpenReading) -> str:
        """What the other reading moves, with what falls on the same days told together; empty when nothing."""
        by_days: dict[str, list[ComingItem]] = {}
        for item in self.items:
            for id_, span in item.other_readings:
                if id_ == reading.id:
                    by_days.setdefault(span.words(), []).append(item)
        told = []
        for days, items in by_days.items():
            names = [item.title for item in items if item.kind != "inspection"]
            if places := [item.name for item in items if item.kind == "inspection"]:
                names.append(_("its records pass ({place})", place="; ".join(places)))
            told.append(f"{', '.join(names)}: {days}")
        return "; ".join(told)


def _span_dict(span: Span) -> dict[str, str | None]:
    return {
        "state": "done" if span.done else "perhaps done" if span.perhaps else "waiting",
        "earliest": None if span.earliest is None else span.earliest.isoformat(),
        "latest": None if span.latest is None else span.latest.isoformat(),
    }


def coming(stand: Callable[[RuleReading], Standing], asked: Asked) -> Coming:
    """The forecast; `stand(reading)` gives the records after all that was driven, the rules read in that way. Pure."""
    year = asked.model_year
    first = RuleReading(continuous="always complete") if (year or 9999) < ALWAYS_COMPLETE_BEFORE else BASE
    now = stand(first)
    others = {each: _stand(stand, first, each) for each in _that_matter(now, asked)}
    wanted = tuple(sorted(_wanted(now, first, others, asked)))
    days = spans(wanted, now, first, asked)
    apart: dict[What, list[tuple[str, Span]]] = {what: [] for what in wanted}
    for each, (how, there) in others.items():
        for what, span in spans(wanted, there, how, asked).items():
            if _apart(span, days[what]):
                apart[what].append((each.id, span))
    drives = fewest(wanted, now, first, asked)
    items = [_item(what, drives[what], days[what], tuple(apart[what]), asked) for what in wanted]
    grounds = tuple(
        _(
            "{name}: {low:.0f} to {high:.0f} of 100 drives ({ground}; judgement)",
            name=_share_words(name),
            low=100 * share.low,
            high=100 * share.high,
            ground=share.ground,
        )
        for name, share in usual_shares(asked.usual, asked.frame, checks_wanted(wanted), first).items()
    )
    order: tuple[Kind, ...] = ("lamp", "pending", "confirmed", "permanent", "self-check", "inspection")
    return Coming(
        asked.on, asked.usual, tuple(sorted(items, key=lambda item: order.index(item.kind))),
        tuple(_already(asked, wanted)), tuple(_if_it_returns(now, asked.frame)), now.left_open, grounds,
        first,
    )  # fmt: skip


_SHARES: Said[str] = Said({
    "minimum": "a minimum drive", "warm-up": "a warm-up cycle", "near": "back at the freeze frame",
})  # fmt: skip


def _share_words(name: str) -> str:
    """What a share of the drives does; `ran:MONITOR` is a self-check that runs."""
    if name.startswith("ran:"):
        return _("self-check {name} runs", name=check_words(name.removeprefix("ran:")))
    return _SHARES[name]


def _stand(
    stand: Callable[[RuleReading], Standing], first: RuleReading, other: OpenReading
) -> tuple[RuleReading, Standing]:
    value = getattr(BASE, other.field) if getattr(first, other.field) == other.value else other.value
    how = replace(first, **{other.field: value})
    return how, stand(how)


def _wanted(
    now: Standing, first: RuleReading, others: Mapping[OpenReading, tuple[RuleReading, Standing]], asked: Asked
) -> set[What]:
    """All that was still to come when the records were last read, or still is by one of the readings."""
    found = set(waiting(now.before, now, first, asked, 0, 0.0) | waiting(now.at_worst, now, first, asked))
    for how, there in others.values():
        found |= waiting(there.at_worst, there, how, asked)
    return found


def _that_matter(now: Standing, asked: Asked) -> Iterable[OpenReading]:
    """The open readings that can change a day for this car; the years of the fourth are not known for sure."""
    compared = any(code_kind(each.code) in ("misfire", "fuel system") for each in now.before.codes)
    waits = any(each.after_erase and code_kind(each.code) != "ratio monitor" for each in now.before.permanent)
    checks = {"misfire", "fuel-system"} & set(now.checks) - now.at_worst.complete
    year, frame = asked.model_year, asked.frame
    near_the_year = year is None or abs(year - ALWAYS_COMPLETE_BEFORE) <= 3
    matter = {
        "load": compared and frame is not None and frame.load_percent is not None, "permanent-limits": waits,
        "first-1000": False, "continuous": bool(checks) and near_the_year, "lamp-cycles": compared,
    }  # fmt: skip
    return [each for each in OPEN_READINGS if matter[each.id]]


def _apart(one: Span, two: Span) -> bool:
    """Whether two spans differ by more than the chance of the draw: three days at either end."""
    if one.done != two.done:
        return True
    for a, b in ((one.earliest, two.earliest), (one.latest, two.latest)):
        if (a is None) != (b is None) or (a is not None and b is not None and abs((a - b).days) > 3):
            return True
    return False


def _item(what: What, drives: int | None, span: Span, others: tuple[tuple[str, Span], ...], asked: Asked) -> ComingItem:
    kind, name = what
    if kind == "inspection":
        rule = next(each for each in asked.rules if each.id == name)
        model_year = asked.model_year
        assert model_year is not None
        by = _("with {asks}", asks=rule.asks(model_year))
        place = _("{place}, model year {year}", place=rule.place_words, year=str(model_year))
        return ComingItem(kind, place, by, drives, span, others, rule.cite, rule.mark)
    by, cite, mark = _evidence(kind, name)
    return ComingItem(kind, name, by, drives, span, others, cite, mark)


def _evidence(kind: Kind, name: str) -> tuple[str, str, str]:
    compared = bool(name) and kind != "self-check" and code_kind(name) in ("misfire", "fuel system")
    if kind == "lamp":
        return (
            _(
                "at the end of the third quiet drive in which its check ran (for misfire and fuel codes: a drive that "
                "came back to the conditions of the freeze frame)"
            ), LAMP_OFF_CYCLES.cite, LAMP_OFF_CYCLES.mark,
        )  # fmt: skip
    if kind == "pending":
        if not compared:
            return (
                _("at the end of the next drive in which its check ran and passed"),
                "13 CCR 1968.2(d)(2.2.2)",
                "from memory",
            )
        return (
            _(
                "at the end of a quiet drive that comes back to the conditions of the freeze frame, or after {n:.0f} "
                "drives without them",
                n=PENDING_ERASE_CYCLES.value,
            ),
            PENDING_ERASE_CYCLES.cite, PENDING_ERASE_CYCLES.mark,
        )  # fmt: skip
    if kind == "confirmed":
        return (
            _("after {n:.0f} warm-up cycles with the lamp out", n=CONFIRMED_ERASE_WARM_UPS.value),
            CONFIRMED_ERASE_WARM_UPS.cite, CONFIRMED_ERASE_WARM_UPS.mark,
        )  # fmt: skip
    if kind == "permanent":
        if code_kind(name) == "ratio monitor":
            return (
                _("at the end of a drive in which its check ran and passed"),
                "13 CCR 1968.2(d)(2.5)",
                "read in the official text",
            )
        return (
            _("by a passing drive of its check and one minimum drive after the erase; without an erase, with its lamp"),
            "13 CCR 1968.2(d)(2.5.1), (2.5.2)(B)", "from memory",
        )  # fmt: skip
    return _("when it has run and passed"), "13 CCR 1968.2(g)(4.1)", "from memory"


def _already(asked: Asked, wanted: Sequence[What]) -> Iterable[str]:
    """What needs no waiting: nothing there, or passes now."""
    kinds = {kind for kind, _name in wanted}
    if not kinds & {"lamp", "pending", "confirmed"}:
        yield _("No code is stored and none commands the lamp.")
    if "permanent" not in kinds:
        yield _("Nothing is on the permanent record.")
    if "self-check" not in kinds:
        yield _("All self-checks of the car are complete.")
    if asked.model_year is None:
        yield _("The model year is not known, so nothing is said about inspections.")
        return
    passes = [rule for rule in asked.rules if ("inspection", rule.id) not in wanted]
    for rule in passes:
        words = rule.words(asked.model_year)
        yield _("Its records pass now: {words}", words=words) + f" [{rule.cite}; {mark_words(rule.mark)}]."


def _if_it_returns(now: Standing, frame: FreezeFrame | None) -> Iterable[str]:
    """What the rules do with a misfire that comes back: worked out on the records, not only told."""
    codes = [*(each.code for each in now.at_worst.codes), *(each.code for each in now.at_worst.permanent)]
    code = next((each for each in codes if code_kind(each) == "misfire"), None)
    if code is None:
        return
    seen = Sighting(code, where_of(frame))
    once = after_cycle(Records(), Cycle((seen,)))
    twice = after_cycle(once, Cycle((seen,)))
    if once.pending and not once.lamp and twice.lamp and twice.permanent:
        yield _(
            "Should the misfire come back: {code} is pending after the first drive in which the car finds it; lamp, "
            "stored and permanent code come with the second, the next drive or the next one under the same conditions.",
            code=code,
        )
    early = OPEN_READINGS[2]
    if _confirmed_by_a_later_start(code, frame, BASE) != _confirmed_by_a_later_start(
        code, frame, replace(BASE, first_1000="next")
    ):
        yield _(
            "If it comes within the first 1,000 revolutions after a start it is {first}, or, read the other way, "
            "{other}.",
            first=_(early.first), other=_(early.other),
        )  # fmt: skip


def _confirmed_by_a_later_start(code: str, frame: FreezeFrame | None, how: RuleReading) -> bool:
    """A misfire right after a start, a drive elsewhere without it, and again right after a start elsewhere."""
    records = Records()
    for happened in ((Sighting(code, where_of(frame), first_1000=True),), (), (Sighting(code, first_1000=True),)):
        records = after_cycle(records, Cycle(happened), how)
    return records.lamp
