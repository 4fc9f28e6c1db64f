"""Trouble codes: two bytes on the wire, five characters on paper, and what the common ones mean."""

from __future__ import annotations

import re
from dataclasses import dataclass

from firstcause.errors import RequestError
from firstcause.signals.malformed import require_length

_LETTERS = "PCBU"
_FORM = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


class NotACode(RequestError):
    """The text is no trouble code."""

    def __init__(self, text: str) -> None:
        self.text = text
        super().__init__(
            f"{text!r} is no trouble code: it needs P, C, B or U, a digit 0 to 3 and three of 0-9 A-F, "
            "and is not P0000. Nothing was recorded; type it again from the read-out."
        )


@dataclass(frozen=True, slots=True, order=True)
class TroubleCode:
    """One trouble code. Held as the text that people say, for example P0303."""

    text: str

    def __post_init__(self) -> None:
        if not _FORM.fullmatch(self.text) or self.text == "P0000":
            raise NotACode(self.text)

    def to_bytes(self) -> bytes:
        """The two bytes on the wire, high byte first."""
        number = _LETTERS.index(self.text[0]) << 14 | int(self.text[1:], 16)
        return number.to_bytes(2, "big")

    @property
    def meaning(self) -> str | None:
        """A short neutral meaning, or None when our table has none."""
        fact = _FACTS.get(self.text)
        return fact.meaning if fact else None

    @property
    def cylinder(self) -> int | None:
        """The cylinder that a misfire or injector code names, else None."""
        fact = _FACTS.get(self.text)
        return fact.cylinder if fact else None

    @property
    def coil(self) -> int | None:
        """Which ignition coil (1 for A … 12 for L) a coil code names, else None.

        With one coil a cylinder, makers usually letter coils by cylinder; with shared coils the letter counts coils.
        """
        fact = _FACTS.get(self.text)
        return fact.coil if fact else None

    @property
    def bank(self) -> int | None:
        """The bank that the code names, else None."""
        fact = _FACTS.get(self.text)
        return fact.bank if fact else None

    @property
    def is_misfire(self) -> bool:
        """True for the codes that say a cylinder, or some cylinder, misfired (P0300–P0314, P0316)."""
        return "P0300" <= self.text <= "P0314" or self.text == "P0316"

    @property
    def is_standard(self) -> bool:
        """True when the standard gives the meaning, False when the maker does.

        Source: SAE J2012 / ISO 15031-6 (from memory): P0, P2, P34–P3F and B0, C0, U0 are standard.
        """
        if self.text[0] != "P":
            return self.text[1] == "0"
        return self.text[1] in "02" or (self.text[1] == "3" and self.text[2] >= "4")

    @property
    def area(self) -> str | None:
        """The field of a P0 code, from its third character; None for all others."""
        return _AREAS.get(self.text[2]) if self.text.startswith("P0") else None


def code_from_bytes(data: bytes) -> TroubleCode | None:
    """The code in two bytes, or None for 00 00, which stands for "no code".

    Raises AnswerTooShort or AnswerTooLong for any other length.

    Source: SAE J2012 / ISO 15031-6 (from memory): bits 15-14 P C B U, 13-12 a digit 0 to 3, then three hex digits.
    """
    require_length("A trouble code", data, 2)
    number = int.from_bytes(data, "big")
    return TroubleCode(f"{_LETTERS[number >> 14]}{number & 0x3FFF:04X}") if number else None


@dataclass(frozen=True, slots=True)
class _Fact:
    meaning: str
    bank: int | None = None
    cylinder: int | None = None
    coil: int | None = None


_AREAS = {
    "0": "fuel or air metering and auxiliary emission control",
    "1": "fuel or air metering",
    "2": "fuel or air metering, injector circuits",
    "3": "ignition or misfire",
    "4": "auxiliary emission control",
    "5": "vehicle speed, idle control, auxiliary inputs",
    "6": "control unit and its outputs",
    "7": "transmission",
    "8": "transmission",
    "9": "transmission",
    "A": "hybrid drive",
    "B": "hybrid drive",
    "C": "hybrid drive",
}

