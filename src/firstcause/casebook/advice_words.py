"""The advice in sentences: what else an opening is good for, what is not to be had and its price, the owner's limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from firstcause.casebook.words import WHY_WORDS
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.aside import Waiting
from firstcause.reasoning.choice import Advice, Also, Forgone, NowOrLater, Option, WhatIf
from firstcause.reasoning.lookahead import Thought
from firstcause.reasoning.saying import in_words
from firstcause.reasoning.spending import Budget
from firstcause.reasoning.steps import Step
from firstcause.tongue import _, small

Money = Callable[[float], str]
NOTHING_MUCH = 0.5
MOST_NAMED = 3


def plain_money(amount: float) -> str:
    """An amount without its currency."""
    return f"{amount:,.0f}"


def step_words(step: Step) -> str:
    """A step by its name and place."""
    where = "" if str(step.place) == "engine" or step.kind in ("swap", "refer") else f" ({step.place.said()})"
    return f"{step.name}{where}"


def also_words(also: Also, option: Option, money: Money = plain_money) -> str:
    """A further look on the same card: what it costs more while all is open, and after which outcomes it pays."""
    more = _("{minutes:.0f} min more, about {money}", minutes=also.minutes, money=money(also.price))
    if also.always:
        return _("{step_words}: {more}; whatever the first look shows", step_words=step_words(also.step), more=more)
    names = [small(look.name) for look in option.fan if look.outcome in also.after]
    return _("{step_words}: {more}; if {listed}", step_words=step_words(also.step), more=more, listed=_or(names))


def forgone_words(forgone: Forgone, knowledge: Knowledge, money: Money = plain_money) -> str:
    """What is set aside or cannot be done, why, and what that costs."""
    why = WHY_WORDS.get(forgone.aside.why, "") if forgone.aside.why else ""
    tool = forgone.aside.tool
    what = _("the tool {tool!r}", tool=tool) if tool else _named(forgone, knowledge)
    costs = (
        _("the expected bill is about {money} higher", money=money(forgone.rise))
        if forgone.rise >= NOTHING_MUCH
        else _("the expected bill is no higher as things stand")
    )
    others = [step_words(step).lower() for step in forgone.steps if step.key != forgone.name]
    if tool:
        return _(
            "Without {what}, asked for by {shortened}, {costs}.", what=what, shortened=_shortened(others), costs=costs
        )
    because = f", {why}" if why else ""
    along = (
        _(", and with it {shortened}", shortened=_shortened(others))
        if others and len(others) < len(forgone.steps)
        else ""
    )
    return _("Without {what}{because}{along}, {costs}.", what=what, because=because, along=along, costs=costs)


def _shortened(names: Sequence[str]) -> str:
    """The first few, and how many there are besides."""
    more = len(names) - MOST_NAMED
    return _and(names) if more <= 0 else _("{listed} and {more} more", listed=", ".join(names[:MOST_NAMED]), more=more)


def _named(forgone: Forgone, knowledge: Knowledge) -> str:
    own = next((step for step in forgone.steps if step.key == forgone.name), None)
    if own is not None:
        return step_words(own).lower()
    entry = knowledge.tests.get(forgone.name) or knowledge.repairs.get(forgone.name)
    return small(entry.name) if entry is not None else forgone.name


def waiting_words(waiting: Waiting) -> str:
    """A step that would spoil others, and what must come first."""
    first = _and([step_words(step).lower() for step in waiting.first])
    return _(
        "{step_words} waits: it would spoil what {first} can still show.",
        step_words=step_words(waiting.step),
        first=first,
    )


def timing_words(timing: NowOrLater, money: Money = plain_money) -> str:
    """Look now, after the best repair has failed, or never."""
    now, later, never = (money(amount) for amount in (timing.now, timing.after_the_repair, timing.never))
    look, repair = step_words(timing.look).lower(), step_words(timing.repair).lower()
    better = _("Looking first is better") if timing.look_now else _("Looking first does not pay")
    return _(
        "{better}: {look} now {now}; {repair} first and the look only if that was not it {later}; never {never}.",
        better=better,
        look=look,
        now=now,
        repair=repair,
        later=later,
        never=never,
    )


def budget_words(budget: Budget, money: Money = plain_money) -> list[str]:
    """The owner's limit: what is left, what the limit costs, and when to ask again."""
    agreed, used = (
        _("The owner agreed to {money}", money=money(budget.limit)),
        _("about {money}", money=money(budget.spent)),
    )
    said = [
        _("{agreed}; {used} is used up, {money} is left.", agreed=agreed, used=used, money=money(budget.left))
        if budget.left >= 0.0
        else _(
            "{agreed}; the work done comes to {used}, {money} more than that.",
            agreed=agreed,
            used=used,
            money=money(-budget.left),
        )
    ]
    if budget.more >= NOTHING_MUCH:
        said.append(
            _(
                "Within the limit the best step is: {step_words}. Keeping to the limit is expected "
                "to cost {money} more in the end.",
                step_words=step_words(budget.best_within),
                money=money(budget.more),
            )
        )
    if budget.ask == "now":
        said.append(_("Ask the owner now: {over}", over=_over(budget)))
    elif budget.ask == "before-the-repair":
        said.append(_("Ask the owner again before the repair: {over}", over=_over(budget)))
    else:
        said.append(_("Every repair in question is within it."))
    return said


