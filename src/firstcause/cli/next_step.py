"""What `firstcause weigh` says around the list of steps: its price and limits, something else, and thinking further."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firstcause.cli.output import heading, line, table

if TYPE_CHECKING:
    from firstcause.casebook.weighing import WeighedCase
    from firstcause.reasoning.lookahead import Thought

SAY_EVERY_S = 2.0


def read_tools(file: Path) -> frozenset[str]:
    """The tools a shop owns: one a line, empty lines and lines that begin with # left out."""
    lines = (text.strip() for text in file.read_text(encoding="utf-8").splitlines())
    return frozenset(text for text in lines if text and not text.startswith("#"))


def beside_the_list(weighed: WeighedCase) -> list[str]:
    """The owner's limit, what is not to be had, what must wait, now or later."""
    from firstcause.casebook import advice_words as words

    advice = weighed.weighing.advice
    said = [] if advice.budget is None else words.budget_words(advice.budget)
    said += [words.forgone_words(forgone, weighed.knowledge) for forgone in advice.forgone]
    said += [words.waiting_words(waiting) for waiting in advice.waiting]
    return said if advice.timing is None else [*said, words.timing_words(advice.timing)]


def print_what_if(weighed: WeighedCase, wanted: str) -> None:
    """Something else than what is proposed."""
    from firstcause.casebook.advice_words import what_if_words

    sentences = what_if_words(weighed.weighing.what_if(wanted))
    heading("Something else")
    for sentence in sentences:
        line(sentence)


def asked_dict(weighed: WeighedCase, wanted: str | None, think_s: float | None) -> dict[str, Any]:
    """The answers to what was asked beside the weighing, for programs."""
    from firstcause.reasoning.weigh import thought_dict, what_if_dict

    more: dict[str, Any] = {}
    if wanted is not None:
        more["what_if"] = what_if_dict(weighed.weighing.what_if(wanted))
    if think_s is not None:
        more["thought"] = thought_dict(last_thought(weighed, think_s, None))
    return more


def last_thought(weighed: WeighedCase, seconds: float, say: Callable[[Thought], None] | None) -> Thought:
    """Think until the time is over or nothing is left to think; `say` hears where it stands, now and then."""
    begun = said = time.monotonic()
    for thought in weighed.weighing.think():
        now = time.monotonic()
        if say is not None and now - said >= SAY_EVERY_S:
            said = now
            say(thought)
        if now - begun >= seconds:
            break
    return thought


def print_thinking(weighed: WeighedCase, seconds: float) -> None:
    """The progress of the thinking on the error stream, its result among the rest."""
    from firstcause.casebook.advice_words import thought_words

    advice = weighed.weighing.advice
    heading("Thought further")
    thought = last_thought(weighed, seconds, lambda now: click.echo(f"  {thought_words(now, advice)}", err=True))
    line(thought_words(thought, advice))
    refined = [branch for branch in thought.branches if branch.key in thought.refined]
    table(([f"{branch.upper:.0f}", branch.key] for branch in refined), right=(0,))
