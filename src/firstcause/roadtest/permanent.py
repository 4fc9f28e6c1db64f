"""What the car will still need before its permanent record, its lamp and its other records clear."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

from firstcause.errors import RequestError
from firstcause.roadtest.conditions import VERDICT_WORDS, Verdict
from firstcause.roadtest.rules import (
    CONFIRMED_ERASE_WARM_UPS,
    LAMP_OFF_CYCLES,
    PENDING_ERASE_CYCLES,
    PERMANENT_OTHER_SCOPE,
    PERMANENT_RATIO,
)
from firstcause.tongue import N_, Said, _

Kind = Literal["misfire", "fuel system", "ratio monitor", "other"]

# Grouping of generic codes by SAE J2012 ranges (from memory).
_KINDS: tuple[tuple[str, Kind], ...] = (
    (r"P03(0[0-9A-C]|1[0-46])$", "misfire"),
    (r"P017[1245]$|P218[78]$|P219[0-7AB]$", "fuel system"),
    (r"P0(42[0-9]|43[0-4])$", "ratio monitor"),
    (r"P0(1[3-6][0-9])$", "ratio monitor"),
    (r"P04(0[0-9]|1[0-9]|4[0-9]|5[0-9])$", "ratio monitor"),
    (r"P00(1[0-9]|2[0-5])$", "ratio monitor"),
)


class NotACode(RequestError):
    """Not a trouble code."""

    def __init__(self, text: str) -> None:
        self.text = text
        super().__init__(f"{text!r} is no trouble code. Nothing was judged; write it like P0302.")


def code_kind(code: str) -> Kind:
    """Which rule a code's permanent record follows. What is in no group is "other": components and circuits.

    Raises NotACode for anything but a letter and four hexadecimal digits.
    """
    wanted = code.strip().upper()
    if not re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}", wanted):
        raise NotACode(code)
    return next((kind for pattern, kind in _KINDS if re.match(pattern, wanted)), "other")


@dataclass(frozen=True, slots=True)
class Step:
    """One thing the car's own records wait for. `state` is open, done or not known."""

    id: str
    what: str
    state: Literal["open", "done", "not known"]
    cite: str
    mark: str


@dataclass(frozen=True, slots=True)
class Forecast:
    """What one record of the car waits for; `readings` are the open ways to read the rule, all of them shown."""

    record: Literal["permanent", "lamp", "confirmed", "pending"]
    code: str
    sentence: str
    steps: tuple[Step, ...]
    readings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        steps = [{name: getattr(step, name) for name in Step.__slots__} for step in self.steps]
        return {
            "record": self.record, "code": self.code, "sentence": self.sentence, "steps": steps,
            "readings": list(self.readings),
        }  # fmt: skip


_STATE: dict[Verdict, Literal["open", "done", "not known"]] = {
    "met": "done", "missed": "open", "undecided": "not known", "not evaluated": "not known",
}  # fmt: skip
_STATE_WORDS: Said[str] = Said({"open": "still open", "done": "done", "not known": "not known yet"})
_AMBIENT_READING = N_(
    "By the rule's own list the outside temperature and altitude do not count for this drive; some makers apply the "
    "limits of the general denominator too (20 degF or more, below 8,000 ft). Both verdicts are shown."
)
_CYCLES_READINGS = (
    N_(
        "Strict reading: three driving cycles in a row, each with the conditions of the freeze frame met and no "
        "misfire."
    ),
    N_(
        "Wider reading: three such cycles, counted only among those that met the conditions; the others are passed "
        "over."
    ),
)


def permanent_forecast(
    code: str, *, erased: bool, monitor_passed: bool | None, minimum_drive: Verdict, with_surroundings: Verdict
) -> Forecast:
    """What the permanent record of `code` still needs.

    `erased`: codes were cleared after the repair. `monitor_passed`: the car's own monitor has run and passed
    since (None: not read). `minimum_drive` and `with_surroundings` are the best verdicts of the drives since.

    Source: 13 CCR 1968.2(d)(2.5); see rules.PERMANENT_RATIO and PERMANENT_OTHER_SCOPE.
    """
    kind = code_kind(code)
    state: dict[bool | None, Literal["open", "done", "not known"]] = {True: "done", False: "open", None: "not known"}
    if not erased:
        step = Step(
            "lamp-rule",
            _("the car turns its own lamp off by its rule"),
            "open",
            "13 CCR 1968.2(d)(2.5.1)",
            "read in the official text",
        )
        sentence = _(
            "{code}: the permanent record goes when the car turns its lamp off by its own rule; no tool can do it.",
            code=code,
        )
        return Forecast("permanent", code, sentence, (step,), ())
    passed = Step(
        "monitor-pass", _("the car's own monitor runs in one drive, passes and finds nothing"), state[monitor_passed],
        PERMANENT_RATIO.cite, PERMANENT_RATIO.mark,
    )  # fmt: skip
    if kind == "ratio monitor":
        sentence = _(
            "{code}: the permanent record goes at the end of one drive in which its monitor ran and passed.", code=code
        )
        said = _with_state(sentence, (passed,)) + _what_to_read((passed,))
        return Forecast("permanent", code, said, (passed,), ())
    drive = Step(
        "minimum-drive", _("one drive of 600 s, with 300 s at 25 mph or more and 30 s of unbroken idle"),
        _STATE[minimum_drive], PERMANENT_OTHER_SCOPE.cite, "from memory",
    )  # fmt: skip
    surround = ""
    if with_surroundings != minimum_drive:
        surround = " " + _(
            "With the outside temperature and altitude limits too, the drive is {verdict}.",
            verdict=VERDICT_WORDS[with_surroundings],
        )
    sentence = _(
        "{code}: the permanent record needs a passing drive of its monitor and one minimum drive; they may be "
        "different drives.",
        code=code,
    )
    return Forecast(
        "permanent",
        code,
        _with_state(sentence, (passed, drive)) + surround + _what_to_read((passed, drive)),
        (passed, drive),
        (_(_AMBIENT_READING),),
    )


