"""`firstcause follow-up CASE.toml`: what to look at again after the car has left, also as a calendar."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from firstcause.cli.output import as_json, heading, line
from firstcause.cli.own_knowledge import own_folder


@click.command("follow-up")
@click.argument("case_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--km-a-month", type=click.FloatRange(min=1, max=30_000), default=1_000.0, show_default=True,
              help="How far the car is driven in a month.")  # fmt: skip
@click.option("--from", "starts", type=click.DateTime(["%Y-%m-%d"]), default=None, help="The day it leaves (today).")
@click.option("--calendar", type=click.Path(dir_okay=False, path_type=Path), default=None,
              help="Write it as a calendar file (.ics) as well.")  # fmt: skip
@click.option("--json", "json_out", is_flag=True, help="For programs; stable keys.")
def follow_up(
    case_file: Path, km_a_month: float, starts: datetime | None, calendar: Path | None, json_out: bool
) -> None:
    """What to look at again, by whom, after how far, and on about which day."""
    from firstcause.casebook.case import replay
    from firstcause.casebook.follow_up import follow_up as looks_of
    from firstcause.casebook.weighing import knowledge_of, weigh_case
    from firstcause.casebook.written import read_case_file

    now = datetime.now(UTC)
    case = replay(read_case_file(case_file, at=now).events)
    weighed = weigh_case(case, knowledge_of(case, own_folder()))
    looks = looks_of(weighed, (starts or now).date(), km_a_month)
    if calendar is not None:
        from firstcause.handover.calendar import calendar_of

        calendar.write_bytes(calendar_of(case, looks, now))
        click.echo(f"Calendar: {calendar}", err=True)
    if json_out:
        as_json([look.to_dict() for look in looks])
        return
    click.secho(f"{case.title}: when to look again", bold=True)
    for look in looks:
        where = "" if look.at_km is None else f", at {look.at_km:,.0f} km"
        heading(f"{look.on.isoformat()}{where}: {look.what} ({look.who})")
        line(look.how)
        line(f"[{look.ground}]")
    if not looks:
        line("The pack asks for nothing to be looked at again in such a case.")
