"""The numbers of the regulation that a drive is judged by, each with its paragraph and how it was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from firstcause.units import MILE_KM, convert

Mark = Literal["read in the official text", "from memory", "judgement"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One number of a rule. `unit` is the unit of `value`; `cite` the paragraph; `mark` how it was read."""

    value: float
    unit: str
    cite: str
    mark: Mark
    note: str = ""


# The text known to us is 13 CCR 1968.2 as approved on 9 Nov 2007; it was amended several times since.
_CCR = "13 CCR 1968.2"


@dataclass(frozen=True, slots=True)
class MinimumDrive:
    """The single drive that must have happened: run time, time at speed, one continuous idle."""

    name: str
    run: Limit
    fast_time: Limit
    fast_speed: Limit
    idle_time: Limit
    idle_speed: Limit


MINIMUM_DRIVE = MinimumDrive(
    name="minimum drive (California and US federal)",
    run=Limit(600.0, "s", f"{_CCR}(d)(2.5.2)(B)(iii), cumulative time since engine start", "from memory"),
    fast_time=Limit(300.0, "s", f"{_CCR}(d)(2.5.2)(B)(iii), cumulative operation at 25 mph or more", "from memory"),
    fast_speed=Limit(25 * MILE_KM, "km/h", f"{_CCR}(d)(2.5.2)(B)(iii), 25 mph", "from memory"),
    idle_time=Limit(30.0, "s", f"{_CCR}(d)(2.5.2)(B)(iii), continuous idle, accelerator released", "from memory"),
    idle_speed=Limit(1 * MILE_KM, "km/h", f"{_CCR}(d)(2.5.2)(B)(iii), 1 mph or less", "from memory"),
)
MINIMUM_DRIVE_EU = MinimumDrive(
    name="minimum drive (European counterpart)",
    run=Limit(600.0, "s", "UN R83 Annex 11 App. 1, 7.5", "from memory"),
    fast_time=Limit(300.0, "s", "UN R83 Annex 11 App. 1, 7.5", "from memory"),
    fast_speed=Limit(40.0, "km/h", "UN R83 Annex 11 App. 1, 7.5", "from memory"),
    idle_time=Limit(30.0, "s", "UN R83 Annex 11 App. 1, 7.5", "from memory"),
    idle_speed=Limit(1.6, "km/h", "UN R83 Annex 11 App. 1, 7.5", "from memory"),
)
GENERAL_AMBIENT = Limit(convert(20.0, "degF", "degC"), "degC", f"{_CCR}(d)(4.3.2)(B), 20 degF or more", "from memory")
GENERAL_ALTITUDE = Limit(2438.4, "m", f"{_CCR}(d)(4.3.2)(B), below 8,000 ft", "from memory")

WARM_UP_RISE = Limit(40 * 5 / 9, "K", f"{_CCR}(c), warm-up cycle, 40 degF above the start", "from memory")
WARM_UP_REACHED = Limit(
    convert(160.0, "degF", "degC"), "degC", f"{_CCR}(c), warm-up cycle, 160 degF (spark)", "from memory"
)

WINDOW_RPM = Limit(375.0, "rpm", f"{_CCR}(c), similar conditions, engine speed", "from memory")
WINDOW_LOAD = Limit(
    20.0, "%", f"{_CCR}(c), similar conditions, load", "from memory",
    "the text says 'within 20 percent'; read as points of calculated load, or as a share of the stored load",
)  # fmt: skip
WARM_FROM = Limit(
    WARM_UP_REACHED.value, "degC", f"{_CCR}(c), same warm-up status", "judgement",
    "the text gives no temperature for cold or warm; the end of the warm-up cycle is used",
)  # fmt: skip

LAMP_OFF_CYCLES = Limit(3, "driving cycles", f"{_CCR}(d)(2.3); misfire (e)(3.4.5)", "from memory")
CONFIRMED_ERASE_WARM_UPS = Limit(40, "warm-up cycles", f"{_CCR}(d)(2.4)", "from memory")
PENDING_ERASE_CYCLES = Limit(80, "driving cycles", f"{_CCR}(e)(3.4.1)(C), fuel (e)(6.4.3)", "from memory",
    "the same rule for the fuel system was read in the official text")  # fmt: skip
EMISSION_WINDOW = Limit(1000, "crankshaft revolutions", f"{_CCR}(e)(3.2.2)", "from memory")
EMISSION_FLOOR = Limit(1.0, "% of all firings", f"{_CCR}(e)(3.2.2)", "from memory")
PERMANENT_RATIO = Limit(1, "passing driving cycle", f"{_CCR}(d)(2.5.2)(A)", "read in the official text")
PERMANENT_OTHER_SCOPE = Limit(1, "minimum drive", f"{_CCR}(d)(2.5.2)(B), misfire, fuel system, components",
    "read in the official text")  # fmt: skip

# Judgements of ours: what a recording may be taken for.
RUNNING_RPM = Limit(300.0, "rpm", "ours: above cranking, below any idle", "judgement")
TRIP_PAUSE = Limit(
    180.0, "s", "ours: a longer stop or silence is a new trip; traffic-light stops are shorter", "judgement"
)
PEDAL_RELEASED_ABOVE_REST = Limit(3.0, "%", "ours: points above the lowest pedal reading of the drive", "judgement")


def rules_table() -> dict[str, Limit]:
    """Every limit by its name, for a page that shows what the verdicts stand on."""
    plain = {name.lower(): value for name, value in globals().items() if isinstance(value, Limit)}
    for prefix, drive in (("minimum_drive", MINIMUM_DRIVE), ("minimum_drive_eu", MINIMUM_DRIVE_EU)):
        for part in ("run", "fast_time", "fast_speed", "idle_time", "idle_speed"):
            plain[f"{prefix}.{part}"] = getattr(drive, part)
    return plain
