"""Service $06: what the car's own tests measured, above all the misfire counts of each cylinder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from firstcause.signals.malformed import AnswerTooShort, OutOfRange, WrongEcho

TEST_BYTES = 9
MISFIRE_GENERAL = 0xA1
TEN_CYCLE_AVERAGE = 0x0B
LAST_CYCLE = 0x0C
COUNTS = 0x24


@dataclass(frozen=True, slots=True)
class UnitScale:
    """How one unit-and-scaling number turns two bytes into a value: raw * num / den + offset."""

    unit: str
    num: int = 1
    den: int = 1
    offset: int = 0


def _scales() -> Mapping[int, UnitScale]:
    unsigned = {
        0x01: UnitScale(""),
        0x02: UnitScale("", 1, 10),
        0x03: UnitScale("", 1, 100),
        0x04: UnitScale("", 1, 1000),
        0x05: UnitScale("", 305, 10_000_000),
        0x06: UnitScale("", 305, 1_000_000),
        0x07: UnitScale("rpm", 1, 4),
        0x08: UnitScale("km/h", 1, 100),
        0x09: UnitScale("km/h"),
        0x0A: UnitScale("V", 122, 1_000_000),
        0x0B: UnitScale("V", 1, 1000),
        0x0C: UnitScale("V", 1, 100),
        0x0D: UnitScale("mA", 1, 256),
        0x0E: UnitScale("A", 1, 1000),
        0x0F: UnitScale("A", 1, 100),
        0x10: UnitScale("ms"),
        0x11: UnitScale("ms", 100),
        0x12: UnitScale("s"),
        0x13: UnitScale("mΩ"),
        0x14: UnitScale("Ω"),
        0x15: UnitScale("kΩ"),
        0x16: UnitScale("°C", 1, 10, -40),
        0x17: UnitScale("kPa", 1, 100),
        0x18: UnitScale("kPa", 117, 10_000),
        0x19: UnitScale("kPa", 79, 1000),
        0x1A: UnitScale("kPa"),
        0x1B: UnitScale("kPa", 10),
        0x1C: UnitScale("°", 1, 100),
        0x1D: UnitScale("°", 1, 2),
        0x1E: UnitScale("lambda", 305, 10_000_000),
        0x1F: UnitScale("ratio", 1, 20),
        0x20: UnitScale("ratio", 1, 256),
        0x21: UnitScale("mHz"),
        0x22: UnitScale("Hz"),
        0x23: UnitScale("kHz"),
        COUNTS: UnitScale("counts"),
        0x25: UnitScale("km"),
        0x27: UnitScale("g/s", 1, 100),
        0x28: UnitScale("g/s"),
        0x2F: UnitScale("%", 1, 100),
        0x30: UnitScale("%", 1526, 1_000_000),
        0x34: UnitScale("min"),
    }
    signed = {
        0x81: UnitScale(""),
        0x82: UnitScale("", 1, 10),
        0x83: UnitScale("", 1, 100),
        0x84: UnitScale("", 1, 1000),
        0x8A: UnitScale("V", 122, 1_000_000),
        0x8B: UnitScale("V", 1, 1000),
        0x8C: UnitScale("V", 1, 100),
        0x96: UnitScale("°C", 1, 10),
        0x9C: UnitScale("°", 1, 100),
        0xAF: UnitScale("%", 1, 100),
        0xFD: UnitScale("kPa", 1, 1000),
        0xFE: UnitScale("Pa", 1, 4),
    }
    return unsigned | signed


# Source: SAE J1979-DA unit-and-scaling table, from memory (reference/regulation-and-protocol 2.8).
UNIT_SCALES: Mapping[int, UnitScale] = _scales()


def _monitor_names() -> Mapping[int, str]:
    names = {0x39 + step: f"fuel vapour {what}" for step, what in enumerate(_VAPOUR)}
    for bank in range(1, 5):
        for sensor in range(1, 5):
            names[4 * (bank - 1) + sensor] = f"oxygen sensor bank {bank} sensor {sensor}"
        names[0x20 + bank] = f"catalyst bank {bank}"
        names[0x30 + bank] = f"exhaust gas recirculation bank {bank}"
        names[0x34 + bank] = f"valve timing bank {bank}"
        names[0x40 + bank] = f"oxygen sensor heater bank 1 sensor {bank}"
        names[0x44 + bank] = f"oxygen sensor heater bank 2 sensor {bank}"
        names[0x60 + bank] = f"heated catalyst bank {bank}"
        names[0x70 + bank] = f"secondary air {bank}"
        names[0x80 + bank] = f"fuel system bank {bank}"
    for n in (1, 2):
        names[0x84 + n] = f"boost pressure bank {n}"
        names[0xB1 + n] = f"particulate filter bank {n}"
    names[MISFIRE_GENERAL] = "misfire, general"
    names.update({MISFIRE_GENERAL + n: f"misfire cylinder {n}" for n in range(1, 13)})
    return names


_VAPOUR = ("leak, cap off or 3.8 mm", "leak 2.3 mm", "leak 1.0 mm", "leak 0.5 mm", "purge flow")
# Source: SAE J1979-DA monitor numbers, from memory (reference 2.8).
MONITOR_NAMES: Mapping[int, str] = _monitor_names()


@dataclass(frozen=True, slots=True)
class MonitorResult:
    """One result: which monitor, which test, and three raw 16-bit numbers (unsigned here, as they came).

    Use `value`, `low`, `high` for the scaled ones.
    """

    monitor: int
    test: int
    scale_id: int
    raw_value: int
    raw_low: int
    raw_high: int

    @property
    def scale(self) -> UnitScale | None:
        """Unit and scaling, or None when our table has none: the values are then raw."""
        return UNIT_SCALES.get(self.scale_id)

    @property
    def unit(self) -> str:
        return self.scale.unit if self.scale else "raw"

    @property
    def value(self) -> float:
        return self._scaled(self.raw_value)

    @property
    def low(self) -> float:
        return self._scaled(self.raw_low)

    @property
    def high(self) -> float:
        return self._scaled(self.raw_high)

    @property
    def within_limits(self) -> bool:
        """Whether value lies between the limits, compared as raw whole numbers (signed for scale ids from 80 up)."""
        return self._integer(self.raw_low) <= self._integer(self.raw_value) <= self._integer(self.raw_high)

    @property
    def limits_say_nothing(self) -> bool:
        """True when the limits are as wide as the numbers themselves: passing them proves nothing."""
        low, high = (-0x8000, 0x7FFF) if self._signed else (0, 0xFFFF)
        return self._integer(self.raw_low) == low and self._integer(self.raw_high) == high

    @property
    def cylinder(self) -> int | None:
        """The cylinder of a misfire result, else None."""
        n = self.monitor - MISFIRE_GENERAL
        return n if 1 <= n <= 12 else None

    @property
    def title(self) -> str:
        """What was tested, in words; unknown numbers are said to be unknown."""
        monitor = MONITOR_NAMES.get(self.monitor, f"monitor {self.monitor:02X}, not in our table")
        return f"{monitor}, test {self.test:02X}"

    @property
    def note(self) -> str:
        """What is not known about this result, or empty."""
        return "" if self.scale else f"unit {self.scale_id:02X} is not in our table; the numbers are raw"

    def to_bytes(self) -> bytes:
        """The nine bytes on the wire; raises OutOfRange when a number does not fit."""
        numbers = (self.raw_value, self.raw_low, self.raw_high)
        if not all(0 <= number <= 0xFFFF for number in numbers):
            raise OutOfRange(self.title, numbers, "each of value, low and high must fit 16 bits")
        head = bytes((self.monitor, self.test, self.scale_id))
        return head + b"".join(number.to_bytes(2, "big") for number in numbers)

    @property
    def _signed(self) -> bool:
        return self.scale_id >= 0x80

    def _integer(self, raw: int) -> int:
        return raw - 0x10000 if self._signed and raw >= 0x8000 else raw

    def _scaled(self, raw: int) -> float:
        whole = self._integer(raw)
        scale = self.scale
        return whole * scale.num / scale.den + scale.offset if scale else float(whole)


@dataclass(frozen=True, slots=True)
class MisfireCount:
    """Misfires that the car counted in one cylinder; None where the car gave no such result.

    `last_cycle` is the last or current driving cycle, `ten_cycle_average` the running average over ten.
    """

    cylinder: int
    last_cycle: int | None
    ten_cycle_average: int | None


def results_from_bytes(monitor: int, data: bytes) -> tuple[MonitorResult, ...]:
    """The results in the bytes after the service byte of a $06 answer, nine bytes each.

    Raises AnswerTooShort when the last one is broken off or there is none, WrongEcho when another monitor answers.
    """
    if not data or len(data) % TEST_BYTES:
        due = (len(data) // TEST_BYTES + 1) * TEST_BYTES
        raise AnswerTooShort(f"The answer with test results of monitor {monitor:02X}", payload=data, due=due)
    results = []
    for at in range(0, len(data), TEST_BYTES):
        part = data[at : at + TEST_BYTES]
        if part[0] != monitor:
            raise WrongEcho("The answer with test results", payload=data, expected=monitor, got=part[0])
        value, low, high = (int.from_bytes(part[i : i + 2], "big") for i in (3, 5, 7))
        results.append(MonitorResult(part[0], part[1], part[2], value, low, high))
    return tuple(results)


def misfire_counts(results: Iterable[MonitorResult]) -> tuple[MisfireCount, ...]:
    """Counts by cylinder, ascending, from the results of monitors A2 to AD whose unit is counts."""
    found: dict[int, dict[int, int]] = {}
    for result in results:
        if result.cylinder is not None and result.scale_id == COUNTS:
            found.setdefault(result.cylinder, {})[result.test] = result.raw_value
    return tuple(
        MisfireCount(cylinder, tests.get(LAST_CYCLE), tests.get(TEN_CYCLE_AVERAGE))
        for cylinder, tests in sorted(found.items())
    )


def misfire_results(cylinder: int, *, last_cycle: int, ten_cycle_average: int) -> tuple[MonitorResult, MonitorResult]:
    """The two results a control unit reports for one cylinder (1 to 12), with limits open to both ends."""
    if not 1 <= cylinder <= 12:
        raise OutOfRange("cylinder", cylinder, "service $06 has monitors for cylinders 1 to 12")
    monitor = MISFIRE_GENERAL + cylinder
    return (
        MonitorResult(monitor, TEN_CYCLE_AVERAGE, COUNTS, ten_cycle_average, 0, 0xFFFF),
        MonitorResult(monitor, LAST_CYCLE, COUNTS, last_cycle, 0, 0xFFFF),
    )
