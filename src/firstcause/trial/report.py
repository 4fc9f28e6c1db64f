"""The trial's report: one JSON file, and one page with its pictures inside."""

from __future__ import annotations

import json
from collections.abc import Sequence
from html import escape
from pathlib import Path

import numpy as np

from firstcause.casebook import svg
from firstcause.trial.run import Plan
from firstcause.trial.table import COLUMNS, OURS, Line, Row, Tally, cells, table_text

WIDTH, LEFT, RIGHT, ROW = 760.0, 170.0, 24.0, 30.0
SIDE, MARGIN = 320.0, 46.0
_STYLE = """body{font:15px/1.45 sans-serif;max-width:76rem;margin:2rem auto;padding:0 1rem;color:#111}
.wide{overflow-x:auto}table{border-collapse:collapse;font-size:13px}td,th{padding:.25rem .6rem;text-align:right;
border-bottom:1px solid #ccc;white-space:nowrap}td:first-child,th:first-child{text-align:left}
svg{max-width:100%;height:auto}svg.bars,svg.curves{max-width:56rem;display:block}svg.calibration{max-width:26rem}pre{white-space:pre-wrap;font-size:12px;background:#f5f5f3;padding:.6rem}"""


def write_report(plan: Plan, rows: Sequence[Row], tally: Tally, folder: Path) -> tuple[Path, Path, Path]:
    """Writes report.json, report.md and report.html into the folder; returns their paths."""
    found = {**plan.head(), "policies": list(plan.policies), **tally.to_dict()}
    paths = folder / "report.json", folder / "report.md", folder / "report.html"
    paths[0].write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    paths[1].write_text(table_text(tally) + "\n", encoding="utf-8")
    paths[2].write_text(page(plan, rows, tally), encoding="utf-8")
    return paths


def page(plan: Plan, rows: Sequence[Row], tally: Tally) -> str:
    """The whole page."""
    head = "".join(f"<th>{escape(name)}</th>" for name in COLUMNS)
    body = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in cells(line)) + "</tr>" for line in tally.lines)
    worst = "".join(
        f"<h3>Car {row['car']} ({escape(row['shape'])}): {row['cost']:.0f}, {escape(row['state'])}</h3>"
        f"<p>Hidden: {escape(', '.join(row['faults']))}.</p><pre>{escape(chr(10).join(row['log']))}</pre>"
        for row in tally.worst
    )
    costs = {line.policy: sorted(row["cost"] for row in rows if row["policy"] == line.policy and "cost" in row)
             for line in tally.lines}  # fmt: skip
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        f"<title>Trial, seed {plan.seed}</title><style>{_STYLE}</style><h1>Trial: seed {plan.seed}, physics "
        f"{escape(plan.physics)}</h1><p>{escape(table_text(tally).splitlines()[-1])} Intervals: 95 %, by resampling "
        f"cars; the cars are the same for every policy.</p><h2>Cost to true cure</h2>{bars(tally.lines)}"
        f"{curves(costs)}<h2>Table</h2><div class=wide><table><tr>{head}</tr>{body}</table></div>"
        f"<h2>What we said, and how often it was so</h2>{calibration_picture(tally)}"
        f"<p>Each point: all suspects stated within a tenth, at every step of the way. Its line: the 95 % interval by "
        f"resampling cars. Below it: of how many cars any was stated.</p>"
        f"<h2>The five cars that went worst for us</h2>{worst}</html>"
    )


def bars(lines: Sequence[Line]) -> str:
    """Mean cost of each policy with its interval."""
    if not lines:
        return ""
    most = max(line.cost.high for line in lines)
    span = WIDTH - LEFT - 90.0
    parts = []
    for at, line in enumerate(lines):
        y, x = 12 + at * ROW, LEFT + span * line.cost.value / most
        low, high = (LEFT + span * edge / most for edge in (line.cost.low, line.cost.high))
        fill = "#2f6b52" if line.policy == OURS else "#b9c2bd"
        parts += [
            svg.text(LEFT - 8, y + 14, line.policy, "name", anchor="end", size=12),
            svg.box(LEFT, y, x - LEFT, 18, "bar", 1, fill=fill),
            _whisker(low, y + 9, high, y + 9),
            svg.text(high + 6, y + 14, f"{line.cost.value:.0f}", "figure", size=12),
        ]
    told = "; ".join(f"{line.policy} {line.cost.value:.0f}" for line in lines)
    return svg.picture(WIDTH, 20 + len(lines) * ROW, "bars", "cost", "Mean cost to true cure", told, "".join(parts))