# Meanings in our own short words. Source: SAE J2012 / ISO 15031-6, from memory (reference section 4);
# the bank 2 oxygen sensor rows P0150–P0161 likewise from memory.
_SINGLE: tuple[tuple[str, str, int | None], ...] = (
    ("P0010", "intake (A) cam actuator circuit, bank 1", 1),
    ("P0011", "intake cam too far advanced, bank 1", 1),
    ("P0012", "intake cam too far retarded, bank 1", 1),
    ("P0013", "exhaust (B) cam actuator circuit, bank 1", 1),
    ("P0016", "crank and cam signals do not agree, bank 1 sensor A", 1),
    ("P0017", "crank and cam signals do not agree, bank 1 sensor B", 1),
    ("P0018", "crank and cam signals do not agree, bank 2 sensor A", 2),
    ("P0019", "crank and cam signals do not agree, bank 2 sensor B", 2),
    ("P0030", "oxygen sensor heater control circuit, bank 1 sensor 1", 1),
    ("P0036", "oxygen sensor heater control circuit, bank 1 sensor 2", 1),
    ("P0087", "fuel rail pressure too low", None),
    ("P0088", "fuel rail pressure too high", None),
    ("P0100", "air-flow meter circuit", None),
    ("P0101", "air-flow meter reading implausible", None),
    ("P0102", "air-flow meter signal low", None),
    ("P0103", "air-flow meter signal high", None),
    ("P0104", "air-flow meter signal intermittent", None),
    ("P0105", "manifold or barometric pressure circuit", None),
    ("P0106", "manifold or barometric pressure implausible", None),
    ("P0107", "manifold or barometric pressure signal low", None),
    ("P0108", "manifold or barometric pressure signal high", None),
    ("P0109", "manifold or barometric pressure signal intermittent", None),
    ("P0110", "intake air temperature circuit", None),
    ("P0111", "intake air temperature implausible", None),
    ("P0112", "intake air temperature signal low", None),
    ("P0113", "intake air temperature signal high", None),
    ("P0114", "intake air temperature signal intermittent", None),
    ("P0115", "coolant temperature circuit", None),
    ("P0116", "coolant temperature implausible", None),
    ("P0117", "coolant temperature signal low", None),
    ("P0118", "coolant temperature signal high", None),
    ("P0119", "coolant temperature signal intermittent", None),
    ("P0121", "throttle or pedal sensor A implausible", None),
    ("P0122", "throttle or pedal sensor A signal low", None),
    ("P0123", "throttle or pedal sensor A signal high", None),
    ("P0125", "coolant too cold for closed-loop fuel control", None),
    ("P0128", "coolant stays below the thermostat's regulating temperature", None),
    ("P0171", "mixture too lean, bank 1", 1),
    ("P0172", "mixture too rich, bank 1", 1),
    ("P0174", "mixture too lean, bank 2", 2),
    ("P0175", "mixture too rich, bank 2", 2),
    ("P0200", "injector circuit, cylinder not named", None),
    ("P0219", "engine overspeed", None),
    ("P0230", "fuel pump primary circuit", None),
    ("P0300", "misfire, random or in several cylinders", None),
    ("P0313", "misfire with the fuel level low", None),
    ("P0314", "misfire in one cylinder, cylinder not named", None),
    ("P0315", "crank position variation not learned", None),
    ("P0316", "misfire in the first 1000 revolutions after the start", None),
    ("P0325", "knock sensor 1 circuit", None),
    ("P0330", "knock sensor 2 circuit", None),
    ("P0335", "crank position sensor A circuit", None),
    ("P0336", "crank position sensor A signal implausible", None),
    ("P0337", "crank position sensor A signal low", None),
    ("P0338", "crank position sensor A signal high", None),
    ("P0339", "crank position sensor A signal intermittent", None),
    ("P0340", "cam position sensor A circuit, bank 1", 1),
    ("P0341", "cam position sensor A signal implausible, bank 1", 1),
    ("P0342", "cam position sensor A signal low, bank 1", 1),
    ("P0343", "cam position sensor A signal high, bank 1", 1),
    ("P0344", "cam position sensor A signal intermittent, bank 1", 1),
    ("P0350", "ignition coil circuit, coil not named", None),
    ("P0400", "exhaust gas recirculation flow", None),
    ("P0401", "too little exhaust gas recirculation", None),
    ("P0402", "too much exhaust gas recirculation", None),
    ("P0403", "exhaust gas recirculation control circuit", None),
    ("P0404", "exhaust gas recirculation control implausible", None),
    ("P0405", "exhaust gas recirculation sensor A signal low", None),
    ("P0410", "secondary air system", None),
    ("P0411", "secondary air flow wrong", None),
    ("P0420", "catalyst efficiency below its limit, bank 1", 1),
    ("P0430", "catalyst efficiency below its limit, bank 2", 2),
    ("P0440", "fuel vapour system", None),
    ("P0441", "fuel vapour purge flow wrong", None),
    ("P0442", "fuel vapour system, small leak", None),
    ("P0443", "fuel vapour purge valve circuit", None),
    ("P0446", "fuel vapour vent control circuit", None),
    ("P0455", "fuel vapour system, large leak", None),
    ("P0456", "fuel vapour system, very small leak", None),
    ("P0457", "fuel vapour leak, cap loose or off", None),
    ("P0500", "vehicle speed sensor", None),
    ("P0505", "idle control system", None),
    ("P0506", "idle speed lower than demanded", None),
    ("P0507", "idle speed higher than demanded", None),
    ("P0560", "system voltage", None),
    ("P0562", "system voltage low", None),
    ("P0563", "system voltage high", None),
    ("P0600", "control unit communication", None),
    ("P0601", "control unit memory checksum", None),
    ("P0602", "control unit not programmed", None),
    ("P0603", "control unit keep-alive memory", None),
    ("P0604", "control unit working memory", None),
    ("P0605", "control unit program memory", None),
    ("P0606", "control unit processor", None),
    ("P0620", "generator control circuit", None),
    ("P0621", "generator lamp circuit", None),
    ("P0622", "generator field circuit", None),
    ("P2096", "fuel trim after the catalyst too lean, bank 1", 1),
    ("P2097", "fuel trim after the catalyst too rich, bank 1", 1),
    ("P2187", "mixture too lean at idle, bank 1", 1),
    ("P2188", "mixture too rich at idle, bank 1", 1),
    ("P2195", "oxygen sensor signal stuck lean, bank 1 sensor 1", 1),
    ("P2196", "oxygen sensor signal stuck rich, bank 1 sensor 1", 1),
    ("P219A", "air-fuel imbalance between cylinders, bank 1", 1),
    ("P219B", "air-fuel imbalance between cylinders, bank 2", 2),
    ("U0100", "communication with the engine control unit lost", None),
)
_OXYGEN_SENSOR_FAULTS = ("circuit", "signal low", "signal high", "slow response", "no activity", "heater circuit")
_OXYGEN_SENSOR_STARTS = ((130, 1, 1), (136, 1, 2), (150, 2, 1), (156, 2, 2))  # decimal digits, bank, sensor


