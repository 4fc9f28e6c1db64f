"""What the trial found, in figures: means with bootstrap intervals, paired differences, calibration, the worst cars."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Row = dict[str, Any]
RESAMPLES = 4000
LEVEL = 0.95
OURS = "ours"


@dataclass(frozen=True)
class Interval:
    """An estimate with its 95 % interval, by resampling cars."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Gap:
    """One policy on the reduced problems: expected cost, and by which share it is above the exact optimum."""

    policy: str
    cost: Interval
    over_optimum: Interval
    worst: float
    """the largest excess on one problem, as a share"""


@dataclass(frozen=True)
class Line:
    """One policy over all cars that every policy finished. Shares between 0 and 1; money in the shop's currency."""

    policy: str
    cost: Interval
    cost_over_ours: Interval
    minutes: Interval
    p90: float
    worst: float
    good_parts: float
    false_cured: float
    comebacks: float
    named_right: Interval
    steps: float
    referrals: float
    seconds: float


@dataclass(frozen=True)
class Bin:
    """Suspects stated with a probability in one tenth: how many, what was said on average, how often it was right.

    `right_low`, `right_high`: 95 % by resampling whole cars, for what is said of one car is of one piece; `cars`: how
    many cars anything of the kind was said of.
    """

    low: float
    high: float
    count: int
    said: float
    right: float
    right_low: float = 0.0
    right_high: float = 1.0
    cars: int = 0


@dataclass(frozen=True)
class Tally:
    """Everything the report shows. `broken` counts rows in which the program refused or no car was found."""

    cars: int
    unknown: int
    drawn: int
    broken: int
    lines: tuple[Line, ...]
    bins: tuple[Bin, ...]
    worst: tuple[Row, ...] = field(default=())

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def tally(rows: Sequence[Row], policies: Sequence[str], seed: int) -> Tally:
    """The figures of the cars that every policy finished; the same rows give the same figures."""
    by_car: dict[int, dict[str, Row]] = {}
    for row in rows:
        if "cost" in row:
            by_car.setdefault(row["car"], {})[row["policy"]] = row
    whole = {car: found for car, found in sorted(by_car.items()) if all(p in found for p in policies)}
    broken = sum(bool(row.get("broken")) for row in rows)
    if not whole:
        return Tally(0, 0, 0, broken, (), ())
    picks = np.random.default_rng(seed).integers(len(whole), size=(RESAMPLES, len(whole)))
    base = _column(whole, OURS, "cost") if OURS in policies else None
    lines = tuple(_line(whole, policy, base, picks) for policy in policies)
    first = [found[policies[0]] for found in whole.values()]
    ours = [found[OURS] for found in whole.values() if OURS in found]
    worst = sorted(ours, key=lambda row: -row["cost"])[:5]
    return Tally(
        len(whole), sum(row["unknown"] for row in first), sum(row["drawn"] for row in first), broken, lines,
        calibration([row["stated"] for row in ours], seed), tuple(worst),
    )  # fmt: skip


def _column(whole: dict[int, dict[str, Row]], policy: str, key: str) -> NDArray[np.float64]:
    return np.array([float(found[policy][key]) for found in whole.values()])