def _whisker(x1: float, y1: float, x2: float, y2: float) -> str:
    """An interval that is seen on any ground: dark in a white border."""
    at = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {at} stroke="#fff" stroke-width="5"/><line {at} stroke="#111" stroke-width="1.6"/>'


def _round_steps(most: float) -> list[float]:
    """Three to six round numbers from 0 up to at most `most`."""
    rough = 10.0 ** np.floor(np.log10(most / 3))
    step = next(rough * times for times in (10, 5, 2, 1) if most / (rough * times) >= 3)
    return [float(step * n) for n in range(int(most / step) + 1)]


_INKS = ("#2f6b52", "#a4552a", "#33568f", "#7a7a7a", "#8a3b6f", "#b08a1e", "#4b8f96", "#222222")


def curves(costs: dict[str, list[float]]) -> str:
    """Which share of cars cost at most so much, for each policy."""
    every = [cost for some in costs.values() for cost in some]
    if not every:
        return ""
    most, height = max(every), 260.0
    span = WIDTH - 60.0 - 180.0
    parts = [svg.line(60, 20 + height, 60 + span, 20 + height, "axis"), svg.line(60, 20, 60, 20 + height, "axis")]
    for share in (0.0, 0.5, 1.0):
        parts.append(svg.text(52, 24 + height * (1 - share), f"{share:.0%}", "tick", anchor="end"))
    for cost in _round_steps(most):
        parts.append(svg.text(60 + span * cost / most, 36 + height, f"{cost:,.0f}", "tick", anchor="middle"))
    for at, (policy, some) in enumerate(costs.items()):
        points = f"60,{20 + height:.1f} " + " ".join(
            f"{60 + span * cost / most:.1f},{20 + height * (1 - (n + 1) / len(some)):.1f}"
            for n, cost in enumerate(some)
        )
        ink, wide = _INKS[at % len(_INKS)], 3.2 if policy == OURS else 1.4
        parts.append(f'<polyline points="{points}" fill="none" stroke="{ink}" stroke-width="{wide}"/>')
        parts.append(svg.text(WIDTH - 168, 34 + at * 18, policy, "key", size=12, fill=ink, weight=600))
    parts.append(svg.text(60 + span, 52 + height, "cost to true cure, at most", "name", anchor="end", size=12))
    parts.append(svg.text(66, 18, "cars", "name", size=12))
    title = "Share of cars that cost at most so much"
    return svg.picture(WIDTH, 60 + height, "curves", "share", title, ", ".join(costs), "".join(parts))


def calibration_picture(tally: Tally) -> str:
    """Stated against true, with the line on which both agree."""

    def at(x: float, y: float) -> tuple[float, float]:
        return MARGIN + SIDE * x, 10 + SIDE * (1 - y)

    (x0, y0), (x1, y1) = at(0, 0), at(1, 1)
    parts = [svg.line(x0, y0, x1, y1, "agree", dash="4 4")]
    parts += [svg.line(x0, y0, x1, y0, "axis"), svg.line(x0, y0, x0, y1, "axis")]
    for share in (0.0, 0.5, 1.0):
        parts.append(svg.text(at(share, 0)[0], y0 + 16, f"{share:.0%}", "tick", anchor="middle"))
        parts.append(svg.text(x0 - 6, at(0, share)[1] + 4, f"{share:.0%}", "tick", anchor="end"))
    for one in tally.bins:
        x, y = at(one.said, one.right)
        parts.append(_whisker(x, at(0, one.right_low)[1], x, at(0, one.right_high)[1]))
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#2f6b52"/>')
        parts.append(svg.text(x, y0 + 30, str(one.cars), "count", anchor="middle", size=9))
    parts.append(svg.text(x0 - 8, y0 + 30, "cars", "count", anchor="end", size=9))
    parts.append(svg.text(x1, y0 + 46, "said", "name", anchor="end", size=12))
    parts.append(svg.text(x0 + 6, 18, "was so", "name", size=12))
    told = "; ".join(f"said {b.said:.0%}: {b.right:.0%} of {b.count}" for b in tally.bins)
    return svg.picture(SIDE + MARGIN + 60, SIDE + 68, "calibration", "calibration", "Calibration", told, "".join(parts))
