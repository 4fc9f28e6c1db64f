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

Money = Callable[[float], str]
NOTHING_MUCH = 0.5
MOST_NAMED = 3


def plain_money(amount: float) -> str:
    """An amount without its currency."""
    return f"{amount:,.0f}"


def step_words(step: Step) -> str:
    """A step by its name and place."""
    where = "" if str(step.place) == "engine" or step.kind in ("swap", "refer") else f" ({step.place})"
    return f"{step.name}{where}"


def also_words(also: Also, option: Option, money: Money = plain_money) -> str:
    """A further look on the same card: what it costs more while all is open, and after which outcomes it pays."""
    more = f"{also.minutes:.0f} min more, about {money(also.price)}"
    if also.always:
        return f"{step_words(also.step)}: {more}; whatever the first look shows"
    names = [look.name.lower() for look in option.fan if look.outcome in also.after]
    return f"{step_words(also.step)}: {more}; if {_or(names)}"


def forgone_words(forgone: Forgone, knowledge: Knowledge, money: Money = plain_money) -> str:
    """What is set aside or cannot be done, why, and what that costs."""
    why = WHY_WORDS.get(forgone.aside.why, "") if forgone.aside.why else ""
    tool = forgone.aside.tool
    what = f"the tool {tool!r}" if tool else _named(forgone, knowledge)
    costs = (
        f"the expected bill is about {money(forgone.rise)} higher"
        if forgone.rise >= NOTHING_MUCH
        else "the expected bill is no higher as things stand"
    )
    others = [step_words(step).lower() for step in forgone.steps if step.key != forgone.name]
    if tool:
        return f"Without {what}, asked for by {_shortened(others)}, {costs}."
    because = f", {why}" if why else ""
    along = f", and with it {_shortened(others)}" if others and len(others) < len(forgone.steps) else ""
    return f"Without {what}{because}{along}, {costs}."


def _shortened(names: Sequence[str]) -> str:
    """The first few, and how many there are besides."""
    more = len(names) - MOST_NAMED
    return _and(names) if more <= 0 else f"{', '.join(names[:MOST_NAMED])} and {more} more"


def _named(forgone: Forgone, knowledge: Knowledge) -> str:
    own = next((step for step in forgone.steps if step.key == forgone.name), None)
    if own is not None:
        return step_words(own).lower()
    entry = knowledge.tests.get(forgone.name) or knowledge.repairs.get(forgone.name)
    return entry.name.lower() if entry is not None else forgone.name


def waiting_words(waiting: Waiting) -> str:
    """A step that would spoil others, and what must come first."""
    first = _and([step_words(step).lower() for step in waiting.first])
    return f"{step_words(waiting.step)} waits: it would spoil what {first} can still show."


def timing_words(timing: NowOrLater, money: Money = plain_money) -> str:
    """Look now, after the best repair has failed, or never."""
    now, later, never = (money(amount) for amount in (timing.now, timing.after_the_repair, timing.never))
    look, repair = step_words(timing.look).lower(), step_words(timing.repair).lower()
    better = "Looking first is better" if timing.look_now else "Looking first does not pay"
    return f"{better}: {look} now {now}; {repair} first and the look only if that was not it {later}; never {never}."


def budget_words(budget: Budget, money: Money = plain_money) -> list[str]:
    """The owner's limit: what is left, what the limit costs, and when to ask again."""
    agreed, used = f"The owner agreed to {money(budget.limit)}", f"about {money(budget.spent)}"
    said = [
        f"{agreed}; {used} is used up, {money(budget.left)} is left."
        if budget.left >= 0.0
        else f"{agreed}; the work done comes to {used}, {money(-budget.left)} more than that."
    ]
    if budget.more >= NOTHING_MUCH:
        said.append(
            f"Within the limit the best step is: {step_words(budget.best_within)}. Keeping to the limit is expected to "
            f"cost {money(budget.more)} more in the end."
        )
    if budget.ask == "now":
        said.append(f"Ask the owner now: {_over(budget)}")
    elif budget.ask == "before-the-repair":
        said.append(f"Ask the owner again before the repair: {_over(budget)}")
    else:
        said.append("Every repair in question is within it.")
    return said


def _over(budget: Budget) -> str:
    if budget.chance_over < 0.01:
        return "the next step passes what is left."
    chance = in_words(budget.chance_over)
    return f"with a chance of {chance} the repair that this car needs costs more than what is left."


def over_limit_words(option: Option, money: Money = plain_money) -> str:
    """The mark of a step that would pass the owner's limit."""
    return f"{money(option.over_limit)} over the owner's limit: ask first" if option.over_limit > 0.0 else ""


def what_if_words(what_if: WhatIf, money: Money = plain_money) -> list[str]:
    """Something else than what is proposed: what it costs over the best, and what speaks against it."""
    name, more = step_words(what_if.option.step), what_if.more
    if more < NOTHING_MUCH:
        said = [f"{name}: as good as anything in the list (about {money(what_if.option.expected_cost)} in all)."]
    else:
        said = [
            f"{name}: about {money(more)} more than the best step ({money(what_if.option.expected_cost)} in all, "
            f"{what_if.option.step.minutes:.0f} min)."
        ]
    if what_if.aside is not None:
        said.append(f"It was set aside: {WHY_WORDS.get(what_if.aside.why, what_if.aside.why) or what_if.aside.step}.")
    if what_if.spoils:
        said.append(f"It would spoil what {_and([step_words(s).lower() for s in what_if.spoils])} can still show.")
    if what_if.option.over_limit > 0.0:
        said.append(f"It is {over_limit_words(what_if.option, money)}.")
    return said


def thought_words(thought: Thought, advice: Advice, money: Money = plain_money) -> str:
    """Where the thinking stands: the best step so far, what its course costs, and what could still be saved."""
    option = next((o for o in advice.options if o.step.key == thought.best.key), advice.best)
    far = "Thought through" if thought.finished else f"Thought {thought.swept} of {thought.to_sweep} outcomes through"
    return (
        f"{far}: begin with {step_words(option.step).lower()}; a course that can be named costs about "
        f"{money(thought.best.upper)}. Thinking longer could still save at most {money(thought.could_save)}."
    )


def _and(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def _or(names: Sequence[str]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)
