"""`firstcause plan CASE.toml`: the drive that is to prove the repair, before it is driven."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.output import as_json, heading, line, table
from firstcause.cli.own_knowledge import own_folder

if TYPE_CHECKING:
    from firstcause.roadtest.plan import Certainty, DrivePlan


@click.command()
@click.argument("case_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--limit", "limit_kmh", type=click.FloatRange(min=30, max=150), default=None, metavar="KM/H",
    help="The highest speed that is allowed where you drive (default 90 km/h).",
)  # fmt: skip
@click.option("--json", "json_out", is_flag=True, help="Everything, for programs; stable keys.")
def plan(case_file: Path, limit_kmh: float | None, json_out: bool) -> None:
    """Plan the drive that is to prove the repair: what to drive, how long, what it would show and what it cannot."""
    from firstcause.casebook.case import replay
    from firstcause.casebook.road import plan_needs
    from firstcause.casebook.weighing import knowledge_of, weigh_case
    from firstcause.casebook.written import read_case_file
    from firstcause.roadtest.plan import USUAL_SPEED_LIMIT_KMH, make_plan

    case = replay(read_case_file(case_file, at=datetime.now(UTC)).events)
    weighed = weigh_case(case, knowledge_of(case, own_folder()))
    made = make_plan(plan_needs(weighed, speed_limit_kmh=limit_kmh or USUAL_SPEED_LIMIT_KMH.value))
    if json_out:
        as_json({"title": case.title} | made.to_dict())
        return
    click.secho(f"{case.title}: the drive that is to prove the repair", bold=True)
    print_plan(made)


def print_plan(made: DrivePlan) -> None:
    """The plan as text, what forbids the drive first."""
    if made.stop:
        heading("First")
        for words in made.stop:
            line(f"! {words}")
    heading("Cautions")
    for words in made.cautions:
        line(f"! {words}")
    heading("Before the start")
    for words in made.before:
        line(words)
    heading(f"The drive, about {made.total_min:.0f} minutes" + (f", {made.drives} times" if made.drives > 1 else ""))
    for number, item in enumerate(made.items, start=1):
        line(f"{number}. {item.title}" + (f" ({item.minutes:.0f} min)" if item.minutes >= 1 else ""))
        line(item.how, 5)
        line(f"Why: {item.why} [{item.cite}; {item.mark}]", 5)
    heading("Afterwards")
    for words in made.after:
        line(words)
    if made.certainties:
        heading("How long for what certainty, under the old conditions")
        table([(f"{row.minutes:.1f} min", certainty_words(row)) for row in made.certainties], right=(0,))
    heading("What this drive cannot show")
    for words in made.cannot_show:
        line(words)


def certainty_words(row: Certainty) -> str:
    """One row of the table in words."""
    if row.of == "bouts":
        return f"would show bouts {row.size:.0f} min apart in {100 * row.chance:.0f} of 100 cases"
    return (
        f"without a misfire rule out 1 misfire in {1 / row.size:,.0f} firings of a cylinder, or more "
        f"({100 * row.chance:.0f} % confidence)"
    )
