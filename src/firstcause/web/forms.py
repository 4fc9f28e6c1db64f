"""Form fields to an event: one reader per kind. Only translation; what may be recorded the casebook says."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from pydantic import ValidationError
from starlette.datastructures import FormData

from firstcause.casebook.events import BODY, Body
from firstcause.errors import RequestError
from firstcause.web.measures import kept_as

Fields = Mapping[str, Any]
_NUMBER_WITH_UNIT = re.compile(r"([-+]?[\d.,]+)\s*([^\d\s.,+-].*)")


class NotFilledIn(RequestError):
    """A form cannot be read; every complaint at once."""

    def __init__(self, complaints: Iterable[str]) -> None:
        self.complaints = tuple(complaints)
        super().__init__(f"Not recorded: {'; '.join(self.complaints)}. Correct that and record again.")


def body_of(kind: str, form: FormData) -> Body:
    """The event of this kind that a form describes; with `corrects` and `correct_why`, as a correction of that event.

    Raises NotFilledIn with every complaint.
    """
    reader = _READERS.get(kind)
    if reader is None:
        raise NotFilledIn([f"there is no form for {kind!r}"])
    raw: dict[str, Any] = {"kind": kind, **reader(_Reader(form))}
    if text(form, "corrects"):
        raw = {"kind": "corrected", "event": text(form, "corrects"), "by": raw, "why": text(form, "correct_why")}
    return valid_body(raw)


def valid_body(raw: object) -> Body:
    """Plain values as an event; raises NotFilledIn with every complaint in plain words."""
    try:
        return BODY.validate_python(raw)
    except ValidationError as error:
        raise NotFilledIn(complaints_of(error)) from error


def body_from_json(words: str) -> Body:
    """An event from its JSON text."""
    try:
        return valid_body(json.loads(words))
    except ValueError as error:
        raise NotFilledIn([f"this is no JSON ({error})"]) from error


def complaints_of(error: ValidationError) -> list[str]:
    """Each complaint of the schema as `where: what`."""
    said = []
    for item in error.errors():
        where = ".".join(str(step) for step in item["loc"])
        said.append(f"{where}: {item['msg'][:1].lower()}{item['msg'][1:]}" if where else item["msg"])
    return said


def text(form: FormData, key: str) -> str:
    """What was typed, without the blanks around it; empty when nothing was."""
    found = form.get(key)
    return found.strip() if isinstance(found, str) else ""


def number_of(words: str, key: str) -> float | None:
    """A typed number, with a point or a comma; None when empty; raises NotFilledIn when it is none."""
    if not words:
        return None
    try:
        return float(words.replace(",", ".").replace(" ", ""))
    except ValueError as error:
        raise NotFilledIn([f"{key}: {words!r} is no number"]) from error


def split_codes(words: str) -> list[str]:
    """Codes typed with blanks, commas or line ends between."""
    return words.replace(",", " ").replace(";", " ").split()


class _Reader:
    """The fields of one form; what was left empty is left out."""

    def __init__(self, form: FormData) -> None:
        self.form = form

    def texts(self, *keys: str) -> dict[str, Any]:
        return {key: text(self.form, key) for key in keys if text(self.form, key)}

    def numbers(self, *keys: str) -> dict[str, Any]:
        found = {key: number_of(text(self.form, key), key) for key in keys}
        return {key: value for key, value in found.items() if value is not None}

    def measured(self, **units: str) -> dict[str, Any]:
        """Numbers typed in the unit named by `unit-FIELD`, brought to the one in which they are kept."""
        found = self.numbers(*units)
        return {key: kept_as(found[key], units[key], text(self.form, f"unit-{key}")) for key in found}

    def group(self, prefix: str) -> dict[str, str]:
        """Fields such as `misfires-3` by what stands behind the prefix."""
        found = {key[len(prefix) :]: text(self.form, key) for key in self.form if key.startswith(prefix)}
        return {key: words for key, words in found.items() if words}

    def number_group(self, prefix: str) -> dict[str, float]:
        found = {key: number_of(words, key) for key, words in self.group(prefix).items()}
        return {key: value for key, value in found.items() if value is not None}

    def whole(self, numbers: Mapping[str, float]) -> dict[str, Any]:
        return {key: int(value) if value == int(value) else value for key, value in numbers.items()}


def _counts(r: _Reader) -> dict[str, Any]:
    minutes = r.number_group("minutes-")
    if not minutes:
        raise NotFilledIn(["say how much was watched, and under which condition"])
    misfires = r.whole(r.number_group("misfires-"))
    more = {**r.numbers("rpm"), **r.whole(r.numbers("firings")), **r.texts("note")}
    return {"minutes": minutes, "misfires": misfires, **more}


def _counted(r: _Reader) -> dict[str, Any]:
    said = _counts(r)
    if not said["misfires"]:
        raise NotFilledIn(["write at least one count; 0 when it was watched and there was none"])
    return said


def _found(r: _Reader) -> dict[str, Any]:
    said = r.texts("test", "place", "outcome", "sure", "note")
    typed, unit = _with_unit(text(r.form, "value"))
    value = number_of(typed, "value")
    if value is not None:
        said |= {"value": value, **({"unit": unit} if unit else r.texts("unit"))}
        others = r.number_group("other-")
        said |= {"others": others} if others else {}
    circumstances = r.group("circumstance-")
    return said | ({"circumstances": circumstances} if circumstances else {})


def _with_unit(words: str) -> tuple[str, str]:
    """`59 psi` as its number and its unit; a number alone has none."""
    found = _NUMBER_WITH_UNIT.match(words)
    return (found[1], found[2].strip()) if found else (words, "")


def _snapshot(r: _Reader) -> dict[str, Any]:
    said: dict[str, Any] = {
        key: split_codes(text(r.form, key)) for key in ("stored", "pending", "permanent", "calibration_ids")
    }
    frame = {
        **r.texts("code"),
        **r.numbers("rpm", "load_percent", "run_time_s"),
        **r.measured(coolant_c="degC", speed_kmh="km/h"),
        **r.numbers("short_trim_percent", "long_trim_percent"),
    }
    return said | ({"freeze_frame": frame} if frame else {})


def _told(r: _Reader) -> dict[str, Any]:
    answers = r.group("answer-")
    week = {key.removeprefix("week_"): value for key, value in r.numbers("week_starts", "week_cold_starts").items()}
    week |= {key.removeprefix("week_"): value for key, value in r.measured(week_km="km").items()}
    said = {**r.texts("words", "lamp"), "fuel_smell": text(r.form, "fuel_smell") == "yes", "answers": answers}
    return said | ({"usual_week": week} if week else {})


def _cylinder(*texts: str) -> Callable[[_Reader], dict[str, Any]]:
    return lambda r: {**r.texts("part", *texts), **r.whole(r.numbers("cylinder"))}


def _closed(r: _Reader) -> dict[str, Any]:
    not_done = [line.strip() for line in text(r.form, "not_done").splitlines() if line.strip()]
    return {**r.texts("state", "words"), "not_done": not_done}


def _lines(r: _Reader) -> list[dict[str, Any]]:
    """Lines of an estimate or invoice from `line-N-FIELD`, in their order; a line without words is left out.

    Raises NotFilledIn for a price or a mark without words.
    """
    numbers = sorted({int(key.split("-")[1]) for key in r.form if re.fullmatch(r"line-\d{1,3}-\w+", key)})
    lines, wordless = [], []
    for n in numbers:
        field = {key: text(r.form, f"line-{n}-{key}") for key in ("what", "of", "amount", "quantity", "condition")}
        if not field["what"]:
            if field["amount"] not in ("", "0"):
                wordless.append(f"line {n} has a price and no words")
            continue
        line: dict[str, Any] = {"what": field["what"], "of": field["of"] or "labour"}
        line["amount"] = number_of(field["amount"] or "0", f"line {n}, price")
        if field["quantity"]:
            line["quantity"] = number_of(field["quantity"], f"line {n}, how many")
        if line["of"] == "part" and field["condition"]:
            line["condition"] = field["condition"]
        line |= {mark: True for mark in ("core", "warranty") if text(r.form, f"line-{n}-{mark}") == "yes"}
        line["events"] = [each for each in r.form.getlist(f"line-{n}-event") if isinstance(each, str)]
        lines.append(line)
    if wordless or not lines:
        raise NotFilledIn(wordless or ["write at least one line"])
    return lines


def _estimated(r: _Reader) -> dict[str, Any]:
    destroyed = [line.strip() for line in text(r.form, "destroyed").splitlines() if line.strip()]
    said = {**r.texts("job", "done_by", "used_parts", "note"), **_in_currency(r), **r.numbers("tax_percent")}
    return {**said, "destroyed": destroyed, "lines": _lines(r)}


def _invoiced(r: _Reader) -> dict[str, Any]:
    said = {**r.texts("number", "supplied_on", "note"), **_in_currency(r), **r.numbers("tax_percent")}
    return {**said, "lines": _lines(r)}


def _agreed(r: _Reader) -> dict[str, Any]:
    said = {**r.texts("person", "by", "work", "contact", "old_parts"), **_in_currency(r), **r.numbers("limit")}
    return {**said, "further": text(r.form, "further") == "yes"}


def _in_currency(r: _Reader) -> dict[str, Any]:
    return {key: words.upper() for key, words in r.texts("currency").items()}


_READERS: Mapping[str, Callable[[_Reader], dict[str, Any]]] = {
    "told": _told,
    "snapshot": _snapshot,
    "counted": _counted,
    "found": _found,
    "moved": lambda r: {**r.texts("part", "mark"), **r.whole(r.numbers("first", "second"))},
    "renewed": _cylinder("origin", "fitted", "old_part"),
    "reseated": _cylinder(),
    "repaired": lambda r: r.texts("repair", "place", "note"),
    "drove": _counts,
    "erased": lambda r: r.texts("saved"),
    "estimated": _estimated,
    "agreed": _agreed,
    "invoiced": _invoiced,
    "set-aside": lambda r: r.texts("step", "why", "note"),
    "noted": lambda r: r.texts("words"),
    "withdrawn": lambda r: r.texts("event", "why"),
    "closed": _closed,
    "reopened": lambda r: {**r.texts("why"), "came_back": text(r.form, "came_back") == "yes"},
}


def opening_of(form: FormData) -> tuple[list[Body], dict[str, str]]:
    """A new case from its form: the events to begin with, and the owner's data to be kept beside them."""
    r = _Reader(form)
    engine: dict[str, Any] = {
        **r.texts("shape", "arrangement", "ignition", "injection", "metering", "induction", "timing_drive"),
        **r.numbers("displacement_l"),
    }
    order = [int(word) for word in text(form, "firing_order").replace("-", " ").split() if word.isdigit()]
    if order:
        engine["firing_order"] = order
    banks = [[int(word) for word in split_codes(text(form, f"bank_{n}")) if word.isdigit()] for n in (1, 2)]
    if any(banks):
        engine["banks"] = [bank for bank in banks if bank]
    buried = [n for n in (1, 2) if text(form, f"buried_{n}") == "yes"]
    car = {
        **r.texts("vin", "make", "model", "engine_code"),
        **r.whole({**r.numbers("model_year"), **r.measured(distance_km="km")}),
        "engine": {**engine, "buried_banks": buried},
    }
    owner = {key: words for key in ("name", "phone", "plate") if (words := text(form, f"owner-{key}"))}
    person = {"person": "owner"} if owner else {}
    bodies = [valid_body({"kind": "opened", "car": car, **r.texts("shop", "pack"), **person})]
    told = _told(r)
    if told.get("words") or told.get("lamp") or told["fuel_smell"] or told["answers"]:
        bodies.append(valid_body({"kind": "told", **told}))
    return bodies, owner
