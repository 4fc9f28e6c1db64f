"""What a column of a drive log means, guessed from its heading by one table of synonyms."""

from __future__ import annotations

import re
from dataclasses import dataclass

from firstcause.tongue import Said, _
from firstcause.units import Unit, find_unit


@dataclass(frozen=True, slots=True)
class Meaning:
    """One signal a drive log may carry. `unit` is what the DriveLog holds; names are best first."""

    key: str
    unit: str
    names: tuple[str, ...]

    @property
    def quantity(self) -> str:
        found = find_unit(self.unit)
        return found.quantity if found else ""


# Synonyms: common practice, no source; headings seen in public logs and the parameter names of SAE J1979.
MEANINGS: tuple[Meaning, ...] = (
    Meaning("time_s", "s", (
        "time", "elapsed time", "elapsed", "time elapsed", "relative time", "log time", "t", "seconds", "second",
        "timestamp", "time stamp", "date time", "datetime", "device time", "clock", "clock time", "local time",
        "utc time", "unix time", "epoch", "epoch time", "", "cycle", "cyc", "date", "zeit",
    )),
    Meaning("rpm", "rpm", (
        "engine speed", "engine rpm", "rpm", "engine revolutions", "revs", "engine revs", "motor speed", "drehzahl",
    )),
    Meaning("speed_kmh", "km/h", (
        "vehicle speed", "speed", "road speed", "vss", "vehicle speed vss", "car speed", "wheel speed", "cyc", "cycle",
        "velocity", "gps speed", "speed gps", "speed over ground", "geschwindigkeit",
    )),
    Meaning("load_percent", "%", (
        "calculated load", "calculated engine load", "calculated load value", "engine load", "engine load calculated",
        "load", "calc load", "engine load level", "engine load value",
    )),
    Meaning("coolant_c", "degC", (
        "coolant temperature", "engine coolant temperature", "coolant temp", "engine coolant temp", "coolant", "ect",
        "water temperature", "water temp", "engine temperature",
    )),
    Meaning("intake_c", "degC", (
        "intake air temperature", "intake air temp", "intake temperature", "intake temp", "iat",
        "inlet air temperature", "intake air",
    )),
    Meaning("ambient_c", "degC", (
        "ambient air temperature", "ambient temperature", "ambient air temp", "ambient temp", "ambient",
        "outside temperature", "outside temp", "outside air temperature",
    )),
    Meaning("pedal_percent", "%", (
        "accelerator pedal position", "accelerator position", "accelerator pedal", "accelerator", "pedal position",
        "accelerator pedal position d", "accel pedal position d", "accelerator pedal position e", "accelerator pos d",
        "relative accelerator pedal position", "pedal", "app",
    )),
    Meaning("throttle_percent", "%", (
        "throttle position", "throttle", "absolute throttle position", "tps", "throttle pos",
        "throttle position manifold",
    )),
    Meaning("run_time_s", "s", (
        "run time since engine start", "time since engine start", "engine run time", "run time", "runtime",
        "time since start",
    )),
    Meaning("altitude_m", "m", ("altitude", "elevation", "gps altitude", "height above sea level")),
    Meaning("short_trim_1_percent", "%", (
        "short term fuel trim bank 1", "short term fuel trim 1", "short fuel trim 1", "stft bank 1", "stft b1",
        "stft 1",
        "stft1", "short term fuel trim", "stft", "short trim b1",
    )),
    Meaning("long_trim_1_percent", "%", (
        "long term fuel trim bank 1", "long term fuel trim 1", "long fuel trim 1", "ltft bank 1", "ltft b1", "ltft 1",
        "ltft1", "long term fuel trim", "ltft", "long trim b1",
    )),
    Meaning("short_trim_2_percent", "%", (
        "short term fuel trim bank 2", "short term fuel trim 2", "short fuel trim 2", "stft bank 2", "stft b2",
        "stft 2",
        "stft2", "short trim b2",
    )),
    Meaning("long_trim_2_percent", "%", (
        "long term fuel trim bank 2", "long term fuel trim 2", "long fuel trim 2", "ltft bank 2", "ltft b2", "ltft 2",
        "ltft2", "long trim b2",
    )),
)  # fmt: skip
MEANING_WORDS: Said[str] = Said({
    "time_s": "time", "rpm": "engine speed", "speed_kmh": "vehicle speed", "load_percent": "calculated load",
    "coolant_c": "coolant temperature", "intake_c": "intake air temperature", "ambient_c": "outside temperature",
    "pedal_percent": "accelerator position", "throttle_percent": "throttle position",
    "run_time_s": "time since engine start", "altitude_m": "altitude",
    "short_trim_1_percent": "short-term fuel trim, bank 1", "long_trim_1_percent": "long-term fuel trim, bank 1",
    "short_trim_2_percent": "short-term fuel trim, bank 2", "long_trim_2_percent": "long-term fuel trim, bank 2",
})  # fmt: skip
BY_KEY = {meaning.key: meaning for meaning in MEANINGS}
_RANK = {(m.key, name): rank for m in MEANINGS for rank, name in enumerate(m.names)}
_IDLE_WORDS = frozenset({"obd", "ecu", "ecm", "pid", "can", "the", "signal", "value", "sensor", "current", "actual"})
_GROUP_NAMES = frozenset({"driver", "driver id", "trip", "trip id", "trip number", "session", "session id", "drive id"})
_MISFIRE = (
    re.compile(
        r"^misfires?(?: counts?| counter| events?)?(?: of| on)? (?:cyl|cylinder)? ?(\d{1,2})(?: counts?| counter)?$"
    ),
    re.compile(r"^(?:cyl|cylinder) ?(\d{1,2}) misfires?(?: counts?| counter| events?)?$"),
)
_BRACKETED = re.compile(r"[\[(]\s*([^\])]*?)\s*[\])]")


