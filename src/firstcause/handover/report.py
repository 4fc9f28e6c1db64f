"""From a weighed case to the report: every fact of the hand-over, each with the event it stands on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime, time

from firstcause.casebook.case import Case
from firstcause.casebook.drawing import Misfires, engine_svg
from firstcause.casebook.events import Erased, Found, Moved, Renewed, Repaired, Reseated, SetAside, Snapshot, Told
from firstcause.casebook.follow_up import follow_up
from firstcause.casebook.outlook import KM_A_MONTH
from firstcause.casebook.people import Person
from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.words import LAMP_WORDS, WHY_WORDS, place_said
from firstcause.handover.causes import Causes, causes_of
from firstcause.handover.codes import other_codes
from firstcause.handover.ending import against_closing, headline_of, returns, shown_cured
from firstcause.handover.facts import CauseFact, Fact, FirstDecision, Picture, Proof, Readings, Report, VictimFact
from firstcause.handover.options import authorisations_of, limits_of, options_of, price_ground
from firstcause.handover.pictures import before_after_picture, likely_picture
from firstcause.handover.plainly import (
    DistanceUnit,
    count_words,
    date_words,
    distance_words,
    listed,
    sentence,
)
from firstcause.handover.proof import incomplete_checks, permanent_notes, permanent_words, proof_of
from firstcause.handover.record import record_of
from firstcause.handover.telling import Teller, parts_in_words
from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.model_numbers import Complaint
from firstcause.reasoning import history
from firstcause.reasoning.compiled import Model
from firstcause.roadtest.drivelog import DriveLog
from firstcause.tongue import _, language, small, small_first

MOST_DRAWN = 4
MOST_GROUNDS = 4


def build_report(
    weighed: WeighedCase,
    *,
    head: str,
    now: datetime,
    shop: str | None = None,
    people: Mapping[str, Person] | None = None,
    currency: str = "USD",
    distance_unit: DistanceUnit = "km",
    labour_per_hour: float | None = None,
    logs: Mapping[str, DriveLog] | None = None,
) -> Report:
    """All facts of the hand-over of a case; pure.

    `head` is the seal of the case's last event; `people` the personal data beside the case, which the report prints
    and no event holds; `labour_per_hour` in `currency` as the case was weighed with; `logs` the recorded drives by the
    hash of their file, for the pictures.
    """
    case, weighing, knowledge = weighed.case, weighed.weighing, weighed.knowledge
    about = knowledge.model.complaint
    people = people or {}
    teller = Teller(weighed)
    causes = causes_of(weighing, teller.tell)
    proof = proof_of(case, weighing.model.complaint, about, logs or {})
    limit = knowledge.model.closing.open_parent_at_most
    standing = tuple(cause for cause in causes.open if cause.chance > limit)
    owner = people.get(case.opened.person or "", Person())
    headline, meaning = headline_of(weighed, causes)
    cured = shown_cured(weighed)
    checks = incomplete_checks(case)
    permanent = permanent_notes(case)
    return Report(
        made_at=now.isoformat(),
        date=date_words(now),
        language=language(),
        head=head,
        shop=shop or case.opened.shop or "",
        owner=owner.name,
        phone=owner.phone,
        plate=owner.plate,
        currency=currency,
        title=case.title,
        car=_car(case, distance_unit),
        state=case.state,
        shown_cured=cured,
        headline=headline,
        meaning=meaning,
        against_closing=tuple(
            Fact(parts_in_words(f"{each.words} {each.settle}".strip(), knowledge)) for each in against_closing(weighed)
        ),
        words_at_closing="" if case.closing is None else case.closing.words,
        trouble=about.words.trouble,
        unit=about.unit,
        counted=(about.words.bad, about.words.out_of),
        complaint=tuple(_complaint(case)),
        other_codes=tuple(other_codes(case, knowledge)),
        first_decision=_first_decision(weighed),
        cause=causes.shown,
        cause_words=tuple(_cause_words(causes, standing)),
        how_we_know=tuple(_how_we_know(weighed, causes, standing, proof, teller)),
        victims=causes.victims,
        open_causes=standing,
        still_open_chance=_still_open(weighed),
        done=tuple(_done(case, teller)),
        not_done=tuple(_not_done(case, standing, knowledge)),
        moved=tuple(_moved(weighed)),
        old_parts=tuple(_old_parts(weighed)),
        proof=proof,
        permanent=permanent,
        permanent_words=tuple(permanent_words(case, permanent)),
        returns=tuple(returns(weighed, causes, standing, proof, distance_unit)),
        watch=tuple(_watch(causes, standing, cured, knowledge)),
        look_again=tuple(_look_again(weighed, now)),
        options=options_of(weighed, currency, labour_per_hour),
        price_ground=price_ground(weighed, currency, labour_per_hour),
        authorisations=authorisations_of(case, people),
        agreed_limits=limits_of(case),
        cautions=tuple(_cautions(weighed, checks)),
        engine=_engine_picture(weighed, proof),
        evidence=_evidence_picture(proof, causes, sorted(_came_with_it(weighing.model)), about),
        record=record_of(weighed, causes, teller.tell),
    )


def _still_open(weighed: WeighedCase) -> float:
    return max(0.0, 1.0 - weighed.weighing.advice.cured)


def _car(case: Case, unit: DistanceUnit) -> tuple[tuple[str, str], ...]:
    car = case.car
    rows = [
        (_("Make and model"), f"{car.make} {car.model}"),
        (_("Engine"), _("{it} ({count} cylinders)", it=car.engine_code or "", count=case.layout.count).strip()),
        (_("Model year"), "" if car.model_year is None else str(car.model_year)),
        (_("VIN"), car.vin or ""),
        (_("Distance"), distance_words(car.distance_km, unit)),
    ]
    return tuple((name, value) for name, value in rows if value)


def _complaint(case: Case) -> Iterable[Fact]:
    told = tuple(event.id for event in case.effective if event.body.kind == "told")
    for words in case.story.words:
        yield Fact(_("You said: “{words}”", words=words.strip()), told)
    lamp = (
        [] if case.story.lamp is None else [(_("The engine lamp was {lamp}.", lamp=LAMP_WORDS[case.story.lamp]), told)]
    )
    signs = [*lamp, *_first_codes(case)]
    if signs:
        yield Fact(" ".join(words for words, _ in signs), tuple(event for _, events in signs for event in events))


def _first_codes(case: Case) -> list[tuple[str, tuple[str, ...]]]:
    """What the first saved evidence held, and its event."""
    for event in case.effective:
        if isinstance(event.body, Snapshot):
            stored = [code.strip().upper() for code in (*event.body.stored, *event.body.pending)]
            return (
                [(_("The car had stored {listed}.", listed=listed(list(dict.fromkeys(stored)))), (event.id,))]
                if stored
                else []
            )
    return []


def _first_decision(weighed: WeighedCase) -> FirstDecision:
    rules = weighed.safety.rules
    known = weighed.knowledge.cautions
    return FirstDecision(
        weighed.safety.verdict,
        tuple(rule.owner for rule in rules),
        tuple(rule.do for rule in rules),
        tuple(dict.fromkeys(known[name].text for rule in rules for name in rule.cautions if name in known)),
    )


def _cause_words(causes: Causes, standing: tuple[CauseFact, ...]) -> Iterable[Fact]:
    """What was wrong, in the order in which an owner asks: what failed, what stands behind it, how sure."""
    for victim in causes.victims:
        now = _("It has been renewed.") if victim.renewed else _("It is still in the car.")
        yield Fact(_("What failed: {plain} Place: {place}. {now}", plain=victim.plain, place=victim.place, now=now))
    shown = causes.shown
    if shown is not None:
        lead = _("The cause") if shown.state == "removed" else _("The cause, which still stands")
        yield Fact(
            _(
                "{lead}: {plain} Place: {place}. How sure: {chance_words}.",
                lead=lead,
                plain=shown.plain,
                place=shown.place,
                chance_words=shown.chance_words,
            ),
            tuple(each.event for each in shown.evidence if each.decibans > 0)[:3],
        )
        return
    if standing:
        yield Fact(
            _("What let this happen is not proven. Still open:")
            if causes.victims
            else _("No cause is proven. Still open:")
        )
    else:
        yield Fact(_("No single cause stands out."))


def _how_we_know(
    weighed: WeighedCase, causes: Causes, standing: tuple[CauseFact, ...], proof: Proof, teller: Teller
) -> Iterable[Fact]:
    """What speaks most for the cause shown, tests first; then what stood out in tests, and what the owner told.

    Counts before and after the work stand under the proof and are not said twice.
    """
    counted = {event for readings in (proof.before, proof.after) if readings is not None for event in readings.events}
    weighty = () if causes.shown is None else causes.shown.evidence
    speaking = [each.event for each in weighty if each.decibans > 0 and each.event not in counted]
    tests = [event for event in speaking if isinstance(teller.by_id[event].body, Found)]
    grounds = dict.fromkeys((*tests, *speaking, *_stood_out(weighed)))
    yield from (Fact(teller.tell(event), (event,)) for event in list(grounds)[:MOST_GROUNDS])
    model = weighed.weighing.model
    asked = [*standing, *((causes.shown,) if causes.shown is not None else ())]
    telling = {story.answer for cause in asked for story in model.entry(cause.cause).story if story.factor > 1.0}
    for event in weighed.case.effective:
        if isinstance(event.body, Told):
            for answer in event.body.answers:
                if answer in telling and weighed.case.story.answers[answer] == "yes":
                    yield Fact(_("You said yes to: {ask}", ask=weighed.knowledge.questions[answer].ask), (event.id,))


def _stood_out(weighed: WeighedCase) -> list[str]:
    """Tests that did not end in their least striking outcome, the most striking first."""
    ranked = []
    for event in weighed.case.effective:
        if isinstance(event.body, Found):
            judged = weighed.read.judgements.get(event.id)
            outcome = event.body.outcome or (None if judged is None else judged.outcome)
            order = [each.id for each in weighed.knowledge.tests[event.body.test].outcomes]
            if outcome in order[1:]:
                ranked.append((-order.index(outcome) / (len(order) - 1), event.id))
    return [event_id for _, event_id in sorted(ranked)]


def _done(case: Case, teller: Teller) -> Iterable[Fact]:
    for event in case.effective:
        body = event.body
        if isinstance(body, Renewed | Repaired | Reseated):
            yield Fact(teller.done(event), (event.id,))
        elif isinstance(body, Erased):
            yield Fact(_("The fault codes were erased, after we had saved them."), (event.id, body.saved))
    looked = [event.id for event in case.effective if event.body.kind in ("found", "counted", "drove")]
    if looked:
        yield Fact(
            _(
                "We tested and read {looked} times; our record lists it all."
                if len(looked) > 1
                else "We tested and read {looked} time; our record lists it all.",
                looked=len(looked),
            )
        )


def _not_done(case: Case, standing: tuple[CauseFact, ...], knowledge: Knowledge) -> Iterable[Fact]:
    if case.closing is not None:
        for words in case.closing.not_done:
            yield Fact(sentence(words), (_closing_id(case),))
    for event in case.effective:
        if isinstance(event.body, SetAside):
            name, __, place = event.body.step.partition(" at ")
            entry = knowledge.repairs.get(name) or knowledge.tests.get(name)
            what = event.body.step if entry is None else f"{entry.name}{f' ({place_said(place)})' if place else ''}"
            yield Fact(
                _("Set aside: {what} ({WHY_WORDS}).", what=sentence(what)[:-1], WHY_WORDS=WHY_WORDS[event.body.why]),
                (event.id,),
            )
    tests = list(dict.fromkeys(name for cause in standing for name in cause.untested))
    if tests:
        yield Fact(_("Not tested: {listed}.", listed=listed([small_first(name) for name in tests])))


def _closing_id(case: Case) -> str:
    return next(event.id for event in reversed(case.effective) if event.body.kind == "closed")


def _moved(weighed: WeighedCase) -> Iterable[Fact]:
    moves = [event for event in weighed.case.effective if isinstance(event.body, Moved)]
    if not moves:
        return
    ids = tuple(event.id for event in moves)
    if not weighed.ledger.put_back:
        yield Fact(_("Parts that we swapped for testing are back in their own places."), ids)
        return
    for part in weighed.ledger.put_back:
        name = small(weighed.knowledge.parts[part.kind].name)
        mark = _(" (mark: {mark})", mark=part.mark) if part.mark else ""
        now, home = ("-".join(map(str, place)) for place in (part.now, part.home))
        yield Fact(
            _(
                "Still swapped: the {name} of cylinder {home} sits in cylinder {now}{mark}.",
                name=name,
                home=home,
                now=now,
                mark=mark,
            ),
            ids,
        )


def _old_parts(weighed: WeighedCase) -> Iterable[Fact]:
    for each in weighed.ledger.replaced:
        name = small(weighed.knowledge.parts[each.kind].name)
        at, home = ("-".join(map(str, place)) for place in (each.at, weighed.ledger.fitment.home[each.old][1]))
        came = (
            ""
            if home == at or weighed.ledger.fitment.is_new(each.old)
            else _(" (it had come in cylinder {home})", home=home)
        )
        yield Fact(
            _("Old {name} of cylinder {at}{came}: {old_part}.", name=name, at=at, came=came, old_part=_(each.old_part)),
            (each.event,),
        )


def _watch(causes: Causes, standing: tuple[CauseFact, ...], cured: bool, knowledge: Knowledge) -> Iterable[Fact]:
    if not cured:
        asked: list[CauseFact | VictimFact] = [*standing, *causes.victims]
        yield from (Fact(words) for words in dict.fromkeys(cause.watch for cause in asked) if words)
    flashing = next((rule for rule in knowledge.triage.values() if "flashing" in rule.lamp), None)
    if flashing is not None:
        yield Fact(_("If the lamp flashes: {owner}", owner=small_first(flashing.owner)))
    if not cured:
        yield Fact(_("If the lamp comes on again, do not have the codes erased before we have read them."))


def _look_again(weighed: WeighedCase, now: datetime) -> Iterable[Fact]:
    """Each look once, with all its distances; what is bound to a day with its day."""
    looks = follow_up(weighed, now.date(), KM_A_MONTH)
    for what in dict.fromkeys(look.what for look in looks):
        same = [look for look in looks if look.what == what]
        km = [count_words(look.after_km) for look in same if look.after_km is not None]
        when = (
            _("after {listed} km", listed=listed(km))
            if km
            else _("about {day}", day=date_words(datetime.combine(same[0].on, time(), now.tzinfo)))
        )
        yield Fact(f"{what}: {when}.")


def _cautions(weighed: WeighedCase, checks: Fact | None) -> Iterable[Fact]:
    if not shown_cured(weighed):
        for rule in weighed.safety.rules:
            if "flashing" not in rule.lamp and rule.verdict != "with-care":
                yield Fact(rule.owner)
    if checks is not None:
        yield checks


def _engine_picture(weighed: WeighedCase, proof: Proof) -> Picture:
    model = weighed.weighing.model
    everywhere = model.knowledge.model.complaint.unit == "engine"
    units = () if everywhere else _came_with_it(model)
    complaint = frozenset(number for unit in units for number in model.units[unit])
    by_cylinder = model.knowledge.model.complaint.unit == "cylinder"
    shown = (proof.before or proof.after) if by_cylinder else None
    changed = tuple(part for part in weighed.ledger.sitting if part.is_new or part.at != part.home)
    ledger = replace(weighed.ledger, sitting=changed)
    svg = engine_svg(weighed.case.layout, ledger, _misfires(shown), complaint=complaint, name="handover")
    marked = listed([_("cylinder {number}", number=number) for number in sorted(complaint)]) or _("no cylinder")
    return Picture(svg, _("The engine from above, front at the top. Marked: {marked}.", marked=marked))


def _came_with_it(model: Model) -> frozenset[int]:
    """The units that had the complaint when the car came, so not one that a bad part was swapped into.

    Seen in codes or counts before anything was moved, renewed or repaired; if none was, all that were seen later.
    """
    seen: set[int] = set()
    for happening in model.history:
        match happening:
            case history.Driven() | history.Moved() | history.Renewed() | history.Reseated() | history.Repaired():
                break
            case history.Returned():
                break
            case history.Coded(units=units):
                seen |= units
            case history.Counted(bad=bad, out_of=out_of):
                is_seen = model.knowledge.model.complaint.is_seen
                seen |= {n for n, count in bad.items() if is_seen(count, out_of[n])}
    return frozenset(seen) & model.complaint or model.complaint


def _misfires(readings: Readings | None) -> Misfires | None:
    if readings is None:
        return None
    most = max(count.firings for count in readings.counts)
    return Misfires({count.cylinder: count.misfires for count in readings.counts}, most)


def _evidence_picture(proof: Proof, causes: Causes, units: list[int], about: Complaint) -> Picture | None:
    """Before and after when both were read; else how likely each cause is; else the counts as it came."""
    missed = proof.before is not None and any(count.misfires for count in proof.before.counts)
    if proof.before is not None and proof.after is not None and missed:
        return before_after_picture(proof.before, proof.after, units, about, worked=proof.worked)
    drawn = sorted((*causes.removed, *causes.open), key=lambda cause: -cause.chance)[:MOST_DRAWN]
    if drawn:
        return likely_picture(drawn)
    if proof.before is None or not missed:
        return None
    return before_after_picture(proof.before, None, units, about, worked=False)
