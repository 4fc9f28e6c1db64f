"""`firstcause case`: the casebook's own commands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.output import FOUND_WANTING, SayErrors, as_json, line, table
from firstcause.cli.own_knowledge import own_folder
from firstcause.errors import RequestError

if TYPE_CHECKING:
    from firstcause.casebook.returning import Complaint
    from firstcause.casebook.store import CaseStore
    from firstcause.knowledge.base import Knowledge

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
@click.option("--pack", default="misfire", show_default=True, help="What the car is in for.")
@click.option("--make", required=True)
@click.option("--model", required=True)
@click.option("--km", type=click.FloatRange(min=0), required=True, help="Distance on the clock.")
@click.option("--shape", default="I4", show_default=True, help="Common shape of the engine, e.g. I4, V6 or F4.")
def new(pack: str, make: str, model: str, km: float, shape: str) -> None:
    """Print the beginning of a case to be written by hand: the car, the pack's questions and what it counts."""
    from firstcause.casebook.case import layout_of
    from firstcause.casebook.events import Car, EngineDescription, Event, Opened
    from firstcause.casebook.written import write_case
    from firstcause.knowledge.base import load

    knowledge, engine = load(pack, own=own_folder()), EngineDescription(shape=shape)
    layout_of(engine)
    car = Car(make=make, model=model, distance_km=km, engine=engine)
    opened = Event(id="e1", at=now().replace(microsecond=0), body=Opened(car=car, pack=pack))
    text = write_case([opened]).replace("event_count = 1\n", "")
    click.echo(text + "\n".join(_to_be_filled_in(knowledge)))


def _to_be_filled_in(knowledge: Knowledge) -> Iterator[str]:
    """The story and the first count, as comments to be written over."""
    complaint = knowledge.model.complaint
    yield from ("", "[story]", '# words = "…"', '# lamp = "on"', "# fuel_smell = true", "# answers, yes, no or unsure:")
    yield from (f'# answers.{each.id} = "yes"  # {each.ask}' for each in knowledge.questions.values())
    yield from ("", "# [[event]]", '# kind = "snapshot"', '# stored = ["…"]', "", "# [[event]]", '# kind = "counted"')
    known = ", ".join(f"{each.id} ({each.name})" for each in complaint.conditions)
    yield f"# watched = {{ {complaint.conditions[0].id} = 1 }}  # in {complaint.words.measure}, by condition: {known}"
    counted = f"{complaint.words.bad}, by {complaint.unit}; out_of = …: of how many {complaint.words.out_of}"
    yield f"# bad = {{ 1 = 0 }}  # {counted}"