def meaning_words(key: str) -> str:
    """A signal by its key, in the language spoken; misfire counters with their cylinder."""
    if key.startswith("misfires:"):
        return _("misfires, cylinder {n}", n=key.removeprefix("misfires:"))
    return MEANING_WORDS.get(key, key)


@dataclass(frozen=True, slots=True)
class Guess:
    """A heading understood: `key` is a Meaning's key, `misfires:N` for cylinder N, or `group`."""

    key: str
    unit: Unit | None
    rank: int


def normalise(heading: str) -> str:
    """Lower-case words of a heading: brackets, underscores, dots and camel case taken apart."""
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z][a-z])|(?<=[a-z])(?=[A-Z]+$)|(?<=[A-Z])(?=[A-Z][a-z])", " ", heading)
    return " ".join(re.sub(r"[^\w°%]+|_+", " ", spaced).lower().split())


def _split_unit(heading: str) -> tuple[str, Unit | None]:
    """The heading without its unit, and the unit: in brackets, after a comma or slash-free last word."""
    heading = heading.strip()
    for found in _BRACKETED.finditer(heading):
        if unit := find_unit(found.group(1)):
            return heading[: found.start()] + " " + heading[found.end() :], unit
    if "," in heading and (unit := find_unit(heading.rpartition(",")[2])):
        return heading.rpartition(",")[0], unit
    parts = re.split(r"[\s_]+|(?<=[a-z])(?=[A-Z])", heading)
    for take in (2, 1):
        tail = " ".join(parts[-take:])
        if len(parts) >= take and (unit := find_unit(tail)):
            return " ".join(parts[:-take]), unit
    return heading, None


def guess_meaning(heading: str) -> Guess | None:
    """What a heading stands for, with its unit if it names one; None when the table does not know it.

    A unit alone is a meaning too: `mph` is vehicle speed, `sec` is time, `rpm` engine speed. A known name
    with a unit of another quantity ("speed (%)") is not understood, so it is not used.
    """
    whole = _words(heading)
    if whole in _GROUP_NAMES:
        return Guess("group", None, 0)
    name, unit = _split_unit(heading)
    words = _words(name)
    for pattern in _MISFIRE:
        if found := pattern.match(whole):
            return Guess(f"misfires:{int(found.group(1))}", None, 0)
    twice, inner = _split_unit(name) if unit is not None else (name, None)  # "coolant_c (degC)" says it twice
    said_twice = _words(twice) if inner is not None and inner.quantity == unit.quantity else words  # type: ignore[union-attr]
    for candidate, its_unit in ((words, unit), (said_twice, unit), (whole, None)):
        for meaning in MEANINGS:
            rank = _RANK.get((meaning.key, candidate))
            if rank is None or (candidate in ("", "cyc", "cycle") and its_unit is None):
                continue
            if its_unit is None or its_unit.quantity == meaning.quantity:
                return Guess(meaning.key, its_unit, rank)
    if words == "" and unit is not None:
        for key in ("speed_kmh", "rpm"):
            if BY_KEY[key].quantity == unit.quantity:
                return Guess(key, unit, 50)
    return None


def _words(text: str) -> str:
    return " ".join(word for word in normalise(text).split() if word not in _IDLE_WORDS)
