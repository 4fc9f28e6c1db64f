"""What a drive says to the case: the chance of a cure before it and after it, and how much more is needed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from firstcause.casebook.case import Case, replay
from firstcause.casebook.events import Closed, Drove, Event
from firstcause.casebook.history import read_for_weighing
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.counts import chance_at_work
from firstcause.reasoning.exact import Engine, Extra
from firstcause.reasoning.verdict import removed_causes
from firstcause.reasoning.weigh import TOLERANCE
from firstcause.tongue import _, small

SURE_ENOUGH = (0.8, 0.9, 0.95, 0.99)
LONGEST_HOURS = 12.0  # beyond this nobody drives to prove a repair: judgement


@dataclass(frozen=True, slots=True)
class Cured:
    """`probability`: a cause that was removed had been there, and none that can make the complaint is left.

    `removed`: the first half alone; `nothing_left`: the second. `open_cause` is the likeliest that may be left.
    """

    probability: float
    removed: float
    nothing_left: float
    open_cause: str | None
    open_probability: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


def cured_now(model: Model) -> Cured:
    """The chance of a cure as the case stands: both halves in one weighing, for they depend on each other."""
    engine = Engine(model.network, TOLERANCE)
    belief = engine.posterior().probability
    removed, live = removed_causes(model), model.live_roots
    none_removed, none_left, neither = (
        float(each)
        for each in engine.with_extras(
            [Extra(dict.fromkeys(causes, 0.0)) for causes in (removed, live, (*removed, *live))], []
        )[0]
    )
    worst = max(live, key=lambda cause: belief[cause], default=None)
    return Cured(
        probability=min(1.0, max(0.0, none_left - neither)),
        removed=min(1.0, max(0.0, 1.0 - none_removed)),
        nothing_left=min(1.0, max(0.0, none_left)),
        open_cause=None if worst is None else f"{model.entry(worst).name} ({model.place_now(worst)})",
        open_probability=0.0 if worst is None else belief[worst],
    )


@dataclass(frozen=True)
class DriveEffect:
    """This drive as a finding. `after` is None when nobody counted, for then the drive is not weighed.

    `would_have_shown`: chance that so much driving shows the removed fault, were it still there. `more`: for each
    chance of a cure, the minutes more of the same driving, quiet, that would reach it (None: not within 12 hours).
    """

    before: Cured
    after: Cured | None
    fault: str | None
    would_have_shown: float | None
    more: tuple[tuple[float, float | None], ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {
            "before": self.before.to_dict(),
            "after": None if self.after is None else self.after.to_dict(),
            "fault": self.fault,
            "would_have_shown": self.would_have_shown,
            "more": [{"cured_at_least": wanted, "minutes_more": minutes} for wanted, minutes in self.more],
        }

    def sentences(self) -> list[str]:
        """In plain words, most important first."""
        if self.after is None:
            return [
                _(
                    "Cured with {of_100} as the case stands. The drive changes nothing in that: nobody "
                    "counted misfires on it.",
                    of_100=_of_100(self.before.probability),
                )
            ]
        said = [
            _(
                "Cured with {of_100} after this drive, {of_1002} before it: a cause that was removed "
                "had been there, and none is left that makes this complaint.",
                of_100=_of_100(self.after.probability),
                of_1002=_of_100(self.before.probability),
            )
        ]
        if self.after.removed == 0.0:
            said = [_("Nothing was repaired in this case yet, so nothing can be cured; the drive counts as a reading.")]
        if self.after.open_cause is not None:
            said.append(
                _(
                    "The likeliest that may be left: {open_cause}, {of_100}.",
                    open_cause=self.after.open_cause,
                    of_100=_of_100(self.after.open_probability),
                )
            )
        if self.fault is not None and self.would_have_shown is not None:
            said.append(
                _(
                    "Were {fault} still there, so much driving would show it in {of_100}.",
                    fault=small(self.fault),
                    of_100=_of_100(self.would_have_shown),
                )
            )
        for wanted, minutes in self.more:
            said.append(
                _(
                    "{minutes:.0f} min more of the same driving, quiet, would make it {of_100}.",
                    minutes=minutes,
                    of_100=_of_100(wanted),
                )
                if minutes is not None
                else _(
                    "No amount of such driving within {LONGEST_HOURS:.0f} hours makes it {of_100}: it "
                    "needs another finding.",
                    LONGEST_HOURS=LONGEST_HOURS,
                    of_100=_of_100(wanted),
                )
            )
        return said


def _of_100(share: float) -> str:
    """A share as so many in 100; never 0 or 100, for a model is never that sure."""
    return (
        _("{min:.1f} in 100", min=min(max(100 * share, 0.1), 99.9))
        if share > 0.99 or share < 0.01
        else _("{it:.0f} in 100", it=100 * share)
    )


def drive_effect(case: Case, knowledge: Knowledge, drove: Drove, log_sha256: str | None = None) -> DriveEffect:
    """Weigh the case without and with this drive, and with longer ones. The case is taken as it stood before a drive
    of the same recording, if it holds one.

    Raises a CaseError for a count that cannot be.
    """
    case = _before(case, log_sha256)
    model = _model(case, knowledge)
    before = cured_now(model)
    counted = bool(drove.misfires)
    after = cured_now(_model(case, knowledge, drove)) if counted else None
    removed = removed_causes(model)
    belief = Engine(model.network, TOLERANCE).posterior().probability
    likely = max((c for c in removed if model.entry(c).behaviour), key=lambda cause: belief[cause], default=None)
    behaviour = None if likely is None else model.entry(likely).behaviour
    quiet = counted and not any(drove.misfires.values())
    return DriveEffect(
        before,
        after,
        None if likely is None else model.entry(likely).name,
        None if behaviour is None else chance_at_work(behaviour, drove.minutes),
        tuple(_more(case, knowledge, drove, after)) if quiet and after is not None and after.removed > 0 else (),
    )


def _model(case: Case, knowledge: Knowledge, drove: Drove | None = None) -> Model:
    if drove is not None:
        case = replay((*case.events, Event(id=case.next_id, at=case.events[-1].at, body=drove)))
    return compile_model(knowledge, case.facts, read_for_weighing(case, knowledge).history)


def _before(case: Case, log_sha256: str | None) -> Case:
    """The case up to, not including, the first drive of this recording, and opened again where it was closed."""
    if case.closing is not None:
        last = max(place for place, event in enumerate(case.events) if isinstance(event.body, Closed))
        case = replay(case.events[:last])
    for place, event in enumerate(case.events):
        if log_sha256 is not None and isinstance(event.body, Drove) and event.body.log_sha256 == log_sha256:
            return replay(case.events[:place])
    return case


def _more(case: Case, knowledge: Knowledge, drove: Drove, after: Cured) -> list[tuple[float, float | None]]:
    """For the next two levels not reached: the fewest minutes more, found to a twentieth by halving."""
    watched = sum(drove.minutes.values())
    if watched <= 0:
        return []
    most = max(1.0, LONGEST_HOURS * 60 / watched)

    def chance(times: float) -> float:
        return cured_now(_model(case, knowledge, _longer(drove, times))).probability

    found: list[tuple[float, float | None]] = []
    for wanted in [level for level in SURE_ENOUGH if level > after.probability][:2]:
        low, high = 1.0, 2.0
        while high < most and chance(high) < wanted:
            low, high = high, 2 * high
        if high >= most and chance(most) < wanted:
            found.append((wanted, None))
            break
        high = min(high, most)
        while high - low > 0.05 * low:
            middle = (low + high) / 2
            low, high = (low, middle) if chance(middle) >= wanted else (middle, high)
        found.append((wanted, watched * (high - 1.0)))
    return found


def _longer(drove: Drove, times: float) -> Drove:
    """The same driving for so many times as long, still quiet."""
    minutes = {region: much * times for region, much in drove.minutes.items()}
    firings = None if drove.firings is None else round(drove.firings * times)
    return drove.model_copy(update={"minutes": minutes, "firings": firings})
