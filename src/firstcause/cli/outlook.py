"""`firstcause outlook CASE.toml`: the options side by side over the owner's horizon, with their spread."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.output import as_json, heading, line, table
from firstcause.cli.own_knowledge import own_folder

if TYPE_CHECKING:
    from collections.abc import Sequence

    from firstcause.casebook.outlook import Ahead
    from firstcause.casebook.who_pays import Question
    from firstcause.outlook.forecast import Forecast
    from firstcause.outlook.oil_dose import Driving

ABOVE_ZERO = click.FloatRange(min=0, min_open=True, max=1_000_000)


@click.command()
@click.argument("case_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--months", type=click.FloatRange(min=1, max=360), default=24.0, show_default=True,
              help="How long the owner will keep the car.")  # fmt: skip
@click.option("--km-a-month", type=click.FloatRange(min=1, max=30_000), default=1_000.0, show_default=True,
              help="How far it is driven in a month.")  # fmt: skip
@click.option("--driving", type=click.Choice(["city", "mixed", "highway"]), default="mixed", show_default=True,
              help="How it is mostly driven: oil fouls a plug sooner in town.")  # fmt: skip
@click.option("--rate", type=ABOVE_ZERO, default=None, help="The shop's labour rate an hour (else: knowledge base).")
@click.option("--currency", default="USD", show_default=True, help="In what the prices are named.")
@click.option("--cars", type=click.IntRange(100, 1_000_000), default=20_000, show_default=True,
              help="How many cars are drawn for each option.")  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Same seed, same figures.")
@click.option("--pictures", type=click.Path(file_okay=False, path_type=Path), default=None,
              help="A folder for the three pictures (SVG).")  # fmt: skip
@click.option("--json", "json_out", is_flag=True, help="Everything, for programs; stable keys.")
def outlook(
    case_file: Path, months: float, km_a_month: float, driving: Driving, rate: float | None, currency: str, cars: int,
    seed: int, pictures: Path | None, json_out: bool,
) -> None:  # fmt: skip
    """What each option costs over time, when the complaint may be back, and what the choice hangs on."""
    from firstcause.casebook.case import replay
    from firstcause.casebook.outlook import look_ahead
    from firstcause.casebook.shop import Shop
    from firstcause.casebook.weighing import knowledge_of, weigh_case
    from firstcause.casebook.who_pays import who_else_pays
    from firstcause.casebook.written import read_case_file

    case = replay(read_case_file(case_file, at=datetime.now(UTC)).events)
    weighed = weigh_case(case, knowledge_of(case, own_folder()), shop=Shop(rate))
    ahead = look_ahead(weighed, months, km_a_month, seed, cars, driving)
    questions = who_else_pays(weighed, datetime.now(UTC).date())
    if pictures is not None:
        _draw(ahead, currency, pictures)
    if json_out:
        as_json({"title": case.title} | ahead.to_dict() | {"who_else_pays": [each.to_dict() for each in questions]})
        return
    click.secho(f"{case.title}: the options over {months:g} months and {ahead.horizon_km:,.0f} km", bold=True)
    print_ahead(ahead, currency)
    print_who_pays(questions)


def print_who_pays(questions: Sequence[Question]) -> None:
    """Who else may pay, as text; what has passed in one line each."""
    from firstcause.casebook.who_pays import BEFORE

    heading("Who else may pay")
    line(BEFORE)
    for each in questions:
        if each.standing == "has passed":
            line(f"Passed: {each.who} ({each.why}; {each.cite}).")
        else:
            line(f"{each.standing.capitalize()}: {each.who}. {each.ask} ({each.why}; {each.cite}).")


def _draw(ahead: Ahead, currency: str, folder: Path) -> None:
    from firstcause.casebook.outlook_drawing import draw_prices, draw_returns, draw_what_matters

    folder.mkdir(parents=True, exist_ok=True)
    for name, drawn in (
        ("price-over-distance", draw_prices(ahead, currency)),
        ("chance-of-return", draw_returns(ahead)),
        ("what-matters", draw_what_matters(ahead, currency)),
    ):
        if drawn:
            (folder / f"{name}.svg").write_text(drawn, encoding="utf-8")
            click.echo(f"Picture: {folder / f'{name}.svg'}", err=True)


def print_ahead(ahead: Ahead, currency: str) -> None:
    """The outlook as text."""
    heading("What may stand")
    for each in ahead.prospects.standing:
        line(f"{100 * each.chance:3.0f} in 100  {each.name}")
    for told in ahead.forecasts:
        _print_option(told, ahead, currency)
    heading("Where the order changes")
    for found in ahead.pays:
        early, late = found.between_km
        until = "beyond the horizon" if late is None else f"{late:,.0f} km"
        line(
            f"“{found.pays.name}” pays over “{found.over.name}” if the car is kept for more than about "
            f"{found.at_km:,.0f} km ({found.at_km / ahead.km_a_month:.0f} months); by the chance of the draw between "
            f"{early:,.0f} km and {until}."
        )
    if not ahead.pays:
        line("Within this horizon no dearer option pays for itself against a cheaper one.")
    if ahead.matters and ahead.between is not None:
        names = {each.course.key: each.course.name for each in ahead.forecasts}
        heading("What it hangs on")
        line(f"How much dearer “{names[ahead.between[1]]}” is than “{names[ahead.between[0]]}” at the end:")
        table([(f"{m.down:,.0f} to {m.up:,.0f}", m.name) for m in ahead.matters], right=(0,))
        line("Chances moved by odds of 2, lives by 1.5, prices by 1.25, each alone (judgement).")
    if ahead.first_back and ahead.prospects.gone_now:
        heading("What would bring it back first, if nothing more is done")
        table([(f"{100 * chance:.0f} in 100", name) for name, chance in ahead.first_back if chance >= 0.005])
        line(f"Not back within {ahead.horizon_km:,.0f} km: {100 * ahead.not_back:.0f} in 100. Two may stand at once.")
    heading("On what it rests")
    for words in ahead.prospects.spans:
        line(words)
    heading("What stays unknown")
    for words in ahead.prospects.unknown:
        line(words)
    line(f"Reckoned with {ahead.draws:,} drawn cars (seed {ahead.seed}).")


def _print_option(told: Forecast, ahead: Ahead, currency: str) -> None:
    mean, low, high = told.price_at_end
    least, most = ahead.prospects.price_spans[told.course.key]
    heading(told.course.name)
    if told.course.key == "sell":
        line(f"Off the price, about {mean:,.0f} {currency}: what the cure would cost a buyer, cause by cause.")
        line(told.course.leaves_open)
        return
    span = f"from {least:,.0f}" if most is None else f"{least:,.0f} to {most:,.0f}"
    price = told.course.price_now
    now = "nothing" if not price else f"{price:,.0f} {currency}" + ("" if most == least else f" ({span})")
    line(f"Now: {now}.")
    line(
        f"At the end: {mean:,.0f} {currency} in the mean (± {2 * told.error[-1]:,.0f} by the draw); "
        f"8 of 10 owners {low:,.0f} to {high:,.0f}."
    )
    back = told.first_return_km
    when = "" if back is None else f", then first after {back[1]:,.0f} km (8 of 10: {back[0]:,.0f} to {back[2]:,.0f})"
    line(f"The complaint is back in {100 * told.returned[-1]:.0f} of 100{when}.")
    if ahead.prospects.harm_words:
        line(f"Lasting harm ({ahead.prospects.harm_words}): {100 * told.harmed[-1]:.1f} of 100.")
    line(told.course.leaves_open)
