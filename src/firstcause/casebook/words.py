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

STATE_WORDS: Mapping[str, str] = {
    "open": "open",
    "cured": "cured: first cause removed and proven",
    "relieved": "relieved: symptom gone, a cause still stands",
    "declined": "declined by the owner",
    "not-found": "cause not found",
    "referred": "handed on",
}
SURE_WORDS = {"sure": "", "fairly": " (fairly sure)", "doubtful": " (doubtful)"}
WHY_WORDS = {
    "no-tool": "no tool",
    "no-time": "no time",
    "owner-declined": "the owner says no",
    "not-possible": "not possible here",
    "not-sensible": "not sensible",
}


def ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 4th …"""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


FITTED_HERE: Mapping[str, str] = {"new": "new", "used": "used", "lent": "lent"}
ORIGIN_WORDS: Mapping[str, str] = {"used": "used, from a scrapped car", "lent": "known good, from another car"}


def holder_words(holder: str, knowledge: Knowledge) -> str:
    """Where a cause sits, in words: `coil-3` is the coil that came in cylinder 3, `coil-new-1` the first new one."""
    kind = next((kind for kind in knowledge.parts if holder.startswith(f"{kind}-")), None)
    if kind is None:
        return holder
    rest = holder.removeprefix(f"{kind}-")
    origin, _, number = rest.partition("-")
    if origin in FITTED_HERE:
        return f"{FITTED_HERE[origin]} {kind} {number}"
    return f"{kind} from cylinder {rest.replace('-', ' and ')}"


def opening_words(names: tuple[str, ...], knowledge: Knowledge) -> list[str]:
    """What must be opened, in words, the same opening at several places once."""
    places: dict[str, list[str]] = {}
    for name in names:
        access, _, place = name.partition(" ")
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
    return "engine" if complaint.unit == "engine" else f"{complaint.unit} {number}"


def count_words(bad: Mapping[int, int], complaint: Complaint) -> str:
    """`cylinder 3: 180, cylinder 4: 1, others none`."""
    if not bad:
        return complaint.words.unread
    counted = [f"{unit_words(n, complaint)}: {count}" for n, count in sorted(bad.items()) if count]
    if not counted:
        return complaint.words.unseen
    return ", ".join(counted) + (", others none" if len(counted) < len(bad) else "")


def _told(body: Told, knowledge: Knowledge) -> str:
    told = body.words.strip().rstrip(".")
    said = [f"Owner: “{told}”"] if told else []
    if body.lamp is not None:
        said.append(f"Lamp {body.lamp}")
    if body.fuel_smell:
        said.append("Smell of raw fuel")
    if (week := body.usual_week) is not None:
        said.append(f"Usually {week.starts:g} starts a week, {week.cold_starts:g} of them cold, {week.km:g} km")
    for question, answer in body.answers.items():
        asked = knowledge.questions.get(question)
        said.append(f"{question if asked is None else asked.ask} {answer.capitalize()}")
    return ". ".join(said) + "." if said else "The owner had nothing to tell."


def _snapshot(body: Snapshot, knowledge: Knowledge) -> str:
    lists = (("stored", body.stored), ("pending", body.pending), ("permanent", body.permanent))
    said = [f"{kind} {', '.join(codes)}" for kind, codes in lists if codes]
    frame = body.freeze_frame
    if frame is not None and frame.rpm is not None:
        said.append(f"freeze frame at {frame.rpm:g} rpm")
    return "Evidence saved: " + ("; ".join(said) if said else "no code") + "."


def _found(body: Found, knowledge: Knowledge) -> str:
    test = knowledge.tests.get(body.test)
    name = body.test if test is None else test.name
    seen = body.outcome
    if test is not None and seen is not None:
        seen = next((outcome.name for outcome in test.outcomes if outcome.id == body.outcome), seen)
    number = "" if body.value is None else f"{body.value:g} {body.unit or ''}".strip()
    shown = ", ".join(part for part in (seen, number) if part)
    where = "" if body.place == "engine" else f", {body.place}"
    under = ", ".join(
        f"{key.replace('-', ' ')} {told if isinstance(told, str) else f'{told:g}'}"
        for key, told in body.circumstances.items()
    )
    return f"{name}{where}: {shown}{SURE_WORDS[body.sure]}{f' ({under})' if under else ''}."


def _repaired(body: Repaired, knowledge: Knowledge) -> str:
    repair = knowledge.repairs.get(body.repair)
    return f"Repaired: {body.repair if repair is None else repair.name} ({body.place})."


def _drove(body: Drove, knowledge: Knowledge) -> str:
    complaint = knowledge.model.complaint
    watched = watched_words(body.minutes, complaint) or "no minutes noted"
    return f"Road test, {watched}: {count_words(body.misfires, complaint)}."


def _counted(body: Counted, knowledge: Knowledge) -> str:
    complaint = knowledge.model.complaint
    watched, counted = watched_words(body.minutes, complaint), count_words(body.misfires, complaint)
    return f"{complaint.words.counted}, {watched}: {counted}."


def _set_aside(body: SetAside, knowledge: Knowledge) -> str:
    return f"Set aside: {body.step} ({WHY_WORDS[body.why]})."


def _agreed(body: Agreed, knowledge: Knowledge) -> str:
    limit = "" if body.limit is None else f", {'' if body.further else 'up to '}{body.limit:g} {body.currency}"
    more = " on top" if body.further and body.limit is not None else ""
    over = {"here": ", here", "phone": ", by phone", "email": ", by e-mail", "unsaid": ""}[body.contact]
    parts = {"asked-for": " The old parts are asked for.", "not-wanted": " The old parts are not wanted.", "unsaid": ""}
    lead = "Further work agreed" if body.further else "Agreed"
    return f"{lead} ({body.by}{over}): {body.work}{limit}{more}.{parts[body.old_parts]}"


def _estimated(body: Estimated, knowledge: Knowledge) -> str:
    total = sum(line.amount * line.quantity for line in body.lines if not line.warranty)
    return f"Estimate: {body.job}, {total:.2f} {body.currency} before tax, {len(body.lines)} line(s)."


def _invoiced(body: Invoiced, knowledge: Knowledge) -> str:
    total = sum(line.amount * line.quantity for line in body.lines if not line.warranty)
    return f"Invoice {body.number}: {total:.2f} {body.currency} before tax, {len(body.lines)} line(s)."


def _linked(body: Linked, knowledge: Knowledge) -> str:
    complaint = {"back": "the complaint is back", "gone": "the complaint is not back", "unsaid": "nothing said of it"}
    lead = "The car was here before" if body.relation == "earlier" else "The car came back"
    lives = "".join(
        f"; the {life.part} of cylinder {life.cylinder} {'lasted' if life.ended else 'has lasted'} "
        f"{life.distance_km:,.0f} km"
        for life in body.lives
    )
    return f"{lead} (case {body.case}), {body.driven_km:,.0f} km between: {complaint[body.complaint]}{lives}."


def _reported(body: Reported, knowledge: Knowledge) -> str:
    names = ", ".join(knowledge.faults[f].name.lower() if f in knowledge.faults else f for f in body.faults)
    lead = f"{body.source.capitalize()} {body.number} {'applies' if body.verdict == 'applies' else 'nearly applies'}"
    if body.decision == "refused":
        return f"{lead}: {body.about}. Not let count."
    moved = f" Let count: odds of {names} times {body.likelihood_ratio:.2g}." if names else " It names no cause."
    return f"{lead}: {body.about}.{moved} It proves nothing."


def _closed(body: Closed, knowledge: Knowledge) -> str:
    despite = f" Objections at closing: {' '.join(body.despite)}" if body.despite else ""
    words = f" {body.words}" if body.words else ""
    return f"Closed as {STATE_WORDS[body.state]}.{words}{despite}"


def _moved(body: Moved, knowledge: Knowledge) -> str:
    mark = f", marked {body.mark!r}" if body.mark else ""
    return f"Swapped: {body.part} of cylinder {body.first} with cylinder {body.second}{mark}."


def _renewed(body: Renewed, knowledge: Knowledge) -> str:
    if body.origin == "its-own":
        return f"Put back: the {body.part} that had come out of cylinder {body.cylinder}."
    fitted = ", ".join(part for part in (ORIGIN_WORDS.get(body.origin, ""), body.fitted) if part)
    if body.origin != "new" and body.fitted == "new":
        fitted = ORIGIN_WORDS[body.origin]
    return f"Renewed: {body.part} of cylinder {body.cylinder} ({fitted}); old part {body.old_part}."


_SAY: Mapping[type, Callable[..., str]] = {
    Opened: lambda b, k: f"Car taken in: {b.car.make} {b.car.model}, {b.car.distance_km:,.0f} km.",
    Told: _told,
    Snapshot: _snapshot,
    Counted: _counted,
    Found: _found,
    Moved: _moved,
    Renewed: _renewed,
    Reseated: lambda b, k: f"Taken off and put back: {b.part} of cylinder {b.cylinder}.",
    Repaired: _repaired,
    Drove: _drove,
    Erased: lambda b, k: f"Codes erased (evidence kept in {b.saved}).",
    Agreed: _agreed,
    Estimated: _estimated,
    Invoiced: _invoiced,
    Linked: _linked,
    Reported: _reported,
    SetAside: _set_aside,
    Attached: lambda b, k: f"File kept: {b.name}{f' ({b.about})' if b.about else ''}.",
    Noted: lambda b, k: f"Note: {b.words}",
    Withdrawn: lambda b, k: f"Withdrawn {b.event}: {b.why}",
    Corrected: lambda b, k: f"Corrected {b.event} ({b.why}). Now: {say(b.by, k)}",
    Closed: _closed,
    Reopened: lambda b, k: f"{'Came back' if b.came_back else 'Reopened'}: {b.why}",
}
