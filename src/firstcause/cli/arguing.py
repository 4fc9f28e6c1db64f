"""The explanations as text: what moved a suspect, what would change the mind, why not another one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from firstcause.cli.output import bar, heading, line
from firstcause.reasoning.saying import CAUTION, HIGH, decibans, in_words, one_in

TURNS_SHOWN = 3
WORTH_SAYING = 0.02
GONE = " (there before, cured since by what was done)"


def print_suspects(result: Mapping[str, Any], anything_weighed: bool, most: int = 8) -> None:
    """Suspects, most probable first, with what moved them; then the victims."""
    heading("Suspects")
    suspects = result["suspects"]
    if not suspects:
        line("None above 1 in 100." if anything_weighed else "None yet: record what the car says, or what you found.")
    for suspect in suspects[:most]:
        share = suspect["probability"]
        click.echo(f"  {bar(share)} {in_words(share):>15}  {suspect['name']} ({suspect['where']})")
        line(f"from {one_in(suspect['start_probability'])}: {way(suspect['evidence'])}", 40)
    for victim in result["victims"]:
        line(
            f"A result, not a cause: {victim['name'].lower()} ({victim['where']}), {in_words(victim['probability'])}. "
            "What may stand behind it: "
            + ("; ".join(f"{b['name']}, {in_words(b['probability'])}" for b in victim["behind"]) or "nothing known")
            + "."
        )
    if suspects:
        line(
            "dB: decibans, each finding's fair share of the way from where the fault stood before any finding (how "
            "frequent it is) to now; 10 make the odds ten times as high, 3 twice."
        )
    if any(suspect["probability"] >= HIGH for suspect in suspects):
        line(f"! {CAUTION}")


def way(evidence: Sequence[Mapping[str, Any]]) -> str:
    """`e3 +15 dB, e4 +12 dB, e5 and e6 together -1 dB`, in order of the story; what rounds to nothing is left out."""
    said = [
        f"{_events(piece['events'])} {decibans(piece['decibans'])}"
        for piece in evidence
        if abs(piece["decibans"]) >= 0.5
    ]
    return ", ".join(said) or "nothing found so far moved it"


def _events(events: Sequence[str]) -> str:
    if len(events) == 1:
        return events[0]
    return f"{', '.join(events[:-1])} and {events[-1]} together"


def print_mind(result: Mapping[str, Any]) -> None:
    """For the leading suspects: which one finding would make them fall or settle them."""
    names = {suspect["cause"]: f"{suspect['name']} ({suspect['where']})" for suspect in result["suspects"]}
    shares = {suspect["cause"]: suspect["probability"] for suspect in result["suspects"]}
    if result["state"] != "open" or not result["change_of_mind"]:
        return
    heading("What would change my mind")
    for mind in result["change_of_mind"]:
        line(f"{names[mind['cause']]}")
        limit = in_words(mind["limit"])
        _print_turns("would make it fall", mind["falls"], "No single finding would make it fall.")
        _print_turns(f"would settle it ({limit} or more)", mind["settles"], "No single finding would settle it.")
        line(instead_words(mind, shares[mind["cause"]]), 4)


def instead_words(told: Mapping[str, Any], share: float) -> str:
    """Who else it is, and what is known of the part or place as a whole where that is more than of this fault."""
    said = [f"{r['name']}, {in_words(r['probability'])}{GONE if r['gone'] else ''}" for r in told["instead"][:3]]
    words = f"If it is not this one, then: {'; '.join(said) or 'nothing in particular'}."
    if told["any_here"] < share + WORTH_SAYING:
        return words
    return f"{words} That something is wrong with the same part or place stands at {in_words(told['any_here'])}."


def _print_turns(words: str, turns: Sequence[Mapping[str, Any]], none: str) -> None:
    if not turns:
        line(none, 4)
        return
    line(f"{words[0].upper()}{words[1:]}:", 4)
    for turn in turns[:TURNS_SHOWN]:
        line(turn_words(turn), 6)
    if len(turns) > TURNS_SHOWN:
        line(f"and {len(turns) - TURNS_SHOWN} more (--json has them all)", 6)


def turn_words(turn: Mapping[str, Any]) -> str:
    """One finding that would change the mind: its chance, its minutes, and what one would believe then."""
    place = "" if turn["place"] == "engine" else f", {turn['place']}"
    return (
        f"{turn['name']}{place}: “{turn['outcome_name']}” (chance {in_words(turn['chance'])}, "
        f"{turn['minutes']:.0f} min) -> {in_words(turn['probability_then'])}"
    )


def print_why_not(told: Mapping[str, Any], leading: str) -> None:
    """The case against one cause: how rare it is, what speaks against it, who else it is, what it would take."""
    heading(f"Why not {told['name'][0].lower()}{told['name'][1:]}?")
    share = told["probability"]
    line(f"It stands at {one_in(share)}.")
    if not told["able"]:
        line("It cannot make this complaint where it was seen.")
    line(f"Before any finding it stood at {one_in(told['start_probability'])}: so frequent is it in such a car.")
    against = [piece for piece in told["evidence"] if piece["decibans"] <= -0.5]
    line(f"Against it: {way(against)}." if against else "No finding speaks against it.")
    if speaking := [piece for piece in told["evidence"] if piece["decibans"] >= 0.5]:
        line(f"For it: {way(speaking)}.")
    line(instead_words(told, share))
    turns = told["would_take"]
    if not turns:
        line(
            "It leads already." if told["cause"] == leading else "No test of the knowledge base would bring it further."
        )
        return
    line("What would have to be found, one after the other:")
    for turn in turns:
        line(turn_words(turn), 4)
    line(f"Chance of finding all of it: {one_in(told['would_take_chance'])}.")
