"""`firstcause knowledge`: check the knowledge files, and show one fault with what speaks for and against it."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from firstcause.cli.catalogue import catalogue
from firstcause.cli.output import FOUND_WANTING, SayErrors, as_json, heading, line, table
from firstcause.cli.own_knowledge import ENVIRONMENT, OWN_HELP, own_folder
from firstcause.errors import RequestError

if TYPE_CHECKING:
    from pydantic import BaseModel

    from firstcause.knowledge.base import Knowledge

OWN = click.option(
    "--own", type=click.Path(path_type=Path), default=own_folder, show_default=False, envvar=ENVIRONMENT, help=OWN_HELP,
)  # fmt: skip

_MARKS = {"": "", "own": ", your own", "overrules": ", your own instead of the shipped one"}


@click.group(cls=SayErrors)
def knowledge() -> None:
    """The knowledge base: one reviewed text file for each fault, test and repair."""


knowledge.add_command(catalogue)


@knowledge.command()
@click.option("--pack", default="misfire", help="Which pack.")
@click.option("--folder", type=click.Path(path_type=Path), default=None, help="Check the packs of another folder.")
@OWN
@click.option("--json", "json_out", is_flag=True)
@click.pass_context
def check(ctx: click.Context, pack: str, folder: Path | None, own: Path | None, json_out: bool) -> None:
    """Check every file: schema, probabilities that close, references, grounds. Exit code 1 when there are problems."""
    from firstcause.knowledge.base import PACKS_FOLDER
    from firstcause.knowledge.check import check_pack

    problems = check_pack((folder or PACKS_FOLDER) / pack, None if own is None else own / pack)
    if json_out:
        as_json([{"file": str(p.file), "line": p.line, "where": p.where, "message": p.message} for p in problems])
    else:
        for problem in problems:
            click.echo(problem.with_line())
        click.echo(f"{pack}: {len(problems)} problem(s).")
        if problems:
            click.echo("Correct each at the line named (at the end of the file where none is), then check again.")
    ctx.exit(FOUND_WANTING if problems else 0)


@knowledge.command()
@click.argument("kind", type=click.Choice(["fault", "test", "repair"]))
@click.argument("entry_id", metavar="ID")
@click.option(
    "--folder", "own", type=click.Path(file_okay=False, path_type=Path), default=Path("own-knowledge"),
    show_default=True, envvar=ENVIRONMENT, help="Your folder with own entries; made when missing.",
)  # fmt: skip
@click.option("--pack", default="misfire", show_default=True, help="Which pack it belongs to.")
def new(kind: Literal["fault", "test", "repair"], entry_id: str, own: Path, pack: str) -> None:
    """Write a new file for a fault, test or repair of your own, ready to be filled in; never over another file."""
    from firstcause.knowledge.base import load
    from firstcause.knowledge.templates import write_new

    click.echo(f"Written: {write_new(kind, entry_id, load(pack), own)}")
    click.echo(f"Fill it in with any text editor, then: firstcause knowledge check --pack {pack} --own {own}")


@knowledge.command()
@click.argument("entry_id")
@click.option("--pack", default="misfire")
@OWN
@click.option("--json", "json_out", is_flag=True)
def show(entry_id: str, pack: str, own: Path | None, json_out: bool) -> None:
    """Show one fault, test or repair."""
    from firstcause.knowledge.base import load

    base = load(pack, own=own)
    entry = base.faults.get(entry_id) or base.tests.get(entry_id) or base.repairs.get(entry_id)
    if entry is None:
        _show_listed(base, entry_id, json_out)
        return
    if json_out:
        as_json(entry.model_dump(mode="json"))
        return
    kind = "faults" if entry_id in base.faults else "tests" if entry_id in base.tests else "repairs"
    mark = _MARKS[base.marks.get(f"{kind}/{entry_id}", "")]
    click.secho(f"{entry.name}  [{entry.id}, {entry.status}{mark}]", bold=True)
    if entry_id in base.faults:
        fault = base.faults[entry_id]
        line(fault.plain)
        heading("It shows")
        rows = [
            [
                f"{base.tests[s.test].name}{s.fitted.in_words()}",
                ", ".join(f"{o} {p:.0%}" for o, p in s.outcomes.items()),
                f"{s.basis}: {s.why}",
            ]
            for s in fault.shows
        ]
        table(rows)
        heading("Caused by")
        table([[link.fault, f"{link.chance:.0%}", f"{link.basis}: {link.why}"] for link in fault.caused_by])
        if fault.watch:
            heading("Watch")
            line(fault.watch)
    elif entry_id in base.tests:
        test = base.tests[entry_id]
        line(test.how)
        heading("Outcomes, from the least to the most striking")
        table([[o.id, f"{test.otherwise.outcomes.get(o.id, 0.0):.0%} without cause", o.name] for o in test.outcomes])
        heading("Shown by")
        table(
            [f"{f.name}{s.fitted.in_words()}", ", ".join(f"{o} {p:.0%}" for o, p in s.outcomes.items())]
            for f in base.faults.values()
            for s in f.shows
            if s.test == test.id
        )
    else:
        repair = base.repairs[entry_id]
        line(repair.plain)
        line(f"{repair.minutes:.0f} minutes ({repair.minutes_buried:.0f} where it is hard to reach)")
        table([[c.fault, f"{c.chance:.0%}", f"{c.basis}: {c.why}"] for c in repair.cures])
    heading("Cautions")
    for caution in entry.cautions:
        line(f"! {base.cautions[caution].text}")
    if not entry.cautions:
        line("None recorded; the maker's service information comes first in any case.")


@knowledge.command()
@click.option("--pack", default=None, help="One pack only (default: every pack).")
@click.option("--least", type=click.IntRange(min=0), default=5, show_default=True, help="How many entries to name.")
@OWN
@click.option("--json", "json_out", is_flag=True)
def grounds(pack: str | None, least: int, own: Path | None, json_out: bool) -> None:
    """On what the numbers rest, by pack; and the entries with the most that is judgement alone."""
    from firstcause.knowledge.base import load, pack_names
    from firstcause.knowledge.grounds import grounds_of

    found = [grounds_of(load(name, own=own)) for name in (pack_names() if pack is None else (pack,))]
    if json_out:
        as_json(
            [
                {
                    "pack": each.pack,
                    "tables_by_ground": dict(each.count),
                    "least_grounded": [{"id": e.id, "tables_by_ground": dict(e.count)} for e in each.entries[:least]],
                }
                for each in found
            ]
        )
        return
    for each in found:
        heading(f"{each.pack}: {sum(each.count.values())} tables of numbers")
        table([[basis, str(count)] for basis, count in each.count.items()])
        if least:
            line("Least grounded:")
            table([[e.id, f"{e.count.get('judgement', 0)} of {e.tables} on judgement"] for e in each.entries[:least]])


def _show_listed(base: Knowledge, entry_id: str, json_out: bool) -> None:
    """A part, an access, a question or a caution, with what names it; raises RequestError when there is none."""
    lists = {"part": base.parts, "access": base.access, "question": base.questions, "caution": base.cautions}
    kind = next((kind for kind, entries in lists.items() if entry_id in entries), None)
    entries = [*base.faults.values(), *base.tests.values(), *base.repairs.values()]
    if kind is None:
        known = sorted({each.id for each in entries}.union(*lists.values()))
        near = ", ".join(get_close_matches(entry_id, known, n=3)) or "none that looks like it"
        raise RequestError(f"The pack {base.pack!r} has no entry {entry_id!r}; near: {near}.")
    entry = lists[kind][entry_id]
    if json_out:
        as_json(entry.model_dump(mode="json"))
        return
    said = entry.model_dump(mode="json", exclude_defaults=True, exclude={"id"})
    title = said.pop("name", None) or said.pop("ask", None) or said.pop("text")
    click.secho(f"{title}  [{entry_id}, {kind}]", bold=True)
    for key, value in said.items():
        told = ", ".join(f"{k} {v}" for k, v in value.items()) if isinstance(value, dict) else value
        line(f"{key.replace('_', ' ')}: {', '.join(told) if isinstance(told, list) else told}")
    heading("Named by")
    users = [[each.name, each.id] for each in entries if entry_id in _named_by(each)]
    users += [[part.name, part.id] for part in base.parts.values() if entry_id in _named_by(part)]
    table(users)
    if not users:
        line("Nothing.")


def _named_by(entry: BaseModel) -> set[str]:
    """The parts, access, questions and cautions that an entry names."""
    named = {str(getattr(entry, key, None)) for key in ("part", "renews")}
    named.update(*(getattr(entry, key, ()) for key in ("access", "cautions")))
    return named | {story.answer for story in getattr(entry, "story", ())}
