"""How the case ended, told from its state and from what stands against that state: headline, what may come back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from firstcause.casebook.events import ClosingState, Linked
from firstcause.casebook.lives import odometer_of
from firstcause.casebook.prospects import prospects_of
from firstcause.casebook.weighing import WeighedCase
from firstcause.handover.causes import VICTIM_MARK, Causes
from firstcause.handover.facts import CauseFact, Fact, Proof, VictimFact
from firstcause.handover.plainly import DistanceUnit, about_distance, chance_figure, listed, span_words
from firstcause.reasoning.verdict import STILL_THERE, Objection
from firstcause.tongue import N_, Said, _, small

CAME_BACK = "came-back"
_HEADLINES: Mapping[str, tuple[str, str]] = Said(
    {
        "cured": (
            "The cause is gone, and this was proven.",
            "We found what made the engine {does}, removed it, and showed on a test that {trouble} is gone.",
        ),
        "relieved": (
            "{Trouble} is gone for now. Its cause is still there.",
            "This is relief, not a cure. What made it {does} can bring it back. A cure is not proven.",
        ),
        "declined": (
            "The fault is still there. You decided against the repair.",
            "We tell you what we found and what it may lead to. You can come back to it at any time.",
        ),
        "not-found": (
            "We did not find the cause.",
            "Nothing is proven. What we tested and what we could not test is written here. "
            "So nothing has to be done twice.",
        ),
        "referred": (
            "The fault is still there. Another workshop should go on.",
            "We hand over what we found, so that they can start where we stopped.",
        ),
        "open": ("The work is not finished.", "This is what we know so far."),
    }
)
_NOT_PROVEN = N_(
    (
        "Closed as cured, but the record does not prove it.",
        "Take it that {trouble} can come back. What stands against it is listed here.",
    )
)
_NOT_RELIEVED = N_(
    (
        "Closed as relieved, but the last reading still shows {bad}.",
        "It was still there when we last counted. What stands against it is listed here.",
    )
)
_CAME_BACK = N_(
    (
        "It was gone when we closed, but {trouble} came back.",
        "The car came back to us with it. So the cause was still there, or another one like it.",
    )
)
_CLAIMS: tuple[ClosingState, ...] = ("cured", "relieved")
_VICTIM_RENEWED = N_(
    "This is relief, not a cure. A cure is not proven. "
    "The part that failed was spoilt by something else, and that still stands."
)


def against_closing(weighed: WeighedCase) -> tuple[Objection, ...]:
    """The objections that a closing as cured or relieved cannot stand against; none for any other state.

    A workshop cannot record `cured` against a hard objection, but a case from a file or another workshop may hold it,
    and a car that came back speaks against it afterwards.
    """
    then = [each for state in _CLAIMS if state == weighed.case.state for each in weighed.objections[state] if each.hard]
    return (*then, *_came_back(weighed))


def _came_back(weighed: WeighedCase) -> tuple[Objection, ...]:
    if weighed.case.state not in _CLAIMS:
        return ()
    return tuple(
        Objection(
            CAME_BACK,
            _("After {driven_km:,.0f} km the car came back with it (case {case}).", driven_km=body.driven_km,
              case=body.case),
            hard=True,
        )
        for body in weighed.case.bodies(Linked)
        if body.relation == "later" and body.complaint == "back"
    )  # fmt: skip


def shown_cured(weighed: WeighedCase) -> bool:
    """Whether the case is closed as cured and nothing hard stands against that."""
    return weighed.case.state == "cured" and not against_closing(weighed)


def headline_of(weighed: WeighedCase, causes: Causes) -> tuple[str, str]:
    """The first line of the papers and what it means, never more than the record shows."""
    words = weighed.knowledge.model.complaint.words
    said = {"does": words.does, "bad": words.bad, "trouble": words.trouble}
    said["Trouble"] = words.trouble[:1].upper() + words.trouble[1:]
    headline, meaning = (_(each) for each in _headline_of(weighed, causes))
    return headline.format(**said), meaning.format(**said)


def _headline_of(weighed: WeighedCase, causes: Causes) -> tuple[str, str]:
    state, against = weighed.case.state, against_closing(weighed)
    if any(each.code == CAME_BACK for each in against):
        return _CAME_BACK
    if state == "cured" and against:
        return _NOT_PROVEN
    if state == "relieved" and any(each.code == STILL_THERE for each in against):
        return _NOT_RELIEVED
    headline, meaning = _HEADLINES[state]
    if state == "relieved" and against:
        return N_("Closed as relieved, but nothing was counted that shows it."), meaning
    if state == "relieved" and any(victim.renewed for victim in causes.victims):
        return headline, _VICTIM_RENEWED
    return headline, meaning


def returns(
    weighed: WeighedCase, causes: Causes, standing: tuple[CauseFact, ...], proof: Proof, unit: DistanceUnit
) -> Iterable[Fact]:
    """What may come back and when: only where something still stands."""
    if shown_cured(weighed):
        still_open = max(0.0, 1.0 - weighed.weighing.advice.cured)
        trouble = weighed.knowledge.model.complaint.words.trouble
        yield Fact(
            _(
                "We do not expect it back. The chance that some cause of {trouble} is still there is {chance_figure}.",
                trouble=trouble,
                chance_figure=chance_figure(still_open),
            )
        )
        return
    yield from _when(weighed, causes, standing, proof, unit)
    spoilt = {victim.name for victim in causes.victims}
    entries = [weighed.weighing.model.entry(cause.cause) for cause in standing]
    ruined = [
        weighed.knowledge.faults[ruin].name.removesuffix(_(VICTIM_MARK)) for entry in entries for ruin in entry.ruins
    ]
    names = [small(name) for name in dict.fromkeys(ruined) if name not in spoilt]
    if names:
        yield Fact(_("Left as it is, it can also lead to: {names}.", names=listed(names)))


def _when(
    weighed: WeighedCase, causes: Causes, standing: tuple[CauseFact, ...], proof: Proof, unit: DistanceUnit
) -> Iterable[Fact]:
    """When it may come back: a span only where it is gone for now and the knowledge base gives one."""
    case = weighed.case
    latest, complaint = proof.after or proof.before, weighed.weighing.model.complaint
    counts = [] if latest is None else [count for count in latest.counts if count.cylinder in complaint]
    is_seen = weighed.knowledge.model.complaint.is_seen
    misses = any(is_seen(count.misfires, count.firings) for count in counts) or any(
        each.code == STILL_THERE for each in against_closing(weighed)
    )
    if any(each.code == CAME_BACK for each in against_closing(weighed)):
        yield Fact(_("It has come back."))
        return
    if misses or case.state not in ("cured", "relieved", "not-found"):
        yield Fact(_("It is still there and can get worse at any time."))
        return
    seen = _from_this_car(weighed, unit)
    if seen:
        yield from seen
        return
    spans: dict[tuple[int, int], list[str]] = {}
    behind: tuple[CauseFact | VictimFact, ...] = (*causes.victims, *standing)
    for cause in behind:
        if cause.returns_after_km is not None:
            spans.setdefault(cause.returns_after_km, []).append(cause.name)
    for (first, last), names in spans.items():
        at = about_distance(case.car.distance_km + last, unit)
        yield Fact(
            _(
                "{it} back after {span_words}, so before about {at} in all.",
                it=_("Expect it") if case.state == "relieved" else _("It may come"),
                span_words=span_words(first, last, unit),
                at=at,
            ),
            (),
            _("knowledge base, judgement, for: {listed}", listed=listed([small(name) for name in names])),
        )
    if not spans:
        yield Fact(_("It may come back at any time, and we cannot say when."))


def _from_this_car(weighed: WeighedCase, unit: DistanceUnit) -> list[Fact]:
    """When it may be back where this very car has shown how long the part lasts; empty where it has shown nothing."""
    prospects = prospects_of(weighed)
    limit, odometer = weighed.knowledge.model.closing.open_parent_at_most, odometer_of(weighed.case)
    found = []
    for each in prospects.standing:
        if each.cause in prospects.own_lives and each.life is not None and each.chance > limit:
            first, last = (max(1, round(each.life.left_km(share, each.running_km))) for share in (0.1, 0.9))
            found.append(
                Fact(
                    _(
                        "{it} back after {span_words}, so before about {at} in all.",
                        it=_("Expect it") if weighed.case.state == "relieved" else _("It may come"),
                        span_words=span_words(first, last, unit),
                        at=about_distance(odometer + last, unit),
                    ),
                    tuple(e.id for e in weighed.case.effective if isinstance(e.body, Linked)),
                    _("in this very car {seen}; for: {name}", seen=prospects.own_lives[each.cause], name=each.name),
                )
            )
    return found[:2]