def interval(values: NDArray[np.float64], picks: NDArray[np.int64]) -> Interval:
    """The mean and the percentile interval of its bootstrap (Efron & Tibshirani 1993, ch. 13), from memory."""
    means = values[picks].mean(axis=1)
    low, high = np.quantile(means, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return Interval(float(values.mean()), float(low), float(high))


def _line(
    whole: dict[int, dict[str, Row]], policy: str, base: NDArray[np.float64] | None, picks: NDArray[np.int64]
) -> Line:
    def mean(key: str) -> float:
        return float(_column(whole, policy, key).mean())

    cost = _column(whole, policy, "cost")
    referred = float(np.mean([found[policy]["state"] == "referred" for found in whole.values()]))
    return Line(
        policy, interval(cost, picks), interval(cost - (cost if base is None else base), picks),
        interval(_column(whole, policy, "minutes"), picks), float(np.quantile(cost, 0.9)), float(cost.max()),
        mean("good_parts"), mean("false_cured"), mean("comebacks"),
        interval(_column(whole, policy, "named_right"), picks), mean("steps"), referred, mean("seconds"),
    )  # fmt: skip


def calibration(stated: Sequence[Sequence[Sequence[Any]]], seed: int = 0) -> tuple[Bin, ...]:
    """Stated probabilities in ten bins against how often the suspect was truly there when the car came in.

    `stated`: for each car its (probability, whether so).
    """
    picks = np.random.default_rng(seed).integers(max(1, len(stated)), size=(RESAMPLES, len(stated)))
    found = []
    for low in np.arange(0.0, 1.0, 0.1):
        sums = np.array([_of_bin(pairs, low) for pairs in stated]).reshape(-1, 3)
        count, said, right = sums.sum(axis=0)
        if count == 0:
            continue
        drawn = sums[picks].sum(axis=1)
        shares = drawn[drawn[:, 0] > 0, 2] / drawn[drawn[:, 0] > 0, 0]
        least, most = np.quantile(shares, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
        found.append(Bin(float(low), float(low + 0.1), int(count), float(said / count), float(right / count),
                         float(least), float(most), int((sums[:, 0] > 0).sum())))  # fmt: skip
    return tuple(found)


def _of_bin(pairs: Sequence[Sequence[Any]], low: float) -> tuple[int, float, int]:
    """Of one car: how many were stated in this tenth, the sum of what was said, how many were so."""
    inside = [(float(p), bool(so)) for p, so in pairs if low <= p < low + 0.1 or (low > 0.85 and p >= 1.0)]
    return len(inside), sum(p for p, _ in inside), sum(so for _, so in inside)


COLUMNS = ("policy", "cost to true cure", "over ours", "minutes", "p90", "worst", "good parts", "false cured",
           "comebacks", "named right", "steps", "handed on")  # fmt: skip


def cells(line: Line) -> tuple[str, ...]:
    """One line of the table in words, under COLUMNS."""
    over = line.cost_over_ours
    return (
        line.policy, f"{line.cost.value:.0f} ({line.cost.low:.0f} to {line.cost.high:.0f})",
        "" if line.policy == OURS else f"{over.value:+.0f} ({over.low:+.0f} to {over.high:+.0f})",
        f"{line.minutes.value:.0f}", f"{line.p90:.0f}", f"{line.worst:.0f}", f"{line.good_parts:.2f}",
        f"{line.false_cured:.2f}", f"{line.comebacks:.2f}",
        f"{line.named_right.value:.0%} ({line.named_right.low:.0%} to {line.named_right.high:.0%})",
        f"{line.steps:.1f}", f"{line.referrals:.0%}",
    )  # fmt: skip


def table_text(tally: Tally) -> str:
    """The table as Markdown, with a line on what it covers."""
    rows = [COLUMNS, tuple("---" for _ in COLUMNS), *(cells(line) for line in tally.lines)]
    table = "\n".join("| " + " | ".join(row) + " |" for row in rows)
    told = (
        f"{tally.cars} cars ({tally.unknown} with a fault the knowledge does not contain; {tally.drawn} drawn until so "
        f"many had their lamp on for a misfire); {tally.broken} rows broken off."
    )
    return f"{table}\n\n{told}"


def gaps(costs: Mapping[str, NDArray[np.float64]], optimum: str, seed: int) -> tuple[Gap, ...]:
    """Each policy against the exact optimum, problem by problem; intervals by resampling problems."""
    best = costs[optimum]
    picks = np.random.default_rng(seed).integers(len(best), size=(RESAMPLES, len(best)))
    return tuple(
        Gap(policy, interval(found, picks), interval(found / best - 1.0, picks), float((found / best - 1.0).max()))
        for policy, found in costs.items()
    )


def gaps_text(found: Sequence[Gap], problems: int) -> str:
    """The reduced trial as Markdown."""
    lines = ["| policy | expected cost | over the exact optimum | worst problem |", "| --- | --- | --- | --- |"]
    for gap in found:
        cost, over = gap.cost, gap.over_optimum
        lines.append(
            f"| {gap.policy} | {cost.value:.0f} ({cost.low:.0f} to {cost.high:.0f}) | "
            f"{over.value:+.2%} ({over.low:+.2%} to {over.high:+.2%}) | {gap.worst:+.1%} |"
        )
    told = f"{problems} problems of five faults, three tests and three openings; the costs are exact expectations."
    return "\n".join(lines) + f"\n\n{told}"