def _facts() -> dict[str, _Fact]:
    facts = {text: _Fact(meaning, bank=bank) for text, meaning, bank in _SINGLE}
    for start, bank, sensor in _OXYGEN_SENSOR_STARTS:
        for step, fault in enumerate(_OXYGEN_SENSOR_FAULTS):
            facts[f"P0{start + step}"] = _Fact(f"oxygen sensor {fault}, bank {bank} sensor {sensor}", bank=bank)
    for n in range(1, 13):  # these blocks count in decimal digits
        letter = "ABCDEFGHIJKL"[n - 1]
        facts[f"P{200 + n:04d}"] = _Fact(f"injector circuit, cylinder {n}", cylinder=n)
        facts[f"P{261 + 3 * (n - 1):04d}"] = _Fact(f"injector circuit low, cylinder {n}", cylinder=n)
        facts[f"P{262 + 3 * (n - 1):04d}"] = _Fact(f"injector circuit high, cylinder {n}", cylinder=n)
        facts[f"P{300 + n:04d}"] = _Fact(f"misfire, cylinder {n}", cylinder=n)
        facts[f"P{350 + n:04d}"] = _Fact(f"ignition coil {letter} primary or secondary circuit", coil=n)
        facts[f"P{2300 + 3 * (n - 1):04d}"] = _Fact(f"ignition coil {letter} primary control low", coil=n)
        facts[f"P{2301 + 3 * (n - 1):04d}"] = _Fact(f"ignition coil {letter} primary control high", coil=n)
    return facts


_FACTS = _facts()