def _with_state(sentence: str, steps: tuple[Step, ...]) -> str:
    said = "; ".join(f"{step.what}: {_STATE_WORDS[step.state]}" for step in steps)
    return f"{sentence} {said[0].upper()}{said[1:]}."


def _what_to_read(steps: tuple[Step, ...]) -> str:
    if any(step.state != "done" for step in steps):
        return ""
    return " " + _(
        "By what is known it clears at the end of the last of these drives; read service $0A at the next start."
    )


def lamp_forecast(code: str, *, erased: bool, quiet_cycles_in_window: int) -> Forecast:
    """When the lamp goes off by itself: three driving cycles without the fault, of which some were seen so far."""
    if erased:
        return Forecast(
            "lamp",
            code,
            _(
                "{code}: the lamp was turned off by the erase; it returns when the car finds the fault twice.",
                code=code,
            ),
            (),
            (),
        )
    kind = code_kind(code)
    left = max(0, round(LAMP_OFF_CYCLES.value) - quiet_cycles_in_window)
    near = kind in ("misfire", "fuel system")
    step = Step(
        "three-cycles",
        _("three driving cycles that come back to the conditions of the freeze frame without the fault")
        if near
        else _("three driving cycles without the fault"),
        "done" if not left else "open",
        LAMP_OFF_CYCLES.cite,
        LAMP_OFF_CYCLES.mark,
    )
    sentence = _(
        "{code}: the lamp goes off after {what}; {left} to go as recorded.", code=code, what=step.what, left=left
    )
    readings = tuple(_(reading) for reading in _CYCLES_READINGS)
    return Forecast("lamp", code, sentence, (step,), readings if near else ())


def code_forecasts(code: str, *, erased: bool, came_back: Verdict) -> tuple[Forecast, Forecast]:
    """What the confirmed and the pending code wait for. `came_back`: did a quiet drive meet the stored conditions."""
    if erased:
        gone = _("{code}: erased with the tool; it comes back only if the car finds the fault again.", code=code)
        return Forecast("confirmed", code, gone, (), ()), Forecast("pending", code, gone, (), ())
    warm = Step(
        "forty-warm-ups",
        _("40 warm-up cycles after the lamp is off"),
        "open",
        CONFIRMED_ERASE_WARM_UPS.cite,
        CONFIRMED_ERASE_WARM_UPS.mark,
    )
    after = _("{code}: the confirmed code goes after 40 warm-up cycles with the lamp off.", code=code)
    confirmed = Forecast("confirmed", code, after, (warm,), ())
    if code_kind(code) not in ("misfire", "fuel system"):
        clean = Step(
            "next-cycle",
            _("the next monitored drive ends without the fault"),
            "not known",
            "13 CCR 1968.2(d)(2.2.2)",
            "from memory",
        )
        sentence = _(
            "{code}: the pending code goes at the end of the next drive in which its monitor ran and found nothing.",
            code=code,
        )
        return confirmed, Forecast("pending", code, sentence, (clean,), ())
    back = Step(
        "similar-conditions",
        _("one drive that comes back to the conditions of the freeze frame ends without the fault"),
        _STATE[came_back], PENDING_ERASE_CYCLES.cite, PENDING_ERASE_CYCLES.mark,
    )  # fmt: skip
    sentence = _(
        "{code}: the pending code goes at the end of a drive that came back to the conditions of the freeze frame "
        "without the fault, or after 80 drives without them.",
        code=code,
    )
    reading = _("The conditions the car itself compares cannot be read; the freeze frame is the nearest public value.")
    return confirmed, Forecast(
        "pending",
        code,
        _with_state(sentence, (back,)),
        (back,),
        (reading,),
    )
