"""One cause to argue about, as a page shows it: its way so far, what would change the mind, who else, what it takes."""

from __future__ import annotations

from dataclasses import dataclass

from firstcause.casebook.explaining import cause_words, happening_words, rival_words, turn_words
from firstcause.casebook.reasons_drawing import way_svg
from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.words import holder_words
from firstcause.errors import RequestError
from firstcause.reasoning.because import Piece
from firstcause.reasoning.change_of_mind import Mind, Turn
from firstcause.reasoning.saying import HIGH, decibans, percent, share
from firstcause.tongue import _

TURNS_SHOWN = 5
MORE_THAN_ITSELF = 0.02


@dataclass(frozen=True)
class PieceView:
    """One row beside the picture: what happened, its share, and where the suspect would stand without it."""

    words: str
    event: str
    weight: str
    without: str


@dataclass(frozen=True)
class TurnView:
    """One finding that would change the mind; `key` names the step that could bring it."""

    key: str
    step: str
    outcome: str
    chance: str
    minutes: str
    then: str


@dataclass(frozen=True)
class ArgumentView:
    """Everything the page of one cause shows."""

    cause: str
    name: str
    plain: str
    where: str
    shown: str
    high: bool
    victim: bool
    able: bool
    start: str
    picture: str
    pieces: tuple[PieceView, ...]
    limit: str
    falls: tuple[TurnView, ...]
    settles: tuple[TurnView, ...]
    strongest: tuple[TurnView, ...]
    """where nothing settles it or makes it fall: the findings that would move it furthest"""
    rivals: tuple[str, ...]
    any_here: str
    takes: tuple[TurnView, ...]
    takes_chance: str
    leads: bool
    behind: tuple[str, ...]
    watch: str


def argument_view(cause: str, weighed: WeighedCase) -> ArgumentView:
    """The argument about one cause that stands in the car now. Raises RequestError when it does not (any more)."""
    weighing, model = weighed.weighing, weighed.weighing.model
    if cause not in model.current.values():
        raise RequestError(f"{cause!r} is no cause in this case as it stands now. Nothing was weighed. Choose another.")
    entry, told = model.entry(cause), weighing.why_not(cause)
    mind = weighing.mind(cause) if cause in model.live_roots else None
    behind = next((suspect.behind for suspect in weighing.victims if suspect.cause == cause), ())
    whole = told.instead.any_here
    return ArgumentView(
        cause=cause,
        name=entry.name,
        plain=entry.plain,
        where=holder_words(model.facts[cause].holder, weighed.knowledge),
        shown=share(told.reasons.now),
        high=told.reasons.now >= HIGH,
        victim=entry.kind == "victim",
        able=told.able,
        start=share(told.reasons.start),
        picture=way_svg(
            _("What moved: {cause_words}", cause_words=cause_words(cause, weighed)),
            told.reasons,
            lambda happenings: happening_words(happenings, weighed.case, weighed),
        ),
        pieces=tuple(_piece(piece, weighed) for piece in told.reasons.pieces),
        limit=percent(model.knowledge.model.closing.cause_at_least),
        falls=() if mind is None else _turns(mind.falls, weighed),
        settles=() if mind is None else _turns(mind.settles, weighed),
        strongest=() if mind is None else _strongest(mind, weighed),
        rivals=tuple(rival_words(rival, weighed) for rival in told.instead.rivals[:TURNS_SHOWN]),
        any_here=percent(whole) if whole >= told.reasons.now + MORE_THAN_ITSELF else "",
        takes=_turns(told.asked.turns, weighed),
        takes_chance=share(told.asked.chance),
        leads=bool(weighing.roots) and weighing.roots[0].cause == cause,
        behind=tuple(f"{cause_words(parent, weighed)}: {percent(p)}" for parent, __, p in behind),
        watch=entry.watch,
    )


def _piece(piece: Piece, weighed: WeighedCase) -> PieceView:
    side = "" if abs(piece.decibans) < 0.5 else _(" for") if piece.decibans > 0 else _(" against")
    event = piece.happenings[0] if len(piece.happenings) == 1 else ""
    words = happening_words(piece.happenings, weighed.case, weighed)
    return PieceView(words, event, f"{decibans(piece.decibans)}{side}", share(piece.without))


def _turns(turns: tuple[Turn, ...], weighed: WeighedCase) -> tuple[TurnView, ...]:
    return tuple(_turn(turn, weighed) for turn in turns)


def _turn(turn: Turn, weighed: WeighedCase) -> TurnView:
    step = turn.sight.step
    place = "" if str(step.place) == "engine" or step.kind == "swap" else f", {step.place.said()}"
    return TurnView(
        step.key,
        f"{step.name}{place}",
        turn.sight.name[:1].upper() + turn.sight.name[1:],
        percent(turn.sight.chance),
        f"{step.minutes:.0f} min",
        turn_words(turn, weighed),
    )


def _strongest(mind: Mind, weighed: WeighedCase) -> tuple[TurnView, ...]:
    """What can be had where nothing settles it (`high`) or makes it fall (`low`)."""
    wanted = [] if mind.falls else [mind.low]
    wanted += [] if mind.settles or mind.now >= mind.limit else [mind.high]
    return tuple(_turn(turn, weighed) for turn in wanted if turn is not None)


def choices(weighed: WeighedCase) -> list[tuple[str, str]]:
    """Every cause that one may name: (cause, its words), in the order of the words."""
    named = {cause: cause_words(cause, weighed) for cause in weighed.weighing.model.current.values()}
    return sorted(named.items(), key=lambda pair: pair[1].lower())
