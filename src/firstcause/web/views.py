"""A weighed case as what a page shows: names, words and numbers ready for a template. No judgement is made here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from urllib.parse import quote

from firstcause.casebook.advice_words import (
    also_words,
    budget_words,
    forgone_words,
    over_limit_words,
    timing_words,
    waiting_words,
)
from firstcause.casebook.brief import brief
from firstcause.casebook.case import Case
from firstcause.casebook.doubts import conflict_words
from firstcause.casebook.drawing import Misfires, engine_svg
from firstcause.casebook.events import Attached, Counted, Drove, Event, Found, Linked, Moved, Repaired, Snapshot
from firstcause.casebook.explaining import cause_words, why_now
from firstcause.casebook.ledger import Ledger
from firstcause.casebook.readings import firings_of
from firstcause.casebook.reasons_drawing import Ray, fan_svg, strip_svg
from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.words import holder_words, opening_words, say, watched_words
from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.schema import Triage
from firstcause.reasoning.choice import Option, Outlook
from firstcause.reasoning.saying import CAUTION, HIGH, drawn, percent
from firstcause.reasoning.steps import Step
from firstcause.reasoning.weigh import Suspect
from firstcause.tongue import N_, Said, _
from firstcause.tongue import number as number_said

VERDICT_WORDS: Mapping[str, tuple[str, str]] = Said(
    {
        "stop": ("✖", "Do not start, do not drive"),
        "move-only": ("▲", "Move it only if it must be"),
        "with-care": ("◆", "May be driven gently"),
        "not-told": ("?", "Nothing was told that says whether it may be driven: ask about the lamp and the smell"),
    }
)
WORTH_A_RAY = 0.005
STRIPS = 3  # suspects with a picture in the list
MOST_RAYS, FEW_RAYS = 5, 3
OUTCOME_WORDS = 2  # suspects named after each outcome


@dataclass(frozen=True)
class SuspectView:
    """One suspect or victim in the list; the rest stands on its own page."""

    cause: str
    name: str
    where: str
    shown: str
    bar: float
    victim: bool
    strip: str = ""
    """what speaks for it and against it, as a picture in one row"""


@dataclass(frozen=True)
class OutcomeView:
    """One outcome of a step, and what it would change.

    `body` is the event that one tap records, as JSON; where counts must be typed first, `form` is the address for it.
    """

    id: str
    name: str
    says: str
    chance: str
    then: str
    then_first: str = ""
    """the same, of the first suspect only"""
    body: str = ""
    form: str = ""


@dataclass(frozen=True)
class StepView:
    """One step that could be next."""

    key: str
    kind: str
    kind_words: str
    name: str
    place: str
    how: str
    minutes: str
    price: str
    expected_cost: str
    opens: tuple[str, ...]
    tools: tuple[str, ...]
    cautions: tuple[tuple[str, str], ...]
    watched: str
    outcomes: tuple[OutcomeView, ...]
    why: str = ""
    """why it stands first"""
    fan: str = ""
    """its outcomes as a picture"""
    done: str = ""
    """for a repair: the event that says it was done, as JSON"""
    swap: tuple[str, int, int] | None = None
    """for a swap of one pair: part and the two cylinders"""
    swaps: tuple[str, ...] = ()
    """for a swap of two pairs in one drive: the events that say they are done, as JSON"""
    also: tuple[tuple[str, str], ...] = ()
    """further looks while it is open: (key, words)"""
    over_limit: str = ""
    form: str = ""
    """address of a form with numbers, where the test has them"""


@dataclass(frozen=True)
class EventView:
    """One line of the story."""

    id: str
    at: datetime
    by: str
    kind: str
    words: str
    withdrawn_by: str | None
    corrected_by: str | None
    may_withdraw: bool
    notes: tuple[str, ...] = ()
    photo: str | None = None
    brief: str = ""
    other_case: str = ""
    """the case of the same car that this line links with"""

    @property
    def gone(self) -> bool:
        """Whether it does not count."""
        return self.withdrawn_by is not None


@dataclass(frozen=True)
class RuleView:
    """One rule of the first decision; cautions as (level, text)."""

    owner: str
    do: str
    cautions: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class CaseView:
    """Everything the page of a case shows; `trouble` says why it could not be weighed, if so."""

    case_id: str
    head: str
    title: str
    state: str
    case: Case
    events: tuple[EventView, ...]
    engine: str
    safety_mark: str = ""
    safety_words: str = ""
    safety: str = "not-told"
    rules: tuple[RuleView, ...] = ()
    suspects: tuple[SuspectView, ...] = ()
    victims: tuple[SuspectView, ...] = ()
    best: StepView | None = None
    others: tuple[StepView, ...] = ()
    limit: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    standing_open: tuple[str, ...] = ()
    put_back: tuple[str, ...] = ()
    put_back_short: tuple[str, ...] = ()
    conflicts: tuple[str, ...] = ()
    caution: str = ""
    """why a high share is no proof, where one is high"""
    trouble: str = ""
    nothing_found: bool = False
    """nothing of this car was read or seen yet, so no step stands before saving the evidence"""
    counted_words: str = ""
    """what counting the complaint is called"""


KIND_WORDS: Mapping[str, str] = Said(
    {
        "test": "Look or measure",
        "swap": "Swap",
        "watch": "Watch",
        "repair": "Repair",
        "verify": "Prove",
        "refer": "Hand on",
    }
)


def case_view(
    case_id: str,
    head: str,
    case: Case,
    knowledge: Knowledge,
    weighed: WeighedCase | None,
    currency: str,
    trouble: str = "",
) -> CaseView:
    """What the page of a case shows; without a weighing only what was recorded."""
    notes: dict[str, list[str]] = {}
    for note in case.notes if weighed is None else weighed.read.notes:
        notes.setdefault(note.event, []).append(note.text)
    events = tuple(event_view(event, case, knowledge, tuple(notes.get(event.id, ()))) for event in case.events)
    drawn = engine_drawing(case_id, case, knowledge, weighed)
    words = knowledge.model.complaint.words.counted
    base = CaseView(case_id, head, case.title, case.state, case, events, drawn, trouble=trouble, counted_words=words)
    if weighed is None:
        return base
    return _with_weighing(base, weighed, currency)


def engine_drawing(
    case_id: str, case: Case, knowledge: Knowledge, weighed: WeighedCase | None, focus: int | None = None
) -> str:
    """The engine from above with its parts and the last counts; each cylinder leads to its own page."""
    return engine_svg(
        case.layout,
        None if weighed is None else weighed.ledger,
        last_misfires(case, knowledge),
        complaint=frozenset() if weighed is None else weighed.weighing.model.complaint_cylinders,
        focus=focus,
        link=lambda n: f"/cases/{case_id}/cylinder/{n}",
    )


def _with_weighing(base: CaseView, weighed: WeighedCase, currency: str) -> CaseView:
    mark, words = VERDICT_WORDS[weighed.safety.verdict]
    advice = weighed.weighing.advice
    options = [step_view(option, weighed, currency) for option in advice.options]
    best = replace(options[0], why=why_now(advice.best, advice, currency), fan=step_fan(advice.best, weighed, currency))
    high = any(suspect.probability >= HIGH for suspect in weighed.weighing.roots)
    return replace(
        base,
        safety_mark=mark,
        safety_words=words,
        safety=weighed.safety.verdict,
        nothing_found=weighed.nothing_found,
        rules=tuple(rule_view(rule, weighed.knowledge) for rule in weighed.safety.rules),
        suspects=suspect_views(weighed),
        victims=tuple(suspect_view(suspect, weighed) for suspect in weighed.weighing.victims),
        best=best,
        caution=_(CAUTION) if high else "",
        others=tuple(options[1:]),
        limit=tuple(limit_words(weighed, currency)),
        beside=tuple(beside_the_list(weighed, currency)),
        standing_open=tuple(opening_words(tuple(sorted(weighed.weighing.advice.standing_open)), weighed.knowledge)),
        put_back=put_back_words(weighed.ledger),
        put_back_short=tuple(
            _("{kind} {plus} at {plus2}", kind=_(part.kind), plus=_plus(part.home), plus2=_plus(part.now))
            for part in weighed.ledger.put_back
        ),
        conflicts=tuple(conflict_words(c, weighed.case, weighed.knowledge) for c in weighed.weighing.conflicts),
    )


def rule_view(rule: Triage, knowledge: Knowledge) -> RuleView:
    """A rule of the first decision in words."""
    known = (knowledge.cautions[name] for name in rule.cautions if name in knowledge.cautions)
    return RuleView(rule.owner, rule.do, tuple((caution.level, caution.text) for caution in known))


def suspect_view(suspect: Suspect, weighed: WeighedCase) -> SuspectView:
    """One suspect in words."""
    return SuspectView(
        suspect.cause,
        suspect.name,
        holder_words(suspect.where, weighed.knowledge),
        percent(suspect.probability),
        drawn(suspect.probability) * 100,
        suspect.kind == "victim",
    )


def suspect_views(weighed: WeighedCase) -> tuple[SuspectView, ...]:
    """The suspects, the first few with the picture of what speaks for them and against them, all on one scale."""
    roots, reasons = weighed.weighing.roots, weighed.weighing.reasons
    pictured = [suspect.cause for suspect in roots[:STRIPS] if suspect.cause in reasons]
    most = max((sum(abs(p.decibans) for p in reasons[cause].pieces) for cause in pictured), default=0.0)
    views = []
    for at, suspect in enumerate(roots):
        view = suspect_view(suspect, weighed)
        if suspect.cause in pictured and most > 0.0:
            told = strip_words(suspect.cause, weighed)
            view = replace(view, strip=strip_svg(reasons[suspect.cause], most, told, name=f"strip{at}"))
        views.append(view)
    return tuple(views)


def strip_words(cause: str, weighed: WeighedCase) -> str:
    """What speaks for a suspect and against it, by the numbers of the events."""
    pieces = [(", ".join(p.happenings), p.decibans) for p in weighed.weighing.reasons[cause].pieces]
    sides = {
        _("for it"): [events for events, weight in pieces if weight >= 0.5],
        _("against it"): [events for events, weight in pieces if weight <= -0.5],
    }
    said = "; ".join(f"{side}: {', '.join(events)}" for side, events in sides.items() if events)
    return _("Findings {said}", said=said) if said else _("No finding speaks for it or against it")


def step_view(option: Option, weighed: WeighedCase, currency: str) -> StepView:
    """One step in words, with the events that its taps record."""
    money = money_in(currency)
    step, knowledge = option.step, weighed.knowledge
    test = knowledge.tests.get(step.what) if step.kind == "test" else None
    repair = knowledge.repairs.get(step.what) if step.kind == "repair" else None
    says = {} if test is None else {outcome.id: outcome.says for outcome in test.outcomes}
    done = None if repair is None else Repaired(repair=step.what, place=str(step.place))
    number = test is not None and test.measures is not None
    return StepView(
        key=step.key,
        kind=step.kind,
        kind_words=KIND_WORDS[step.kind],
        name=step.name,
        place="" if str(step.place) == "engine" or step.kind == "swap" else step.place.said(),
        how=test.how if test is not None else "" if repair is None else repair.plain,
        minutes=f"{step.minutes:.0f} min",
        price=f"{number_said(step.price, '.0f')} {currency}",
        expected_cost=f"{number_said(option.expected_cost, '.0f')} {currency}",
        opens=tuple(opening_words(step.opens, knowledge)),
        tools=step.tools,
        cautions=tuple((c.level, c.text) for name in step.cautions if (c := knowledge.cautions.get(name)) is not None),
        watched=watched_words(dict(step.watched), knowledge.model.complaint),
        outcomes=tuple(outcome_view(look, step, says, weighed, currency) for look in option.fan),
        done="" if done is None else done.model_dump_json(),
        swap=step.moves[0] if len(step.moves) == 1 else None,
        swaps=tuple(moved.model_dump_json() for moved in moved_events(step)) if len(step.moves) > 1 else (),
        also=tuple((also.step.key, also_words(also, option, money)) for also in option.also),
        over_limit=over_limit_words(option, money),
        form=f"?kind=found&test={step.what}&place={quote(str(step.place))}" if number else "",
    )


def step_fan(option: Option, weighed: WeighedCase, currency: str) -> str:
    """The outcomes of a step as a picture, the likeliest apart, the others as one; nothing where there is only one."""
    looks = [look for look in option.fan if look.chance >= WORTH_A_RAY]
    likeliest = sorted(looks, key=lambda look: -look.chance)[:MOST_RAYS]
    named = looks if len(looks) <= MOST_RAYS + 1 else [look for look in looks if look in likeliest]
    told = slice(None) if len(named) <= FEW_RAYS else slice(1)
    rays = [
        Ray(look.chance, _capital(look.name), tuple(changes(look, weighed)[told]), _to_go(look, currency))
        for look in named
    ]
    if others := [look for look in looks if look not in named]:
        rays.append(
            Ray(sum(look.chance for look in others), _("{others} others, see the table", others=len(others)), (), "")
        )
    return fan_svg(_("What may come out: {name}", name=option.step.name), rays) if len(rays) > 1 else ""


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _to_go(look: Outlook, currency: str) -> str:
    return (
        _("about {expected_cost:.0f} {currency} to go", expected_cost=look.expected_cost, currency=currency)
        if look.expected_cost > 0
        else ""
    )


def money_in(currency: str) -> Callable[[float], str]:
    """Amounts in the shop's currency."""
    return lambda amount: f"{number_said(amount)} {currency}"


