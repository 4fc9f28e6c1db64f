"""Codes that the car stored beside those of the complaint and that no finding of the case accounts for."""

from __future__ import annotations

from collections.abc import Iterable

from firstcause.casebook.case import Case, capitals
from firstcause.casebook.events import Snapshot
from firstcause.errors import RequestError
from firstcause.handover.facts import Fact
from firstcause.handover.plainly import listed
from firstcause.knowledge.base import Knowledge
from firstcause.signals.codes import TroubleCode
from firstcause.tongue import N_, _

_LEAN = ("P0171", "P0174")
_LEAN_GROUND = N_("worked out: a cylinder that does not burn leaves its air unused, and the sensor counts that as lean")


def other_codes(case: Case, knowledge: Knowledge) -> Iterable[Fact]:
    """One plain line for lean codes beside a misfire, one for all others; the case weighs the codes of its pack only.

    A lean code beside a misfire may be an effect of it: the sensor sees the air that was not burnt.
    """
    weighed = {meaning.code for meaning in knowledge.model.complaint.codes.meaning}
    found: dict[str, list[str]] = {}
    for event in case.effective:
        if isinstance(event.body, Snapshot):
            for code in capitals((*event.body.stored, *event.body.pending, *event.body.permanent)):
                if code not in weighed:
                    found.setdefault(code, []).append(event.id)
    lean = [code for code in found if code in _LEAN and knowledge.model.complaint.unit == "cylinder"]
    rest = [code for code in found if code not in lean]
    if lean:
        yield Fact(
            _(
                "The car also stored {listed}. {it} may come from the misfire: the sensor sees the "
                "air that was not burnt. Have the car read again after the repair.",
                listed=listed([_named(code) for code in lean]),
                it=_("It") if len(lean) == 1 else _("They"),
            ),
            tuple(dict.fromkeys(event for code in lean for event in found[code])),
            _(_LEAN_GROUND),
        )
    if rest:
        yield Fact(
            _(
                "The car also stored {listed}. Nothing we found was weighed against {it}. Have the "
                "car read again after the repair.",
                listed=listed([_named(code) for code in rest]),
                it=_("it") if len(rest) == 1 else _("them"),
            ),
            tuple(dict.fromkeys(event for code in rest for event in found[code])),
        )


def _named(code: str) -> str:
    try:
        meaning = TroubleCode(code).meaning
    except RequestError:
        return code
    return code if meaning is None else f"{code} ({_(meaning)})"
