"""`firstcause case`: the casebook's own commands."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.output import FOUND_WANTING, SayErrors, as_json, line, table
from firstcause.errors import RequestError

if TYPE_CHECKING:
    from firstcause.casebook.store import CaseStore

CASEBOOK = click.option(
    "--casebook", "store_path", type=click.Path(dir_okay=False, path_type=Path), default=Path("casebook.db"),
    show_default=True, help="The casebook file.",
)  # fmt: skip


def now() -> datetime:
    """The clock of the command line."""
    return datetime.now(UTC)


class NoCasebook(RequestError):
    """There is no casebook where one should be read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        super().__init__(
            f"There is no casebook at {path}. Nothing was made there. Name it with --casebook, or take a case in with "
            "`firstcause case take`."
        )


def opened_casebook(path: Path) -> CaseStore:
    """A casebook that is there already; raises NoCasebook when it is not, instead of making an empty one."""
    from firstcause.casebook.store import CaseStore

    if not path.exists():
        raise NoCasebook(path)
    return CaseStore(path, clock=now)


@click.group(cls=SayErrors)
def case() -> None:
    """The casebook: append-only, one file, nothing lost."""


@case.command("list")
@CASEBOOK
@click.option("--json", "json_out", is_flag=True)
def list_cases(store_path: Path, json_out: bool) -> None:
    """The cases, open ones first."""
    with opened_casebook(store_path) as store:
        lines = sorted(store.cases(), key=lambda c: (c.state != "open", c.case_id))
    if json_out:
        as_json([
            {"case": c.case_id, "title": c.title, "state": c.state, "events": c.events,
             "opened_at": c.opened_at, "changed_at": c.changed_at} for c in lines
        ])  # fmt: skip
    else:
        table([c.case_id, c.state, f"{c.events} events", c.title] for c in lines)


@case.command()
@click.argument("case_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@CASEBOOK
def take(case_file: Path, store_path: Path) -> None:
    """Take a case written by hand (TOML) into the casebook; a closing that the record speaks against is refused."""
    from firstcause.casebook.recording import admitted_closings
    from firstcause.casebook.refusals import EventRefused
    from firstcause.casebook.store import CaseStore
    from firstcause.casebook.written import BadCaseFile, read_case_file
    from firstcause.knowledge.base import load

    written = read_case_file(case_file, at=now())
    try:
        events = admitted_closings(written.events, load())
        with CaseStore(store_path, clock=now) as store:
            click.echo(store.adopt(events, written.people))
    except EventRefused as error:
        why = f"event {error.event} ({error.kind}) cannot stand: {error.why}"
        raise BadCaseFile(case_file.name, None, why, error.todo) from error


@case.command()
@click.argument("case_id")
@CASEBOOK
@click.option("--json", "json_out", is_flag=True)
def show(case_id: str, store_path: Path, json_out: bool) -> None:
    """Weigh a case of the casebook."""
    from firstcause.casebook.weighing import weigh_case
    from firstcause.cli.weigh import print_weighing
    from firstcause.knowledge.base import load

    with opened_casebook(store_path) as store:
        weighed = weigh_case(store.case(case_id), load())
    if json_out:
        as_json(weighed.to_dict())
    else:
        print_weighing(weighed)


@case.command()
@click.argument("case_id")
@CASEBOOK
@click.option("--with-people", is_flag=True, help="Write names and plates too.")
def write(case_id: str, store_path: Path, with_people: bool) -> None:
    """Write a case as text (TOML), without loss, to standard output."""
    from firstcause.casebook.written import write_case

    with opened_casebook(store_path) as store:
        click.echo(write_case(store.events(case_id), store.people(case_id) if with_people else None), nl=False)


@case.command()
@click.argument("case_id")
@click.argument("target", type=click.Path(dir_okay=False, path_type=Path))
@CASEBOOK
@click.option("--with-people", is_flag=True, help="Take names and plates along.")
def export(case_id: str, target: Path, store_path: Path, with_people: bool) -> None:
    """Export a whole case, photos and recordings included, as one file."""
    from firstcause.casebook.bundle import export_case

    with opened_casebook(store_path) as store:
        manifest = export_case(store, case_id, target, with_people=with_people)
    line(f"{target}: {manifest.events} events, head {manifest.head[:16]}…", 0)


@case.command("import")
@click.argument("source", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@CASEBOOK
def import_(source: Path, store_path: Path) -> None:
    """Import an exported case; importing twice does not double it."""
    from firstcause.casebook.bundle import import_case
    from firstcause.casebook.store import CaseStore
    from firstcause.casebook.weighing import weigh_case
    from firstcause.cli.weigh import closing_words
    from firstcause.knowledge.base import load

    with CaseStore(store_path, clock=now) as store:
        imported = import_case(store, source)
        line(f"{imported.case_id}: {imported.new_events} new event(s)", 0)
        case = store.case(imported.case_id)
    if case.state in ("cured", "relieved"):
        said = closing_words(weigh_case(case, load()))
        if said != case.state:
            line(f"{imported.case_id}: {said}", 0)


@case.command()
@click.argument("case_id")
@CASEBOOK
@click.option("--json", "json_out", is_flag=True)
@click.pass_context
def check(ctx: click.Context, case_id: str, store_path: Path, json_out: bool) -> None:
    """Check the chain of a case and its attachments. Exit code 1 when something is broken."""
    with opened_casebook(store_path) as store:
        checked = store.check(case_id)
    if json_out:
        as_json({"whole": checked.is_whole, **asdict(checked)})
    elif checked.is_whole:
        line(f"{case_id}: {checked.events} events, whole; head {checked.head}", 0)
    if not json_out and checked.broken is not None:
        line(f"{case_id}: broken at {checked.broken}: {checked.why}", 0)
    for name in () if json_out else checked.lost_attachments:
        line(f"{case_id}: the attachment {name} is gone", 0)
    ctx.exit(0 if checked.is_whole else FOUND_WANTING)
