"""Whether a case may be called cured: relief is not cure, and a quiet idle is no proof."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from firstcause.reasoning.compiled import Model
from firstcause.reasoning.counts import chance_at_work
from firstcause.reasoning.exact import Engine, Extra
from firstcause.reasoning.history import Coded, Counted, Found, Moved, Region, Renewed, Repaired, Returned
from firstcause.reasoning.saying import percent
from firstcause.tongue import _, small

STRONG_PROOF = 0.95
STILL_THERE = "still-there"
CAME_BACK = "came-back"


@dataclass(frozen=True)
class Objection:
    """A reason against a closing state; while a hard one stands the casebook does not close in that state."""

    code: str
    words: str
    settle: str = ""
    hard: bool = False


def removed_causes(model: Model) -> tuple[str, ...]:
    """Roots that a renewal or repair of this case took away (as they stood before it)."""
    now = set(model.current.values())
    grown_from = {parent for cause in model.network.causes if cause.id in now for parent, __ in cause.parents}
    repaired = any(isinstance(happening, Repaired | Renewed) for happening in model.history)
    if not repaired:
        return ()
    gone = []
    for cause in model.network.causes:
        if cause.id in now or "#" in cause.id or model.entry(cause.id).kind == "victim":
            continue
        holder = model.facts[cause.id].holder
        left_the_car = holder in model.fitment.home and model.fitment.where(holder) is None
        if left_the_car or (cause.id in grown_from and _was_repaired(model, cause.id)):
            gone.append(cause.id)
    return tuple(gone)


def removed_since_return(model: Model) -> tuple[str, ...]:
    """Of the removed causes, those that still stood when the car last came back: what went before did not end it."""
    stood = model.came_back_with
    return tuple(cause for cause in removed_causes(model) if stood is None or cause in stood)


def _was_repaired(model: Model, cause_id: str) -> bool:
    fault = model.facts[cause_id].fault
    return any(
        isinstance(happening, Repaired)
        and any(cure.fault == fault for cure in model.knowledge.repairs[happening.repair].cures)
        for happening in model.history
    )


def quiet_since_change(model: Model) -> dict[Region, float] | None:
    """What was watched by region without the complaint where it sat, since the last change; None if it came.

    A car that came back after it was quiet: quiet readings prove nothing then, until something is changed.
    """
    minutes: dict[Region, float] | None = {}
    for happening in model.history:
        if isinstance(happening, Moved | Renewed | Repaired):
            minutes = {}
        elif isinstance(happening, Coded | Returned):
            minutes = None
        elif isinstance(happening, Counted) and minutes is not None:
            counts = [(happening.out_of.get(n, 0), happening.bad.get(n, 0)) for n in model.complaint]
            if any(out_of and model.knowledge.model.complaint.is_seen(bad, out_of) for out_of, bad in counts):
                minutes = None
                continue
            for region, watched in happening.watched.items():
                minutes[region] = minutes.get(region, 0.0) + watched
    return minutes


def not_reproduced(model: Model) -> Region | None:
    """The condition in which the code was stored, if the complaint was never counted here nor watched for in it.

    Common practice, no source: what a code tells and the shop has not seen is looked for where the freeze frame saw it,
    before the car is given up.
    """
    region = None
    for happening in model.history:
        if isinstance(happening, Coded):
            region = happening.region
        elif isinstance(happening, Counted):
            is_seen = model.knowledge.model.complaint.is_seen
            seen = any(is_seen(bad, happening.out_of.get(n, 0)) for n, bad in happening.bad.items())
            if seen or happening.watched.get(region or "", 0.0) > 0.0:
                region = None
    return region


def chance_removed(model: Model, engine: Engine) -> float:
    """Chance that at least one of the causes removed here was there: their joint, for they exclude each other.

    Of a car that came back, only what was removed since then counts.
    """
    removed = removed_since_return(model)
    if not removed:
        return 0.0
    none_of_them, __ = engine.with_extras([Extra(dict.fromkeys(removed, 0.0))], [])
    return min(1.0, max(0.0, 1.0 - float(none_of_them[0])))


def objections(model: Model, belief: Mapping[str, float], removed: float, state: str) -> list[Objection]:
    """What speaks against closing the case in this state; `removed` as `chance_removed` gives it."""
    found: list[Objection] = []
    quiet = quiet_since_change(model)
    if state in ("cured", "relieved"):
        found += _proof_missing(model, belief, quiet)
    if state == "cured":
        found += _open_causes(model, belief)
        found += _cause_not_shown(model, removed)
    if state in ("referred", "not-found") and (region := not_reproduced(model)) is not None:
        where = model.knowledge.model.complaint.condition(region)
        assert where is not None
        words = _(
            "A code tells of it, it was not seen here, and nobody has looked where it was stored: {name}.",
            name=where.name,
        )
        found.append(Objection("not-reproduced", words, _("Take a reading there: {name}.", name=where.name)))
    if lent := model.fitment.lent():
        names = ", ".join(_("{serial} at {name}", serial=serial, name=_name(now)) for serial, now in lent)
        found.append(
            Objection(
                "lent-parts",
                _("Parts of another car still sit here: {names}.", names=names),
                _("Give them back and fit what this car needs, or sell them with it."),
            )
        )
    away = model.fitment.away_from_home()
    if away:
        names = ", ".join(
            _("{serial} sits at {name}, came from {name2}", serial=serial, name=_name(now), name2=_name(home))
            for serial, now, home in away
        )
        found.append(
            Objection(
                "parts-away",
                _("Parts are not where they came from: {names}.", names=names),
                _("Put them back, or tell the owner in writing that the swap stays."),
            )
        )
    return found


def _name(position: tuple[str, tuple[int, ...]]) -> str:
    return f"cylinder {'-'.join(map(str, position[1]))}"


def _is_back_unchanged(model: Model) -> bool:
    """Whether the car came back and no part was renewed or place repaired after that."""
    turns = [each for each in model.history if isinstance(each, Returned | Renewed | Repaired)]
    return bool(turns) and isinstance(turns[-1], Returned)


def _proof_missing(model: Model, belief: Mapping[str, float], quiet: dict[Region, float] | None) -> list[Objection]:
    words = model.knowledge.model.complaint.words
    if quiet is None and _is_back_unchanged(model):
        return [
            Objection(
                CAME_BACK,
                _(
                    "The car came back after this case was closed, and nothing has been repaired since: "
                    "being quiet in a short reading proves no more than it did then."
                ),
                _(
                    "Find what brought it back and mend it, close the case as not found or referred, or, "
                    "if it came for something else, correct the reopening."
                ),
                hard=True,
            )
        ]
    if quiet is None:
        return [
            Objection(
                STILL_THERE,
                words.still,
                _("Find the cause first, or close the case as not found or referred."),
                hard=True,
            )
        ]
    if not any(quiet.values()):
        return [Objection("no-proof", words.unproven, words.prove, hard=True)]
    removed = removed_since_return(model)
    likely = max(removed, key=lambda cause: belief[cause], default=None)
    behaviour = model.entry(likely).behaviour if likely is not None else None
    if likely is not None and behaviour is not None:
        shown = chance_at_work(behaviour, quiet)
        if shown < STRONG_PROOF:
            return [
                Objection(
                    "weak-proof",
                    _(
                        "The quiet reading would have shown {name} in only {percent} of cases, had it still "
                        "been there.",
                        name=small(model.entry(likely).name),
                        percent=percent(shown),
                    ),
                    words.longer,
                )
            ]
    return []


def _open_causes(model: Model, belief: Mapping[str, float]) -> list[Objection]:
    limit = model.knowledge.model.closing.open_parent_at_most
    done = {happening.test for happening in model.history if isinstance(happening, Found)}
    found = []
    for cause in model.live_roots:
        if belief[cause] > limit:
            entry = model.entry(cause)
            shows = sorted(entry.shows, key=lambda shows: -sum(shows.outcomes.values()))
            tests = [shown.test for shown in shows if shown.test not in done][:2]
            names = _(" or ").join(small(model.knowledge.tests[t].name) for t in tests) or _(
                "no test in the knowledge base"
            )
            found.append(
                Objection(
                    "open-cause",
                    _(
                        "{name} ({holder}) still stands with {percent}; the limit for cured is {percent2}.",
                        name=entry.name,
                        holder=model.facts[cause].holder,
                        percent=percent(belief[cause]),
                        percent2=percent(limit),
                    ),
                    _("It would be settled by: {names}; or by its repair.", names=names),
                    hard=True,
                )
            )
    return found


def _cause_not_shown(model: Model, removed: float) -> list[Objection]:
    needed = model.knowledge.model.closing.cause_at_least
    if removed >= needed:
        return []
    since = _(" since it came back") if model.came_back_with is not None else ""
    some = bool(removed_since_return(model))
    what = (
        _("None of the causes removed{since}", since=since)
        if some
        else _("No cause has been removed{since}; nothing", since=since)
    )
    return [
        Objection(
            "cause-not-shown",
            _(
                "{what} is shown to be the one ({percent}; {percent2} is asked for).",
                what=what,
                percent=percent(removed),
                percent2=percent(needed),
            ),
            _("Say relieved or not found, or show the cause on the part that came out."),
            hard=True,
        )
    ]