@case.command()
@click.argument("case_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@CASEBOOK
def take(case_file: Path, store_path: Path) -> None:
    """Take a case written by hand (TOML) into the casebook; a closing that the record speaks against is refused."""
    from firstcause.casebook.case import replay
    from firstcause.casebook.recording import admitted_closings
    from firstcause.casebook.refusals import EventRefused
    from firstcause.casebook.store import CaseStore
    from firstcause.casebook.weighing import knowledge_of
    from firstcause.casebook.written import BadCaseFile, read_case_file

    written = read_case_file(case_file, at=now())
    try:
        events = admitted_closings(written.events, knowledge_of(replay(written.events), own_folder()))
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
    from firstcause.casebook.weighing import knowledge_of, weigh_case
    from firstcause.cli.weigh import print_weighing

    with opened_casebook(store_path) as store:
        case = store.case(case_id)
        weighed = weigh_case(case, knowledge_of(case, own_folder()))
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
    from firstcause.casebook.weighing import knowledge_of, weigh_case
    from firstcause.cli.weigh import closing_words

    with CaseStore(store_path, clock=now) as store:
        imported = import_case(store, source)
        line(f"{imported.case_id}: {imported.new_events} new event(s)", 0)
        case = store.case(imported.case_id)
    if case.state in ("cured", "relieved"):
        said = closing_words(weigh_case(case, knowledge_of(case, own_folder())))
        if said != case.state:
            line(f"{imported.case_id}: {said}", 0)


@case.command()
@click.argument("case_id")
@click.option("--head", "printed", help="The seal printed at the foot of a page or record, or its first 12 signs.")
@CASEBOOK
@click.option("--json", "json_out", is_flag=True)
@click.pass_context
def check(ctx: click.Context, case_id: str, printed: str | None, store_path: Path, json_out: bool) -> None:
    """Check the chain of a case, its attachments, and whether it still is what was printed. Exit code 1 when not."""
    from firstcause.casebook.chain import sealed_at

    with opened_casebook(store_path) as store:
        checked = store.check(case_id)
        at = None if printed is None else sealed_at(printed, store.links(case_id))
    first_wrong = checked.events + 1 if checked.broken is None else int(checked.broken[1:])
    matches = None if printed is None else at is not None and at < first_wrong
    if json_out:
        as_json({"whole": checked.is_whole, **asdict(checked), "printed_at": None if at is None else f"e{at}",
                 "matches_print": matches})  # fmt: skip
    elif checked.is_whole:
        line(f"{case_id}: {checked.events} events, whole; head {checked.head}", 0)
    if not json_out and checked.broken is not None:
        line(f"{case_id}: broken at {checked.broken}: {checked.why}", 0)
    for name in () if json_out else checked.lost_attachments:
        line(f"{case_id}: the attachment {name} is gone", 0)
    if not json_out and matches is not None:
        line(f"{case_id}: {_print_words(at, first_wrong, checked.events)}", 0)
    ctx.exit(0 if checked.is_whole and matches is not False else FOUND_WANTING)


def _print_words(at: int | None, first_wrong: int, events: int) -> str:
    """What a printed seal says of the case as it is stored now."""
    if at is None:
        return (
            "no event of it has the printed seal. Either the page belongs to another case, the seal was copied "
            "wrongly, or the story was rewritten after the page was printed."
        )
    if at >= first_wrong:
        return f"the printed seal is that of e{at}, but the story was changed at e{first_wrong}."
    later = events - at
    since = "nothing came after it" if not later else f"{later} event(s) came after it"
    return f"matches the page: all up to e{at} is as it was when the page was printed; {since}."


@case.command()
@click.argument("case_id")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--about", default="", help="What it shows: a bus recording, the old plug.")
@click.option("--by", default="", help="Who kept it.")
@CASEBOOK
def attach(case_id: str, file: Path, about: str, by: str, store_path: Path) -> None:
    """Keep a photo or recording with a case, under the hash of its bytes; the technician's record prints the hash."""
    import mimetypes

    kind = mimetypes.guess_type(file.name)[0] or "application/octet-stream"
    with opened_casebook(store_path) as store:
        event = store.attach(case_id, file.read_bytes(), file.name, kind, about, by)
    line(f"{case_id}: {event.id}, {file.name} ({kind})", 0)


@case.command("link")
@click.argument("earlier")
@click.argument("later")
@click.option("--complaint", type=click.Choice(["back", "gone", "unsaid"]), help="Else: as the later case counted it.")
@click.option("--note", default="", help="Anything to be kept with it.")
@click.option("--by", default="", help="Who says so.")
@CASEBOOK
@click.option("--json", "json_out", is_flag=True)
def link_cases(
    earlier: str, later: str, complaint: Complaint | None, note: str, by: str, store_path: Path, json_out: bool
) -> None:
    """Link a car that came back: LATER learns how long the parts of EARLIER lasted, EARLIER that it came back.

    The distance between, what was counted and the lives of renewed parts come from both cases. Said twice, it is
    recorded once. The outlook of LATER then reckons with those lives.
    """
    from firstcause.casebook.recording import admitted
    from firstcause.casebook.returning import link_of_return
    from firstcause.casebook.weighing import knowledge_of, weigh_case
    from firstcause.casebook.words import say

    with opened_casebook(store_path) as store:
        cases = {name: store.case(name) for name in (earlier, later)}
        known = {name: knowledge_of(case, own_folder()) for name, case in cases.items()}
        links = link_of_return(earlier, cases[earlier], later, cases[later], known[earlier], complaint, note)
        for name, body in links.items():
            admitted(cases[name], body, known[name], lambda name=name: weigh_case(cases[name], known[name]))  # type: ignore[misc]
        for name, body in links.items():
            store.append(name, body, by)
    if json_out:
        as_json({name: body.model_dump() for name, body in links.items()})
    for name, body in () if json_out else links.items():
        line(f"{name}: {say(body, known[name])}", 0)
    if not links:
        line(f"{earlier} and {later} were linked before. Nothing was recorded.", 0)
