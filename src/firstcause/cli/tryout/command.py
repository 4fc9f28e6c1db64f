"""`firstcause tryout`: two whole cases on the virtual car, from lit lamp to hand-over, with all they leave behind."""

from __future__ import annotations

import shutil
import sys
import textwrap
import time
from pathlib import Path

import click

from firstcause.cli.output import WIDTH, heading, line

CASEBOOK_NAME = "casebook.db"


@click.command()
@click.option(
    "--into",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("tryout"),
    show_default=True,
    help="Folder for the case files, pages and recordings; an earlier tryout in it is replaced.",
)
@click.option("--story", "only", type=click.Choice(["valve", "rings"]), default=None, help="Play one story only.")
def tryout(into: Path, only: str | None) -> None:
    """Play two whole cases on the virtual car: a tempting part that is not to blame, and relief that is not cure."""
    from firstcause.casebook.bundle import export_case
    from firstcause.casebook.store import CaseStore
    from firstcause.casebook.written import write_case
    from firstcause.cli.handover import write_pages
    from firstcause.cli.tryout.play import Player, ShopClock
    from firstcause.cli.tryout.stories import STORIES
    from firstcause.knowledge.base import load

    begun = time.perf_counter()
    _clear(into)
    knowledge = load()
    clock = ShopClock()
    with CaseStore(into / CASEBOOK_NAME, clock=clock) as store:
        for number, story in enumerate((s for s in STORIES if only in (None, s.name)), start=1):
            heading(
                f"Case {number}: {story.title}  ({story.car.make} {story.car.model} {story.car.engine_code}, invented)"
            )
            played = Player(story, store, clock, knowledge, into, _say(begun)).play()
            export_case(store, played.case_id, into / f"{story.name}-case.zip", with_people=True)
            written = into / f"{story.name}-case.toml"
            written.write_text(write_case(store.events(played.case_id), store.people(played.case_id)), encoding="utf-8")
            pages = write_pages(store, played.case_id, knowledge, into, story.name, clock.now)
            heading("What it left behind")
            for path in (*pages, written, into / f"{story.name}-case.zip", played.drive_log, played.wire_log):
                line(str(path))
    heading("Go on")
    line(f"{sys.argv[0]} serve --casebook {into / CASEBOOK_NAME}      opens both cases in the browser", 2)
    line(f"{sys.argv[0]} weigh {into / 'valve-case.toml'}      weighs the written case again", 2)
    click.echo(f"\nDone in {time.perf_counter() - begun:.0f} s.")


def _say(begun: float):  # type: ignore[no-untyped-def]
    """Print a line of the story with the seconds since the start in front, so that progress shows."""

    def say(text: str) -> None:
        for at, part in enumerate(text.splitlines()):
            start = f"{time.perf_counter() - begun:5.0f} s  " if at == 0 else " " * 9
            click.echo(textwrap.fill(part, WIDTH, initial_indent=start, subsequent_indent=" " * 11))

    return say


def _clear(into: Path) -> None:
    """Make the folder; take away what an earlier tryout left in it, and nothing else."""
    into.mkdir(parents=True, exist_ok=True)
    for name in ("valve", "rings"):
        for path in into.glob(f"{name}-*"):
            path.unlink()
    for path in into.glob(f"{CASEBOOK_NAME}*"):
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()