def moved_events(step: Step) -> list[Moved]:
    """What is recorded when a swap is done."""
    return [Moved(part=part, first=a, second=b, mark=_("from {a}", a=a)) for part, a, b in step.moves]


def limit_words(weighed: WeighedCase, currency: str) -> list[str]:
    """What the owner's limit means now; nothing where none was agreed."""
    budget = weighed.weighing.advice.budget
    return [] if budget is None else budget_words(budget, money_in(currency))


def beside_the_list(weighed: WeighedCase, currency: str) -> list[str]:
    """What is not to be had and its price, what must wait, now or later."""
    advice, money = weighed.weighing.advice, money_in(currency)
    said = [forgone_words(forgone, weighed.knowledge, money) for forgone in advice.forgone]
    said += [waiting_words(waiting) for waiting in advice.waiting]
    return said if advice.timing is None else [*said, timing_words(advice.timing, money)]


def outcome_view(
    look: Outlook, step: Step, says: Mapping[str, str], weighed: WeighedCase, currency: str
) -> OutcomeView:
    """One outcome: its chance, whom one would suspect then, what one would still expect to pay, and its event."""
    then = changes(look, weighed)
    cost = _to_go(look, currency)
    kind = Drove if any(_is_on_the_road(region, weighed) for region, __ in step.watched) else Counted
    body, form, name = "", "", _capital(look.name)
    if step.kind == "test":
        body = Found(test=step.what, place=str(step.place), outcome=look.outcome).model_dump_json()
    elif step.kind in ("watch", "verify") and look.outcome == "quiet":
        none = dict.fromkeys(weighed.weighing.model.units, 0)
        name += _(
            " in {watched_words}", watched_words=watched_words(dict(step.watched), weighed.knowledge.model.complaint)
        )
        body = kind(minutes=dict(step.watched), misfires=none).model_dump_json()
    elif step.kind in ("watch", "verify"):
        watched = "".join(f"&minutes-{region}={minutes:g}" for region, minutes in step.watched)
        form = f"?kind={'counted' if kind is Counted else 'drove'}{watched}"
    return OutcomeView(
        look.outcome,
        name,
        says.get(look.outcome, ""),
        percent(look.chance),
        "; ".join(part for part in (", ".join(then), cost) if part),
        then[0] if then else cost,
        body,
        form,
    )


