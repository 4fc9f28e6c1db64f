"""A drive as a profile of speed over time, how the engine must work for it, and the log that comes out."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.units import STANDARD_GRAVITY
from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar.engine import WorkingPoint

Floats = NDArray[np.float64]

# A middling car; common practice, no source: rpm per km/h in six gears, drag, rolling resistance, driveline loss.
RPM_PER_KMH = (125.0, 72.0, 48.0, 36.0, 28.0, 23.0)
DRAG_M2, ROLLING_SHARE, DRIVELINE_SHARE, AIR_KG_M3 = 0.68, 0.011, 0.90, 1.2
MASS_KG, MASS_KG_PER_LITRE = 900.0, 250.0
TORQUE_NM_PER_LITRE = 92.0
IDLE_RPM, IDLE_LOAD, LOWEST_PULLING_RPM = 720.0, 0.20, 1300.0
FAST_IDLE_RPM_PER_C, FAST_IDLE_MOST_RPM = 6.5, 500.0
THERMOSTAT_C = 90.0
COOLING_OFF_S = 2.0 * 3600  # standing still, the engine cools with this time constant


@dataclass(frozen=True)
class DriveProfile:
    """Speed over time. Arrays of shape (n,): `time_s` rises, `speed_kmh` not negative, `grade_percent` uphill positive.

    `roughness` of the road: 0 smooth, 1 cobbles and holes. Raises RequestError when the arrays do not fit together.
    """

    time_s: Floats
    speed_kmh: Floats
    grade_percent: Floats
    roughness: float = 0.0

    def __post_init__(self) -> None:
        shapes = {self.time_s.shape, self.speed_kmh.shape, self.grade_percent.shape}
        if len(shapes) != 1 or self.time_s.ndim != 1 or len(self.time_s) < 2:
            raise RequestError(
                "A drive needs time, speed and grade of one length, two points or more. Nothing was driven."
            )
        if not (np.diff(self.time_s) > 0).all() or not (self.speed_kmh >= 0).all():
            raise RequestError("In a drive time must rise and speed must not be negative. Nothing was driven.")

    @classmethod
    def from_arrays(
        cls, time_s: Sequence[float] | Floats, speed_kmh: Sequence[float] | Floats, grade_percent: float = 0.0
    ) -> DriveProfile:
        """A drive from two arrays, for example a certification cycle."""
        time = np.asarray(time_s, dtype=np.float64)
        return cls(time, np.asarray(speed_kmh, dtype=np.float64), np.full(len(time), grade_percent))

    @property
    def length_s(self) -> float:
        return float(self.time_s[-1] - self.time_s[0])


# Pieces: seconds, speed at their end in km/h, grade in percent. Shapes of ordinary drives; judgement.
_TOWN_BLOCK = ((25, 0, 0), (9, 32, 0), (20, 34, 0), (7, 0, 0), (18, 0, 0), (14, 52, 0), (40, 50, 0), (10, 0, 0))
_PIECES: dict[str, tuple[tuple[float, float, float], ...]] = {
    "town": ((30, 0, 0), *(_TOWN_BLOCK * 6), (30, 0, 0)),
    "motorway": ((40, 0, 0), (12, 50, 0), (60, 50, 0), (18, 115, 0), (600, 115, 0), (25, 60, 0), (60, 50, 0),
                 (12, 0, 0), (35, 0, 0)),
    "hill": ((35, 0, 0), (12, 50, 0), (40, 50, 0), (10, 70, 6), (240, 65, 7), (60, 70, -5), (120, 60, -5), (15, 0, 0),
             (40, 0, 0)),
    "cold-start": ((90, 0, 0), *(_TOWN_BLOCK * 2), (20, 0, 0)),
    "jam": ((40, 0, 0), *(((6, 18, 0), (10, 18, 0), (5, 0, 0), (75, 0, 0)) * 10), *(_TOWN_BLOCK * 2), (120, 0, 0)),
    "mixed": ((60, 0, 0), *(_TOWN_BLOCK * 3), (14, 70, 0), (180, 72, 0), (14, 105, 0), (300, 105, 0), (18, 50, 0),
              (60, 50, 0), (10, 0, 0), (120, 0, 0)),
}  # fmt: skip
NAMED_DRIVES = tuple(_PIECES)
CYCLES = {"udds": "udds.csv", "hwfet": "hwfet.csv", "us06": "us06.csv", "wltc": "wltc_3b.csv"}  # cycles/README.md


def named_drive(name: str, step_s: float = 0.5, minutes: float | None = None) -> DriveProfile:
    """A drive by name: town, jam, motorway, hill, cold-start, mixed; a cycle; or `idle` of so many minutes.

    Cycles: udds, hwfet, us06, wltc. With `minutes` the drive is repeated and cut to that length. Raises RequestError
    for another name.
    """
    if name == "idle":
        length = 60.0 * (minutes if minutes is not None else 5.0)
        time = np.arange(0.0, length + step_s / 2, step_s)
        return DriveProfile(time, np.zeros(len(time)), np.zeros(len(time)))
    if name in CYCLES:
        return _cycle(CYCLES[name], step_s, minutes)
    if name not in _PIECES:
        known = ", ".join((*NAMED_DRIVES, *CYCLES))
        raise RequestError(f"No drive is called {name!r}; there are idle, {known}. Nothing was driven.")
    pieces = [Piece(*piece) for piece in _PIECES[name]]
    length = sum(piece.seconds for piece in pieces)
    repeats = 1 if minutes is None else max(1, int(np.ceil(60 * minutes / length)))
    return drive_of(pieces * repeats, step_s, None if minutes is None else 60 * minutes)


@dataclass(frozen=True)
class Piece:
    """A piece of a drive: its length, the speed reached at its end, and the grade uphill."""

    seconds: float
    speed_kmh: float
    grade_percent: float = 0.0


def drive_of(
    pieces: Sequence[Piece], step_s: float = 0.5, end_s: float | None = None, roughness: float = 0
) -> DriveProfile:
    """A drive from standstill made of pieces, cut at `end_s`. Raises RequestError when there is nothing to drive."""
    if not pieces or any(not piece.seconds > 0 for piece in pieces):
        raise RequestError("A described drive needs pieces longer than nothing. Nothing was driven.")
    knots_s, knots_kmh = [0.0], [0.0]
    for piece in pieces:
        knots_s.append(knots_s[-1] + piece.seconds)
        knots_kmh.append(float(piece.speed_kmh))
    time = np.arange(0.0, (knots_s[-1] if end_s is None else end_s) + step_s / 2, step_s)
    slopes = np.array([piece.grade_percent for piece in pieces], np.float64)
    slope = slopes[np.minimum(np.searchsorted(np.array(knots_s[1:]), time), len(pieces) - 1)]
    return DriveProfile(time, np.interp(time, knots_s, knots_kmh), slope, roughness)


def described_drive(text: str, step_s: float = 0.5) -> DriveProfile:
    """A drive in words: pieces parted by commas, each `5 min at 90 km/h`, `40 s idle`, `3 min at 60 km/h uphill 6 %`.

    `rough road` anywhere makes the road rough. Speeds change by 5 km/h a second between the pieces. Raises
    RequestError for words it does not know.
    """
    pieces: list[Piece] = []
    rough = "rough road" in text
    at_kmh = 0.0
    for words in filter(None, (part.strip() for part in text.replace("rough road", "").split(","))):
        match = _DESCRIBED.fullmatch(words)
        if match is None:
            raise RequestError(
                f"Of the described drive {words!r} was not understood; write '5 min at 90 km/h', '40 s idle' or "
                "'3 min at 60 km/h uphill 6 %'. Nothing was driven."
            )
        seconds = float(match["length"]) * (60.0 if match["unit"] == "min" else 1.0)
        speed = float(match["speed"] or 0.0)
        grade = float(match["grade"] or 0.0) * (-1 if match["way"] == "downhill" else 1)
        change_s = abs(speed - at_kmh) / KMH_PER_S
        if change_s > 0:
            pieces.append(Piece(change_s, speed, grade))
        pieces.append(Piece(seconds, speed, grade))
        at_kmh = speed
    if at_kmh > 0:
        pieces.append(Piece(at_kmh / KMH_PER_S, 0.0))
    return drive_of(pieces, step_s, roughness=1.0 if rough else 0.0)


KMH_PER_S = 5.0
_DESCRIBED = re.compile(
    r"(?P<length>\d+(?:\.\d+)?) ?(?P<unit>min|s)(?: (?:at )?(?:idle|(?P<speed>\d+(?:\.\d+)?) ?km/h))"
    r"(?: (?P<way>uphill|downhill) (?P<grade>\d+(?:\.\d+)?) ?%)?"
)


def _cycle(file: str, step_s: float, minutes: float | None) -> DriveProfile:
    """A certification cycle from its speed trace at 1 Hz."""
    text = (resources.files(__package__) / "cycles" / file).read_text(encoding="utf-8-sig")
    rows = [line.split(",") for line in text.splitlines()[1:] if line]
    time_s = np.array([float(row[0]) for row in rows])
    speed_kmh = np.array([float(row[1]) for row in rows]) * 3.6
    length_s = float(time_s[-1]) if minutes is None else 60 * minutes
    time = np.arange(0.0, length_s + step_s / 2, step_s)
    speed = np.maximum(0.0, np.interp(np.mod(time, float(time_s[-1]) + 1.0), time_s, speed_kmh))
    return DriveProfile.from_arrays(time, speed)


def warm_up_c(coolant_c: float, dt_s: float, rpm: float, load: float, opens_c: float = THERMOSTAT_C) -> float:
    """Coolant after a step with the engine running: heat by work done, held by the thermostat (judgement)."""
    return min(max(opens_c, coolant_c - 0.05 * dt_s), coolant_c + dt_s * (0.02 + 0.6 * load * rpm / 3000))


def cool_down_c(coolant_c: float, ambient_c: float, hours: float) -> float:
    """Coolant after standing."""
    return float(ambient_c + (coolant_c - ambient_c) * np.exp(-hours * 3600 / COOLING_OFF_S))


def working_points(
    profile: DriveProfile, layout: EngineLayout, coolant_c: float, ambient_c: float, opens_c: float = THERMOSTAT_C
) -> Iterator[tuple[float, WorkingPoint]]:
    """Each step of a drive as (time at its end, what the engine must do): longitudinal force, gear, torque, load."""
    mass = MASS_KG + MASS_KG_PER_LITRE * layout.displacement_l
    for at in range(1, len(profile.time_s)):
        dt = float(profile.time_s[at] - profile.time_s[at - 1])
        before, speed = float(profile.speed_kmh[at - 1]), float(profile.speed_kmh[at])
        middle_m_s = (before + speed) / 7.2
        pull_n = (
            mass * (speed - before) / 3.6 / dt
            + mass * STANDARD_GRAVITY * (ROLLING_SHARE + float(profile.grade_percent[at]) / 100)
            + AIR_KG_M3 / 2 * DRAG_M2 * middle_m_s**2
        )
        rpm, load, cut = _engine_work(layout, middle_m_s * 3.6, pull_n * middle_m_s, coolant_c)
        yield (
            float(profile.time_s[at]),
            WorkingPoint(dt, rpm, load, middle_m_s * 3.6, coolant_c, ambient_c, cut, profile.roughness),
        )
        coolant_c = warm_up_c(coolant_c, dt, rpm, load, opens_c)


def _engine_work(layout: EngineLayout, speed_kmh: float, power_w: float, coolant_c: float) -> tuple[float, float, bool]:
    """Engine speed, load share and fuel cut for a road power; shifts down when the gear cannot carry it."""
    cold = float(np.clip(80 - coolant_c, 0, FAST_IDLE_MOST_RPM / FAST_IDLE_RPM_PER_C))
    idle_rpm = IDLE_RPM + FAST_IDLE_RPM_PER_C * cold
    if speed_kmh < 3:
        return idle_rpm, IDLE_LOAD + 0.0008 * cold, False
    pulling = [gear for gear, ratio in enumerate(RPM_PER_KMH) if speed_kmh * ratio >= LOWEST_PULLING_RPM]
    gear = max(pulling, default=0)
    while True:
        rpm = max(idle_rpm, speed_kmh * RPM_PER_KMH[gear])
        most_nm = (
            TORQUE_NM_PER_LITRE * layout.displacement_l * float(np.interp(rpm, (800, 2500, 6500), (0.75, 1.0, 0.85)))
        )
        need_nm = power_w / (rpm * 2 * np.pi / 60) / (DRIVELINE_SHARE if power_w > 0 else 1 / DRIVELINE_SHARE)
        share = need_nm / most_nm
        if share <= 0.9 or gear == 0 or speed_kmh * RPM_PER_KMH[gear - 1] > 5500:
            break
        gear -= 1
    if share < -0.02 and rpm > idle_rpm + 300:
        return rpm, 0.03, True
    return rpm, float(np.clip(0.14 + 0.86 * share, 0.10, 1.0)), False


@dataclass(frozen=True)
class DriveRecord:
    """What was logged. Arrays of shape (n,), misfires (n, cylinders): counts in the step that ends at time_s."""

    time_s: Floats
    rpm: Floats
    speed_kmh: Floats
    load_percent: Floats
    coolant_c: Floats
    ambient_c: Floats
    short_trim_percent: Floats
    long_trim_percent: Floats
    misfires: NDArray[np.int64]
    ignition_events: NDArray[np.int64]
    true_misfires: NDArray[np.int64]
    lamp: tuple[str, ...]
    stalled: bool = False

    @property
    def km(self) -> float:
        return float((self.speed_kmh * np.diff(self.time_s, prepend=0.0)).sum() / 3600)

    def count(self, cylinder: int) -> int:
        """Misfires counted by the control unit on one cylinder."""
        return int(self.misfires[:, cylinder - 1].sum())

    def events(self, cylinder: int) -> int:
        """Ignition events of one cylinder."""
        return int(self.ignition_events[:, cylinder - 1].sum())

    def share(self, cylinder: int, low_rpm: float = 0.0, high_rpm: float = 1e9) -> float | None:
        """Misfires over ignition events of one cylinder between two speeds; None without any event there."""
        there = (self.rpm >= low_rpm) & (self.rpm < high_rpm)
        events = int(self.ignition_events[there, cylinder - 1].sum())
        return int(self.misfires[there, cylinder - 1].sum()) / events if events else None

    def write_csv(self, path: Path) -> Path:
        """Write the log as an adapter would record it: headings with units, running misfire counters per cylinder."""
        banks, cylinders = self.short_trim_percent.shape[1], self.misfires.shape[1]
        heads = ["Time (s)", "Engine speed (rpm)", "Vehicle speed (km/h)", "Calculated load (%)"]
        heads += ["Coolant temperature (degC)", "Ambient air temperature (degC)"]
        for bank in range(1, banks + 1):
            heads += [f"Short term fuel trim bank {bank} (%)", f"Long term fuel trim bank {bank} (%)"]
        heads += [f"Misfires cylinder {number}" for number in range(1, cylinders + 1)] + ["Lamp"]
        running = self.misfires.cumsum(axis=0)
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(heads)
            for at in range(len(self.time_s)):
                row = [f"{self.time_s[at]:.2f}", f"{self.rpm[at]:.0f}", f"{self.speed_kmh[at]:.1f}"]
                row += [f"{self.load_percent[at]:.1f}", f"{self.coolant_c[at]:.1f}", f"{self.ambient_c[at]:.1f}"]
                for bank in range(banks):
                    row += [f"{self.short_trim_percent[at, bank]:.1f}", f"{self.long_trim_percent[at, bank]:.1f}"]
                writer.writerow([*row, *(str(count) for count in running[at]), self.lamp[at]])
        return path