def _over(budget: Budget) -> str:
    if budget.chance_over < 0.01:
        return _("the next step passes what is left.")
    chance = in_words(budget.chance_over)
    return _("with a chance of {chance} the repair that this car needs costs more than what is left.", chance=chance)


def over_limit_words(option: Option, money: Money = plain_money) -> str:
    """The mark of a step that would pass the owner's limit."""
    return (
        _("{money} over the owner's limit: ask first", money=money(option.over_limit))
        if option.over_limit > 0.0
        else ""
    )


def what_if_words(what_if: WhatIf, money: Money = plain_money) -> list[str]:
    """Something else than what is proposed: what it costs over the best, and what speaks against it."""
    name, more = step_words(what_if.option.step), what_if.more
    if more < NOTHING_MUCH:
        said = [
            _(
                "{name}: as good as anything in the list (about {money} in all).",
                name=name,
                money=money(what_if.option.expected_cost),
            )
        ]
    else:
        said = [
            _(
                "{name}: about {money} more than the best step ({money2} in all, {minutes:.0f} min).",
                name=name,
                money=money(more),
                money2=money(what_if.option.expected_cost),
                minutes=what_if.option.step.minutes,
            )
        ]
    if what_if.aside is not None:
        said.append(
            _("It was set aside: {it}.", it=WHY_WORDS.get(what_if.aside.why, what_if.aside.why) or what_if.aside.step)
        )
    if what_if.spoils:
        said.append(
            _(
                "It would spoil what {listed} can still show.",
                listed=_and([step_words(s).lower() for s in what_if.spoils]),
            )
        )
    if what_if.option.over_limit > 0.0:
        said.append(_("It is {over_limit_words}.", over_limit_words=over_limit_words(what_if.option, money)))
    return said


def thought_words(thought: Thought, advice: Advice, money: Money = plain_money) -> str:
    """Where the thinking stands: the best step so far, what its course costs, and what could still be saved."""
    option = next((o for o in advice.options if o.step.key == thought.best.key), advice.best)
    far = (
        _("Thought through")
        if thought.finished
        else _("Thought {swept} of {to_sweep} outcomes through", swept=thought.swept, to_sweep=thought.to_sweep)
    )
    return _(
        "{far}: begin with {step_words}; a course that can be named costs about {money}. "
        "Thinking longer could still save at most {money2}.",
        far=far,
        step_words=step_words(option.step).lower(),
        money=money(thought.best.upper),
        money2=money(thought.could_save),
    )


def _and(names: Sequence[str]) -> str:
    return _(" and ").join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def _or(names: Sequence[str]) -> str:
    return _(" or ").join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)