def _is_on_the_road(region: str, weighed: WeighedCase) -> bool:
    condition = weighed.knowledge.model.complaint.condition(region)
    return condition is not None and condition.shuts == "everything"


def changes(look: Outlook, weighed: WeighedCase) -> list[str]:
    """Whom one would suspect most after an outcome, from which share now to which then."""
    belief = weighed.weighing.belief
    said = []
    for cause, then in look.suspects[:OUTCOME_WORDS]:
        now = belief.get(cause)
        shares = percent(then) if now is None else f"{percent(now)} → {percent(then)}"
        said.append(f"{cause_words(cause, weighed)} {shares}")
    return said


def event_view(event: Event, case: Case, knowledge: Knowledge, notes: tuple[str, ...]) -> EventView:
    """One line of the story; a withdrawn one stays readable."""
    body = event.body
    sha = body.sha256 if isinstance(body, Attached) and body.media_type.startswith("image/") else None
    return EventView(
        event.id,
        event.at,
        event.by,
        body.kind,
        say(body, knowledge),
        case.withdrawn.get(event.id),
        case.corrected.get(event.id),
        event.id != "e1" and event.id not in case.withdrawn and case.closing is None,
        notes,
        sha,
        brief(body, knowledge),
        body.case if isinstance(body, Linked) else "",
    )


