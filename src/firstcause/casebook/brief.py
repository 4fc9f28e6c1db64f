"""What happened in two or three words, for a line that shows a whole case at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from firstcause.casebook.events import (
    Agreed,
    Attached,
    Body,
    Closed,
    Corrected,
    Counted,
    Drove,
    Erased,
    Estimated,
    Found,
    Invoiced,
    Linked,
    Moved,
    Noted,
    Opened,
    Renewed,
    Reopened,
    Repaired,
    Reported,
    Reseated,
    SetAside,
    Snapshot,
    Told,
    Withdrawn,
)
from firstcause.casebook.words import LAMP_WORDS, STATE_WORDS, unit_words
from firstcause.knowledge.base import Knowledge
from firstcause.tongue import Said, _

MOST_WORDS = 34  # letters
ORIGINS = Said({"new": "new", "used": "used", "lent": "lent", "its-own": "its own"})


def brief(body: Body, knowledge: Knowledge) -> str:
    """`P0303`, `cylinder 3: 180`, `coil 3 ↔ 2`: what a technician looks for when glancing back. Never raises."""
    return _cut(_BRIEF[type(body)](body, knowledge), MOST_WORDS)


def _cut(words: str, most: int) -> str:
    return words if len(words) <= most else words[: max(0, most - 2)].rstrip(" ,;:") + " …"


def _told(body: Told, knowledge: Knowledge) -> str:
    said = [_("lamp {lamp}", lamp=LAMP_WORDS[body.lamp])] if body.lamp else []
    said += [_("smell of fuel")] if body.fuel_smell else []
    said += [_("{km:g} km a week", km=body.usual_week.km)] if body.usual_week else []
    return ", ".join(said) if said else body.words.strip() or _("the owner's answers")


def _snapshot(body: Snapshot, knowledge: Knowledge) -> str:
    codes = dict.fromkeys((*body.stored, *body.pending, *body.permanent))
    return ", ".join(codes) if codes else _("no code")


def _counts(body: Counted | Drove, knowledge: Knowledge) -> str:
    complaint = knowledge.model.complaint
    bad = sorted(((count, n) for n, count in body.misfires.items() if count), reverse=True)
    if not body.misfires:
        return complaint.words.unread
    if not bad:
        return complaint.words.unseen
    worst = f"{unit_words(bad[0][1], complaint)}: {bad[0][0]}"
    return worst if len(bad) == 1 else _("{worst}, {more} more", worst=worst, more=len(bad) - 1)


def _found(body: Found, knowledge: Knowledge) -> str:
    test = knowledge.tests.get(body.test)
    if body.outcome is None and body.value is not None:
        seen = f"{body.value:g} {body.unit or ''}".strip()
    else:
        seen = body.outcome or ""
        if test is not None:
            seen = next((outcome.name for outcome in test.outcomes if outcome.id == body.outcome), seen)
    name = body.test.replace("-", " ") if test is None else test.name.partition(" (")[0]
    return f"{_cut(name, MOST_WORDS - 2 - len(seen))}: {seen}"  # what was seen matters more than the test's full name


def _repaired(body: Repaired, knowledge: Knowledge) -> str:
    known = knowledge.repairs.get(body.repair)
    return body.repair.replace("-", " ") if known is None else known.name


_BRIEF: Mapping[type, Callable[[Any, Knowledge], str]] = {
    Opened: lambda b, k: _("taken in"),
    Told: _told,
    Snapshot: _snapshot,
    Counted: _counts,
    Drove: lambda b, k: _("driven: {counts}", counts=_counts(b, k)),
    Found: _found,
    Moved: lambda b, k: f"{_(b.part)} {b.first} ↔ {b.second}",
    Renewed: lambda b, k: _(
        "{origin} {part} {cylinder}", origin=ORIGINS[b.origin], part=_(b.part), cylinder=b.cylinder
    ),
    Reseated: lambda b, k: _("{part} {cylinder} off and on", part=_(b.part), cylinder=b.cylinder),
    Repaired: _repaired,
    Erased: lambda b, k: _("codes erased"),
    Estimated: lambda b, k: _("estimate: {job}", job=b.job),
    Agreed: lambda b, k: _("agreed: {work}", work=b.work),
    Invoiced: lambda b, k: _("invoice {number}", number=b.number),
    SetAside: lambda b, k: _("aside: {step}", step=b.step.partition(" at ")[0].replace("-", " ")),
    Attached: lambda b, k: b.about or b.name,
    Noted: lambda b, k: b.words.strip(),
    Linked: lambda b, k: f"{_('was here in') if b.relation == 'earlier' else _('came back in')} {b.case}",
    Reported: lambda b, k: f"{b.source} {b.number}",
    Withdrawn: lambda b, k: _("{event} withdrawn", event=b.event),
    Corrected: lambda b, k: _("{event} corrected", event=b.event),
    Closed: lambda b, k: STATE_WORDS[b.state].partition(":")[0],
    Reopened: lambda b, k: _("reopened"),
}
