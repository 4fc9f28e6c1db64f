"""What could be done next, each with its price and what it would settle: repairs, a test, watching, handing on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import takewhile
from math import inf, isfinite

from firstcause.casebook.case import Case
from firstcause.casebook.events import Agreed, SetAside
from firstcause.casebook.people import Person
from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.words import WHY_WORDS
from firstcause.handover.causes import place_of
from firstcause.handover.ending import shown_cured
from firstcause.handover.facts import Authorisation, OptionFact
from firstcause.handover.plainly import chance_figure, moment_words, money_words, place_words
from firstcause.reasoning.choice import Option
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.steps import Step, Terms, open_now, repair_steps
from firstcause.tongue import Said, _, small
from firstcause.vehicle.layout import EngineLayout

MOST_REPAIRS = 3
_SAID_PRICE = re.compile(r"\babout (\d[\d,]*)")  # as a set-aside step notes what was said


def options_of(weighed: WeighedCase, currency: str, labour_per_hour: float | None) -> tuple[OptionFact, ...]:
    """The repairs that reach an open cause (also those the owner declined, and said so), the best test, the rest.

    None for a case shown to be cured.
    """
    if shown_cured(weighed):
        return ()
    model, belief = weighed.weighing.model, weighed.weighing.belief
    terms = Terms.of(weighed.knowledge, labour_per_hour)
    found = [*_repairs(weighed, terms, currency)]
    test = next((option for option in _ranked(weighed) if option.step.kind in ("test", "swap")), None)
    if (
        test is not None
        and any(belief[cause] >= _worth_offering(weighed) for cause in model.live_roots)
        and weighed.case.state not in ("declined", "referred")
    ):
        found.append(_test(test, weighed.case.layout, terms, currency))
    found.append(_watching())
    if weighed.case.state in ("not-found", "referred"):
        found.append(_handing_on(terms, currency))
    return tuple(found)


def price_ground(weighed: WeighedCase, currency: str, labour_per_hour: float | None) -> str:
    """On what the prices stand."""
    terms = Terms.of(weighed.knowledge, labour_per_hour)
    whose = _("usual rate of the knowledge base") if labour_per_hour is None else _("this shop's rate")
    return _(
        "Prices: usual minutes at {money_words} an hour ({whose}) and the usual price of "
        "such parts, before tax. A first estimate, no offer: no work is done without your "
        "yes.",
        money_words=money_words(terms.labour_per_hour, currency),
        whose=whose,
    )


def _ranked(weighed: WeighedCase) -> list[Option]:
    return [option for option in weighed.weighing.advice.options if isfinite(option.expected_cost)]


def _worth_offering(weighed: WeighedCase) -> float:
    """A cause is offered work for from the share at which it keeps a case from being called cured."""
    return weighed.knowledge.model.closing.open_parent_at_most


def _repairs(weighed: WeighedCase, terms: Terms, currency: str) -> list[OptionFact]:
    model, belief = weighed.weighing.model, weighed.weighing.belief
    likely = [cause for cause in model.live_roots if belief[cause] >= _worth_offering(weighed)]
    offers: list[tuple[float, OptionFact]] = []
    for step in repair_steps(model, terms, open_now(model)):
        reached = sorted((c for c in likely if _reaches(model, step, c)), key=lambda c: -belief[c])
        if not reached:
            continue
        names = [f"{small(model.entry(c).name)}, {chance_figure(belief[c])}" for c in reached[:2]]
        worth = sum(belief[c] * _chance_to_cure(model, step, c) for c in reached)
        offers.append(
            (worth, _repair(weighed, step, _("Helps if it is: {listed}.", listed="; ".join(names)), terms, currency))
        )
    course = {option.step.key: option.expected_cost for option in _ranked(weighed)}
    offers.sort(key=lambda offer: (bool(offer[1].set_aside), course.get(offer[1].key, inf), -offer[0]))
    chosen = [fact for _, fact in offers if not fact.set_aside][:MOST_REPAIRS]
    return [*chosen, *(fact for _, fact in offers if fact.set_aside)]


def _chance_to_cure(model: Model, step: Step, cause: str) -> float:
    repair, entry = model.knowledge.repairs[step.what], model.entry(cause)
    if repair.renews is not None and entry.part == repair.renews:
        return 1.0
    return max((cure.chance for cure in repair.cures if cure.fault == entry.id), default=0.0)


def _reaches(model: Model, step: Step, cause: str) -> bool:
    if _chance_to_cure(model, step, cause) == 0.0:
        return False
    if step.place.kind == "engine":
        return True
    layout = model.car.layout
    here = set(layout.banks[step.place.numbers[0] - 1]) if step.place.kind == "bank" else set(step.place.numbers)
    where = place_of(model, cause)
    if where.kind == "bank":
        return step.place == where
    return where.kind != "engine" and bool(here & set(where.numbers))


def _repair(weighed: WeighedCase, step: Step, settles: str, terms: Terms, currency: str) -> OptionFact:
    repair, layout = weighed.knowledge.repairs[step.what], weighed.case.layout
    labour = terms.labour(step.minutes)
    least, most = weighed.knowledge.model.money.span_of(repair.parts_class)
    highest = None if most is None else labour + most
    return OptionFact(
        key=step.key,
        kind="repair",
        what=step.name,
        place=place_words(step.place, layout),
        minutes=step.minutes,
        labour=labour,
        lowest=labour + least,
        highest=highest,
        price_words=_price_words(weighed, step, terms, _span(labour + least, highest, currency), currency),
        settles=settles,
        set_aside=_set_aside(weighed.case, step),
        ground=_(
            "{minutes:.0f} min ({ground}), parts of class {parts_class}",
            minutes=step.minutes,
            ground=_(repair.minutes_ground),
            parts_class=repair.parts_class,
        ),
    )


def _span(lowest: float, highest: float | None, currency: str) -> str:
    if highest is None:
        return _("from {money_words}", money_words=money_words(lowest, currency))
    if highest - lowest < 1.0:
        return _("about {money_words}", money_words=money_words(lowest, currency))
    return _("{currency} {lowest:,.0f} to {highest:,.0f}", currency=currency, lowest=lowest, highest=highest)


def _set_aside(case: Case, step: Step) -> str:
    reasons = [body.why for body in case.bodies(SetAside) if body.step in (step.key, step.what)]
    return WHY_WORDS[reasons[-1]] if reasons else ""


def _price_words(weighed: WeighedCase, step: Step, terms: Terms, later: str, currency: str) -> str:
    """The price of a repair; where the owner declined a lower one because the engine stood open, both."""
    declined = [
        event
        for event in weighed.case.effective
        if isinstance(event.body, SetAside)
        and event.body.why == "owner-declined"
        and event.body.step in (step.key, step.what)
    ]
    for event in reversed(declined):
        assert isinstance(event.body, SetAside)
        said = _SAID_PRICE.search(event.body.note)
        if said is not None and _minutes_at(weighed, event.id, step, terms) < step.minutes:
            price = money_words(float(said[1].replace(",", "")), currency)
            return _("declined at about {price} while the engine was open; later {later}", price=price, later=later)
    return later


def _minutes_at(weighed: WeighedCase, event_id: str, step: Step, terms: Terms) -> float:
    """What the same repair took at that moment of the case, with what stood open then."""
    model = weighed.weighing.model
    before = {event.id for event in takewhile(lambda event: event.id != event_id, weighed.case.effective)}
    then = replace(model, history=tuple(each for each in model.history if each.id in before))
    steps = repair_steps(model, terms, open_now(then))
    return next((each.minutes for each in steps if each.key == step.key), step.minutes)


def _test(option: Option, layout: EngineLayout, terms: Terms, currency: str) -> OptionFact:
    step = option.step
    other = "" if step.other is None else _(", with cylinder {other}", other=step.other)
    return OptionFact(
        key=step.key,
        kind="test",
        what=f"{_('Look further') if step.kind == 'test' else _('Swap')}: {step.name}{other}",
        place=place_words(step.place, layout),
        minutes=step.minutes,
        labour=step.price,
        lowest=step.price,
        highest=step.price,
        price_words=_("about {money_words}", money_words=money_words(step.price, currency)),
        settles=_("Tells which of the open causes it is more likely to be."),
        set_aside="",
        ground=_(
            "{minutes:.0f} min at {money_words} an hour",
            minutes=step.minutes,
            money_words=money_words(terms.labour_per_hour, currency),
        ),
    )


def _watching() -> OptionFact:
    return OptionFact(
        key="watch and wait",
        kind="watch",
        what=_("Do nothing more now, and watch"),
        place="",
        minutes=0.0,
        labour=0.0,
        lowest=0.0,
        highest=0.0,
        price_words=_("nothing now"),
        settles=_("Leaves every open cause as it is. See what may come back."),
        set_aside="",
        ground=_("no work"),
    )


def _handing_on(terms: Terms, currency: str) -> OptionFact:
    return OptionFact(
        key="refer",
        kind="refer",
        what=_("A workshop with other means, with our record"),
        place="",
        minutes=0.0,
        labour=0.0,
        lowest=terms.refer_out,
        highest=terms.refer_out,
        price_words=_("often about {money_words}", money_words=money_words(terms.refer_out, currency)),
        settles=_("They set their own price and plan."),
        set_aside="",
        ground=_("usual figure of the knowledge base, judgement"),
    )


_HOW = Said({"signature": "signed", "spoken": "said", "message": "written message"})


def authorisations_of(case: Case, people: Mapping[str, Person]) -> tuple[Authorisation, ...]:
    """What the owner agreed to, in order."""
    found = []
    for event in case.effective:
        body = event.body
        if isinstance(body, Agreed):
            person = people.get(body.person or "")
            who = person.name if person is not None and person.name else (body.person or _("the owner"))
            limit = (
                _("no limit named")
                if body.limit is None
                else _("up to {money_words}", money_words=money_words(body.limit, body.currency))
            )
            found.append(Authorisation(event.id, moment_words(event.at), _HOW[body.by], who, body.work, limit))
    return tuple(found)


def limits_of(case: Case) -> tuple[str, ...]:
    """The limits agreed, added up by currency."""
    return tuple(money_words(amount, currency) for currency, amount in sorted(case.agreed_limits.items()))