_LISTS = (
    (N_("Stored"), "stored", "confirmed"),
    (N_("Pending"), "pending", "pending"),
    (N_("Permanent"), "permanent", "permanent"),
)


def code_lists(body: Snapshot) -> list[tuple[str, tuple[str, ...], str]]:
    """Each list of codes of a snapshot, its codes, and what an empty one means.

    Read over the wire, an empty list is `none` where some unit gave it and `not read` where none did; typed by hand
    nobody can tell the two apart.
    """
    units = [unit for unit in (body.record or {}).get("units", ()) if isinstance(unit, dict)]
    shown = []
    for title, ours, theirs in _LISTS:
        given = any(unit.get(theirs) is not None for unit in units)
        empty = _("none or not read") if body.source == "by-hand" else _("none") if given else _("not read")
        shown.append((_(title), getattr(body, ours), empty))
    return shown


def last_misfires(case: Case, knowledge: Knowledge) -> Misfires | None:
    """The last reading that counts, where it is taken cylinder by cylinder."""
    if knowledge.model.complaint.unit != "cylinder":
        return None
    readings = [e.body for e in case.effective if isinstance(e.body, Counted | Drove) and e.body.misfires]
    if not readings:
        return None
    return Misfires(readings[-1].misfires, firings_of(readings[-1], case.layout).count or None)


def put_back_words(ledger: Ledger) -> tuple[str, ...]:
    """What must go back where, one sentence a part."""
    return tuple(
        _(
            "{kind} from cylinder {plus} sits at {plus2}",
            kind=_capital(_(part.kind)),
            plus=_plus(part.home),
            plus2=_plus(part.now),
        )
        + (f" ({part.mark})" if part.mark else "")
        + _(": put it back to {plus}", plus=_plus(part.home))
        for part in ledger.put_back
    )


def _plus(numbers: tuple[int, ...]) -> str:
    return _(" and ").join(map(str, numbers))
