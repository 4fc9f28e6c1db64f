"""Service $09: VIN, calibration numbers and checksums, in-use counters, name of the control unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from firstcause.signals.malformed import BadAnswer, OutOfRange, require_length

VIN, CALIBRATION_IDS, CHECKSUMS, COUNTERS_SPARK, UNIT_NAME, COUNTERS_COMPRESSION = 0x02, 0x04, 0x06, 0x08, 0x0A, 0x0B

# Source: SAE J1979 service $09 (from memory; reference 2.9). Length of one item in bytes.
ITEM_BYTES: Mapping[int, int] = {
    VIN: 17,
    CALIBRATION_IDS: 16,
    CHECKSUMS: 4,
    COUNTERS_SPARK: 2,
    UNIT_NAME: 20,
    COUNTERS_COMPRESSION: 2,
}
_SINGLE_ITEM = (VIN, UNIT_NAME)

# Order of the counters: SAE J1979 info types 08 and 0B (from memory; 08 also in reference 2.9).
_GROUPS: Mapping[int, tuple[str, ...]] = {
    COUNTERS_SPARK: (
        "catalyst-b1",
        "catalyst-b2",
        "oxygen-sensor-b1",
        "oxygen-sensor-b2",
        "egr-or-vvt",
        "secondary-air",
        "evap",
        "second-oxygen-sensor-b1",
        "second-oxygen-sensor-b2",
    ),
    COUNTERS_COMPRESSION: (
        "nmhc-catalyst",
        "nox-catalyst",
        "nox-adsorber",
        "particulate-filter",
        "exhaust-gas-sensor",
        "egr-or-vvt",
        "boost-pressure",
        "fuel-system",
    ),
}
MAX_RATIO = 7.99527


@dataclass(frozen=True, slots=True)
class MonitorUse:
    """How often one group of monitors has run, against how often the conditions for it were met."""

    group: str
    completions: int
    conditions: int

    @property
    def ratio(self) -> float | None:
        """Completions per condition met, capped at 7.99527 as the rules do; None before the first condition."""
        return min(self.completions / self.conditions, MAX_RATIO) if self.conditions else None


@dataclass(frozen=True, slots=True)
class InUseCounters:
    """The car's own tally; erasing codes does not reset it.

    `general_conditions` rises by one in a driving cycle that met the general minimum drive; `ignition_cycles` at each
    start. `further` holds counters beyond the ones we can name, in order.
    """

    general_conditions: int
    ignition_cycles: int
    monitors: tuple[MonitorUse, ...]
    further: tuple[int, ...] = ()

    def to_bytes(self) -> bytes:
        """Two bytes a counter in the standard order; raises OutOfRange above 65535."""
        numbers = [self.general_conditions, self.ignition_cycles]
        for monitor in self.monitors:
            numbers += [monitor.completions, monitor.conditions]
        numbers += self.further
        if not all(0 <= number <= 0xFFFF for number in numbers):
            raise OutOfRange("in-use counters", numbers, "each must be 0 to 65535")
        return b"".join(number.to_bytes(2, "big") for number in numbers)


def counters_from_bytes(info_type: int, data: bytes) -> InUseCounters:
    """Counters from the bytes after the item count of info type 08 (spark) or 0B (compression).

    Raises BadAnswer when there are fewer than two counters.
    """
    numbers = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
    if len(numbers) < 2 or len(data) % 2:
        raise BadAnswer("The answer with in-use counters holds no whole pair of counters", payload=data)
    pairs = numbers[2:]
    groups = _GROUPS[info_type][: len(pairs) // 2]
    monitors = tuple(MonitorUse(group, pairs[2 * i], pairs[2 * i + 1]) for i, group in enumerate(groups))
    return InUseCounters(numbers[0], numbers[1], monitors, tuple(pairs[2 * len(groups) :]))


InfoValue = str | tuple[str, ...] | InUseCounters


def info_from_bytes(info_type: int, count: int, data: bytes) -> tuple[InfoValue | None, str]:
    """The value of one info type, or None and the reason; `data` follows the item count.

    VIN and unit name are text; calibration ids and checksums (hex) are tuples, one entry an item.
    Raises AnswerTooShort or AnswerTooLong when the bytes do not match the count.
    """
    size = ITEM_BYTES.get(info_type)
    if size is None:
        return None, f"info type {info_type:02X} is not in our table; the bytes are raw"
    require_length(f"Info type {info_type:02X} with {count} item(s)", data, count * size)
    if info_type in _GROUPS:
        return counters_from_bytes(info_type, data), ""
    items = [data[at : at + size] for at in range(0, len(data), size)]
    if info_type == CHECKSUMS:
        return tuple(item.hex().upper() for item in items), ""
    texts = [_text(item) for item in items]
    if not texts or None in texts:
        return None, "the unit holds no readable text here; it may not have been programmed"
    readable = tuple(text for text in texts if text is not None)
    return (readable[0], "") if info_type in _SINGLE_ITEM else (readable, "")


def info_to_bytes(info_type: int, value: InfoValue) -> bytes:
    """Item count and items for a value of the same form as `info_from_bytes` returns; raises OutOfRange otherwise."""
    size = ITEM_BYTES.get(info_type)
    if size is None:
        raise OutOfRange("info type", f"{info_type:02X}", "our table has 02 04 06 08 0A 0B")
    if isinstance(value, InUseCounters):
        if info_type not in _GROUPS:
            raise OutOfRange(f"info type {info_type:02X}", value, "only 08 and 0B hold counters")
        data = value.to_bytes()
    elif info_type in _GROUPS:
        raise OutOfRange(f"info type {info_type:02X}", value, "it must be InUseCounters")
    else:
        texts = (value,) if isinstance(value, str) else value
        data = b"".join(_item(info_type, size, text) for text in texts)
    return bytes((len(data) // size,)) + data


def _item(info_type: int, size: int, text: str) -> bytes:
    if info_type == CHECKSUMS:
        try:
            item = bytes.fromhex(text)
        except ValueError:
            item = b""
    else:
        item = text.encode("ascii", "replace").ljust(size, b"\0")
    if len(item) != size:
        raise OutOfRange(f"info type {info_type:02X}", text, f"each item takes {size} bytes")
    return item


def _text(item: bytes) -> str | None:
    text = item.strip(b"\0 ")
    return text.replace(b"\0", b" ").decode("ascii") if text and all(32 <= b < 127 or b == 0 for b in text) else None
