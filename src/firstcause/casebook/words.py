"""A case in plain words: what happened, where a part is, what was opened. Used by every face and every paper."""

from __future__ import annotations

from collections.abc import Callable, Mapping

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
    Region,
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
from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.model_numbers import Complaint
from firstcause.tongue import N_, Said, _, language, small

STATE_WORDS: Mapping[str, str] = Said(
    {
        "open": "open",
        "cured": "cured: first cause removed and proven",
        "relieved": "relieved: symptom gone, a cause still stands",
        "declined": "declined by the owner",
        "not-found": "cause not found",
        "referred": "handed on",
    }
)
SURE_WORDS = Said({"sure": "", "fairly": " (fairly sure)", "doubtful": " (doubtful)"})
LAMP_WORDS = Said({"off": "off", "on": "on", "flashing": "flashing"})
WHY_WORDS = Said(
    {
        "no-tool": "no tool",
        "no-time": "no time",
        "owner-declined": "the owner says no",
        "not-possible": "not possible here",
        "not-sensible": "not sensible",
    }
)

ANSWER_WORDS = Said({"yes": "Yes", "no": "No", "unsure": "Unsure"})
PART_KINDS = N_(("coil", "plug", "boot", "lead", "injector", "sensor", "battery"))
"""Ids of parts that are said as words of their own."""
OLD_PARTS = N_(("kept for the owner", "not said", "new"))
"""What a form or the ledger writes where nobody said more; shown in the language spoken."""
VERDICT_WORDS = Said({"applies": "applies", "nearly": "nearly applies"})
UNITS = Said({"cylinder": "cylinder", "bank": "bank"})


def place_said(place: object) -> str:
    """A place such as `cylinder 3` in the language spoken; what is none stays as it stands."""
    kind, __, rest = str(place).partition(" ")
    return f"{UNITS[kind]} {rest}" if kind in UNITS and rest else _(str(place))


def ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 4th …"""
    if language() != "en":
        return f"{number}."
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


FITTED_HERE: Mapping[str, str] = Said({"new": "new", "used": "used", "lent": "lent"})
ORIGIN_WORDS: Mapping[str, str] = Said({"used": "used, from a scrapped car", "lent": "known good, from another car"})


def holder_words(holder: str, knowledge: Knowledge) -> str:
    """Where a cause sits, in words: `coil-3` is the coil that came in cylinder 3, `coil-new-1` the first new one."""
    kind = next((kind for kind in knowledge.parts if holder.startswith(f"{kind}-")), None)
    if kind is None:
        return place_said(holder)
    rest = holder.removeprefix(f"{kind}-")
    origin, __, number = rest.partition("-")
    if origin in FITTED_HERE:
        return f"{FITTED_HERE[origin]} {_(kind)} {number}"
    return _("{kind} from cylinder {replace}", kind=_(kind), replace=rest.replace("-", _(" and ")))


def opening_words(names: tuple[str, ...], knowledge: Knowledge) -> list[str]:
    """What must be opened, in words, the same opening at several places once."""
    places: dict[str, list[str]] = {}
    for name in names:
        access, __, place = name.partition(" ")
        places.setdefault(access, []).append(place)
    said = []
    for access, where in places.items():
        entry = knowledge.access.get(access)
        numbers = [place.rpartition(" ")[2] for place in where if place]
        kind = where[0].partition(" ")[0]
        tail = f" ({kind} {', '.join(numbers)})" if numbers else ""
        said.append(f"{access if entry is None else entry.name}{tail}")
    return said


def say(body: Body, knowledge: Knowledge) -> str:
    """What happened, in one sentence of the workshop. Never raises: an id that is not known is said as it stands."""
    return _SAY[type(body)](body, knowledge)


def region_words(region: Region, complaint: Complaint) -> str:
    """A condition in words; its id where the pack does not know it."""
    known = complaint.condition(region)
    return region.replace("-", " ") if known is None else known.name


def watched_words(watched: Mapping[Region, float], complaint: Complaint) -> str:
    """`2 min idle, 18 min steady driving`; conditions of which nothing was watched are left out."""
    measure = complaint.words.measure
    return ", ".join(
        f"{value:g} {measure} {region_words(region, complaint)}" for region, value in watched.items() if value > 0
    )


def unit_words(number: int, complaint: Complaint) -> str:
    """`cylinder 3`, `bank 1`, or `engine`."""
    return _("engine") if complaint.unit == "engine" else f"{UNITS[complaint.unit]} {number}"


def count_words(bad: Mapping[int, int], complaint: Complaint) -> str:
    """`cylinder 3: 180, cylinder 4: 1, others none`."""
    if not bad:
        return complaint.words.unread
    counted = [f"{unit_words(n, complaint)}: {count}" for n, count in sorted(bad.items()) if count]
    if not counted:
        return complaint.words.unseen
    return ", ".join(counted) + (_(", others none") if len(counted) < len(bad) else "")


def _told(body: Told, knowledge: Knowledge) -> str:
    told = body.words.strip().rstrip(".")
    said = [_("Owner: “{told}”", told=told)] if told else []
    if body.lamp is not None:
        said.append(_("Lamp {lamp}", lamp=LAMP_WORDS[body.lamp]))
    if body.fuel_smell:
        said.append(_("Smell of raw fuel"))
    if (week := body.usual_week) is not None:
        said.append(
            _(
                "Usually {starts:g} starts a week, {cold:g} of them cold, {km:g} km",
                starts=week.starts,
                cold=week.cold_starts,
                km=week.km,
            )
        )
    for question, answer in body.answers.items():
        asked = knowledge.questions.get(question)
        said.append(f"{question if asked is None else asked.ask} {ANSWER_WORDS[answer]}")
    return ". ".join(said) + "." if said else _("The owner had nothing to tell.")


def _snapshot(body: Snapshot, knowledge: Knowledge) -> str:
    lists = ((_("stored"), body.stored), (_("pending"), body.pending), (_("permanent"), body.permanent))
    said = [f"{kind} {', '.join(codes)}" for kind, codes in lists if codes]
    frame = body.freeze_frame
    if frame is not None and frame.rpm is not None:
        said.append(_("freeze frame at {rpm:g} rpm", rpm=frame.rpm))
    return _("Evidence saved: ") + ("; ".join(said) if said else _("no code")) + "."


def _found(body: Found, knowledge: Knowledge) -> str:
    test = knowledge.tests.get(body.test)
    name = body.test if test is None else test.name
    seen = body.outcome
    if test is not None and seen is not None:
        seen = next((outcome.name for outcome in test.outcomes if outcome.id == body.outcome), seen)
    number = "" if body.value is None else f"{body.value:g} {body.unit or ''}".strip()
    shown = ", ".join(part for part in (seen, number) if part)
    where = "" if body.place == "engine" else f", {place_said(body.place)}"
    under = ", ".join(
        f"{key.replace('-', ' ')} {told if isinstance(told, str) else f'{told:g}'}"
        for key, told in body.circumstances.items()
    )
    return f"{name}{where}: {shown}{SURE_WORDS[body.sure]}{f' ({under})' if under else ''}."


def _repaired(body: Repaired, knowledge: Knowledge) -> str:
    repair = knowledge.repairs.get(body.repair)
    return _(
        "Repaired: {repair} ({place}).",
        repair=body.repair if repair is None else repair.name,
        place=place_said(body.place),
    )


def _drove(body: Drove, knowledge: Knowledge) -> str:
    complaint = knowledge.model.complaint
    watched = watched_words(body.minutes, complaint) or _("no minutes noted")
    return _("Road test, {watched}: {count_words}.", watched=watched, count_words=count_words(body.misfires, complaint))


def _counted(body: Counted, knowledge: Knowledge) -> str:
    complaint = knowledge.model.complaint
    watched, counted = watched_words(body.minutes, complaint), count_words(body.misfires, complaint)
    return f"{complaint.words.counted}, {watched}: {counted}."


def _set_aside(body: SetAside, knowledge: Knowledge) -> str:
    return _("Set aside: {step} ({WHY_WORDS}).", step=body.step, WHY_WORDS=WHY_WORDS[body.why])


def _agreed(body: Agreed, knowledge: Knowledge) -> str:
    limit = "" if body.limit is None else f", {'' if body.further else _('up to ')}{body.limit:g} {body.currency}"
    more = _(" on top") if body.further and body.limit is not None else ""
    over = {"here": _(", here"), "phone": _(", by phone"), "email": _(", by e-mail"), "unsaid": ""}[body.contact]
    parts = {
        "asked-for": _(" The old parts are asked for."),
        "not-wanted": _(" The old parts are not wanted."),
        "unsaid": "",
    }
    lead = _("Further work agreed") if body.further else _("Agreed")
    return f"{lead} ({body.by}{over}): {body.work}{limit}{more}.{parts[body.old_parts]}"


def _estimated(body: Estimated, knowledge: Knowledge) -> str:
    total = sum(line.amount * line.quantity for line in body.lines if not line.warranty)
    return _(
        "Estimate: {job}, {total:.2f} {currency} before tax, {lines} line(s).",
        job=body.job,
        total=total,
        currency=body.currency,
        lines=len(body.lines),
    )


def _invoiced(body: Invoiced, knowledge: Knowledge) -> str:
    total = sum(line.amount * line.quantity for line in body.lines if not line.warranty)
    return _(
        "Invoice {number}: {total:.2f} {currency} before tax, {lines} line(s).",
        number=body.number,
        total=total,
        currency=body.currency,
        lines=len(body.lines),
    )


def _linked(body: Linked, knowledge: Knowledge) -> str:
    complaint = {
        "back": _("the complaint is back"),
        "gone": _("the complaint is not back"),
        "unsaid": _("nothing said of it"),
    }
    lead = _("The car was here before") if body.relation == "earlier" else _("The car came back")
    lives = "".join(
        _(
            "; the {part} of cylinder {cylinder} {it} {distance_km:,.0f} km",
            part=_(life.part),
            cylinder=life.cylinder,
            it=_("lasted") if life.ended else _("has lasted"),
            distance_km=life.distance_km,
        )
        for life in body.lives
    )
    return _(
        "{lead} (case {case}), {driven_km:,.0f} km between: {complaint}{lives}.",
        lead=lead,
        case=body.case,
        driven_km=body.driven_km,
        complaint=complaint[body.complaint],
        lives=lives,
    )


def _reported(body: Reported, knowledge: Knowledge) -> str:
    names = ", ".join(small(knowledge.faults[f].name) if f in knowledge.faults else f for f in body.faults)
    lead = f"{body.source.capitalize()} {body.number} {VERDICT_WORDS[body.verdict]}"
    if body.decision == "refused":
        return _("{lead}: {about}. Not let count.", lead=lead, about=body.about)
    moved = (
        _(
            " Let count: odds of {names} times {likelihood_ratio:.2g}.",
            names=names,
            likelihood_ratio=body.likelihood_ratio,
        )
        if names
        else _(" It names no cause.")
    )
    return _("{lead}: {about}.{moved} It proves nothing.", lead=lead, about=body.about, moved=moved)


def _closed(body: Closed, knowledge: Knowledge) -> str:
    despite = _(" Objections at closing: {listed}", listed=" ".join(body.despite)) if body.despite else ""
    words = f" {body.words}" if body.words else ""
    return _(
        "Closed as {STATE_WORDS}.{words}{despite}", STATE_WORDS=STATE_WORDS[body.state], words=words, despite=despite
    )


def _moved(body: Moved, knowledge: Knowledge) -> str:
    mark = _(", marked {mark!r}", mark=body.mark) if body.mark else ""
    return _(
        "Swapped: {part} of cylinder {first} with cylinder {second}{mark}.",
        part=_(body.part),
        first=body.first,
        second=body.second,
        mark=mark,
    )


def _renewed(body: Renewed, knowledge: Knowledge) -> str:
    if body.origin == "its-own":
        return _(
            "Put back: the {part} that had come out of cylinder {cylinder}.", part=_(body.part), cylinder=body.cylinder
        )
    fitted = ", ".join(part for part in (ORIGIN_WORDS.get(body.origin, ""), body.fitted) if part)
    if body.origin != "new" and body.fitted == "new":
        fitted = ORIGIN_WORDS[body.origin]
    return _(
        "Renewed: {part} of cylinder {cylinder} ({fitted}); old part {old_part}.",
        part=_(body.part),
        cylinder=body.cylinder,
        fitted=fitted,
        old_part=_(body.old_part),
    )


_SAY: Mapping[type, Callable[..., str]] = {
    Opened: lambda b, k: _(
        "Car taken in: {make} {model}, {distance_km:,.0f} km.",
        make=b.car.make,
        model=b.car.model,
        distance_km=b.car.distance_km,
    ),
    Told: _told,
    Snapshot: _snapshot,
    Counted: _counted,
    Found: _found,
    Moved: _moved,
    Renewed: _renewed,
    Reseated: lambda b, k: _(
        "Taken off and put back: {part} of cylinder {cylinder}.", part=_(b.part), cylinder=b.cylinder
    ),
    Repaired: _repaired,
    Drove: _drove,
    Erased: lambda b, k: _("Codes erased (evidence kept in {saved}).", saved=b.saved),
    Agreed: _agreed,
    Estimated: _estimated,
    Invoiced: _invoiced,
    Linked: _linked,
    Reported: _reported,
    SetAside: _set_aside,
    Attached: lambda b, k: _("File kept: {name}{it}.", name=b.name, it=f" ({b.about})" if b.about else ""),
    Noted: lambda b, k: _("Note: {words}", words=b.words),
    Withdrawn: lambda b, k: _("Withdrawn {event}: {why}", event=b.event, why=b.why),
    Corrected: lambda b, k: _("Corrected {event} ({why}). Now: {say}", event=b.event, why=b.why, say=say(b.by, k)),
    Closed: _closed,
    Reopened: lambda b, k: f"{_('Came back') if b.came_back else _('Reopened')}: {b.why}",
}
