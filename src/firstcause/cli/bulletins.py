"""`firstcause bulletins`: public recalls and bulletins kept on this machine, searched, and judged for one car."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from firstcause.cli.output import SayErrors, as_json, heading, line, table
from firstcause.errors import RequestError

if TYPE_CHECKING:
    from firstcause.bulletins.applies import Judged
    from firstcause.bulletins.records import Kind, Record
    from firstcause.bulletins.store import Collection

KINDS = ("recall", "bulletin", "complaint", "investigation")
UNVERIFIED = "Complaints are owners' words. Nobody has verified them; popular cars have more of them."

COLLECTION = click.option(
    "--collection", "collection_path", type=click.Path(dir_okay=False, path_type=Path), default=Path("bulletins.db"),
    show_default=True, help="The file they are kept in.",
)  # fmt: skip


def _opened(path: Path) -> Collection:
    from firstcause.bulletins.store import Collection

    if not path.exists():
        raise RequestError(
            f"There is no collection at {path}. "
            "Take a file in first: `firstcause bulletins take-in FILE --kind recall`."
        )
    return Collection(path)


@click.group(cls=SayErrors)
def bulletins() -> None:
    """What others have seen: public recalls, bulletins, complaints, investigations. All of it stays on this machine."""


@bulletins.command("take-in")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--kind", type=click.Choice(KINDS), help="Which of the US regulator's flat files; else a plain table.")
@COLLECTION
@click.option("--json", "json_out", is_flag=True)
def take_in(file: Path, kind: str | None, collection_path: Path, json_out: bool) -> None:
    """Take a file in. May be stopped and called again; a newer file renews what changed and doubles nothing.

    Without --kind the file is a table whose first line names its columns: kind, number, make, model, year_from,
    year_to, engine, component, text, published, until, until_km. Kind, number, make, model and text are needed.
    """
    from firstcause.bulletins.store import Collection

    with Collection(collection_path) as collection:
        size = file.stat().st_size
        with click.progressbar(length=size, label="Taking in", file=sys.stderr) as bar:
            today = datetime.now(UTC).date()
            which = cast("Kind | None", kind)
            told = collection.take_in(file, which, today, lambda done, _: bar.update(done - bar.pos))
    if json_out:
        as_json({"lines": told.lines, "new": told.new, "changed": told.changed, "set_aside": told.set_aside})
    elif told.known_already:
        click.echo("This very file was taken in before. Nothing was changed.")
    else:
        click.echo(f"{told.new:,} new, {told.changed:,} renewed, {told.set_aside:,} lines set aside.")
        if told.set_aside:
            click.echo("`firstcause bulletins set-aside` lists them with the reason.")


@bulletins.command("set-aside")
@COLLECTION
@click.option("--json", "json_out", is_flag=True)
def set_aside(collection_path: Path, json_out: bool) -> None:
    """Lines that could not be read, with the reason and the line itself."""
    with _opened(collection_path) as collection:
        found = collection.set_aside()
    if json_out:
        as_json([{"file": name, "line": bad.line, "why": bad.why, "raw": bad.raw} for name, bad in found])
        return
    table([[name, str(bad.line), bad.why, bad.raw[:120]] for name, bad in found], right=[1])
    click.echo(f"{len(found)} line(s) set aside.")


@bulletins.command()
@click.argument("words", nargs=-1, required=True)
@click.option("--component", default="", help="Only components that contain this.")
@click.option("--kind", type=click.Choice(KINDS))
@click.option("--most", default=20, show_default=True)
@COLLECTION
@click.option("--json", "json_out", is_flag=True)
def search(
    words: tuple[str, ...], component: str, kind: str | None, most: int, collection_path: Path, json_out: bool
) -> None:
    """Find records in which all these words stand."""
    with _opened(collection_path) as collection:
        hits = collection.search(" ".join(words), component, cast("Kind | None", kind), most)
    if json_out:
        as_json([{**_plain(hit.record), "excerpt": hit.excerpt} for hit in hits])
        return
    for hit in hits:
        heading(_title(hit.record))
        line(hit.excerpt)
    click.echo()
    click.echo(f"{len(hits)} shown." if hits else "Nothing found. Try fewer words, or the beginning of a word.")


@bulletins.command("case")
@click.argument("case_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--about", multiple=True, help="More words the trouble is known by; give it once for each.")
@click.option("--all", "everything", is_flag=True, help="Also what does not apply, with the reason.")
@click.option("--accept", metavar="NUMBER", help="Let this record count: prints the event to add to the case.")
@click.option("--refuse", metavar="NUMBER", help="Do not let it count: prints the event that says so.")
@click.option("--fault", "faults", multiple=True, help="With --accept: the entry it describes, in place of ours.")
@click.option("--ratio", type=click.FloatRange(1.0, 10.0), help="With --accept: your likelihood ratio, not ours.")
@click.option("--note", default="", help="Why, in your words; kept with the event.")
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Complaints by model year, as SVG.")
@COLLECTION
@click.option("--json", "json_out", is_flag=True)
def for_case(
    case_file: Path, about: tuple[str, ...], everything: bool, accept: str | None, refuse: str | None,
    faults: tuple[str, ...], ratio: float | None, note: str, picture: Path | None, collection_path: Path,
    json_out: bool,
) -> None:  # fmt: skip
    """What others have seen of such a car, held against a case; you say whether it counts. It is never proof."""
    from firstcause.casebook.case import replay
    from firstcause.casebook.others import car_seen, held_against, reported
    from firstcause.casebook.weighing import knowledge_of, weigh_case
    from firstcause.casebook.written import event_text, read_case_file
    from firstcause.cli.own_knowledge import own_folder

    now = datetime.now(UTC)
    case = replay(read_case_file(case_file, at=now).events)
    weighed = weigh_case(case, knowledge_of(case, own_folder()))
    car = car_seen(weighed, now.date())
    with _opened(collection_path) as collection:
        found = held_against(weighed, collection.of_make_or_engine(car.make, car.engine), now.date(), about)
        complaints = collection.complaints_by_year(car.make, car.model)
    if picture is not None:
        from firstcause.casebook.complaints_drawing import draw_complaints

        picture.write_text(draw_complaints(complaints, f"{car.make} {car.model}", car.year), encoding="utf-8")
        click.echo(f"Picture: {picture}", err=True)
    number = accept or refuse
    if number is not None:
        one = next((each for each in found if each.judged.record.number == number), None)
        if one is None:
            raise RequestError(f"There is no record {number} of this make or engine. Nothing was made of it.")
        click.echo(event_text(reported(one, "accepted" if accept else "refused", ratio, faults, note)))
        return
    shown = found if everything else [each for each in found if each.judged.verdict != "does-not"]
    if json_out:
        records = [{**_judged(each.judged), "faults": each.faults} for each in shown]
        as_json({"records": records, "complaints_by_year": complaints, "caution": UNVERIFIED})
        return
    for each in shown:
        _print_judged(each.judged)
        if each.faults:
            line(f"It speaks of: {', '.join(each.faults)}.")
    click.echo()
    click.echo(f"{len(shown)} of {len(found)} records shown. `--accept NUMBER` or `--refuse NUMBER` makes the event.")
    _print_complaints(complaints)


@bulletins.command("for")
@click.argument("make")
@click.argument("model")
@click.option("--year", type=int, help="Model year.")
@click.option("--engine", default="", help="Engine code.")
@click.option("--km", "distance_km", type=float, default=0.0, help="Distance of the car.")
@click.option("--about", multiple=True, help="Words the complaint is known by; give it once for each. None: anything.")
@click.option("--all", "everything", is_flag=True, help="Also what does not apply, with the reason.")
@COLLECTION
@click.option("--json", "json_out", is_flag=True)
def for_car(
    make: str, model: str, year: int | None, engine: str, distance_km: float, about: tuple[str, ...],
    everything: bool, collection_path: Path, json_out: bool,
) -> None:  # fmt: skip
    """What applies to a car, what nearly does, and how far each may move the belief."""
    from firstcause.bulletins.applies import CarSeen, judge, ranked

    car = CarSeen(make, model, year, engine, distance_km, datetime.now(UTC).date())
    with _opened(collection_path) as collection:
        judged = ranked([judge(record, car, about) for record in collection.of_make_or_engine(make, engine)])
        complaints = collection.complaints_by_year(make, model)
    shown = judged if everything else [each for each in judged if each.verdict != "does-not"]
    if json_out:
        as_json({"records": [_judged(each) for each in shown], "complaints_by_year": complaints, "caution": UNVERIFIED})
        return
    for each in shown:
        _print_judged(each)
    click.echo()
    click.echo(f"{len(shown)} of {len(judged)} records shown.")
    _print_complaints(complaints)


def _print_judged(each: Judged) -> None:
    verdict = {"applies": "Applies", "nearly": "Nearly applies", "does-not": "Does not apply"}[each.verdict]
    heading(f"{verdict}: {_title(each.record)}")
    line("; ".join(each.reasons).capitalize() + ".")
    line(each.record.text)
    if each.likelihood_ratio != 1.0:
        ratio = f"{each.likelihood_ratio:.1f}"
        line(f"May move the odds of what it describes by {ratio}, if you let it. It proves nothing.")


def _print_complaints(complaints: dict[int, int]) -> None:
    if complaints:
        heading("Complaints by model year")
        most = max(complaints.values())
        table([[str(when), str(n), "█" * max(1, round(40 * n / most))] for when, n in complaints.items()], right=[1])
        line(UNVERIFIED)


def _title(record: Record) -> str:
    years = (
        ""
        if record.years is None
        else f" {record.years[0]}" + (f" to {record.years[1]}" if record.years[1] != record.years[0] else "")
    )
    component = record.component or "no component named"
    return f"{record.kind} {record.number}: {record.make} {record.model}{years}, {component}"


def _plain(record: Record) -> dict[str, object]:
    return {
        "kind": record.kind, "number": record.number, "make": record.make, "model": record.model,
        "years": record.years, "engine": record.engine, "component": record.component, "published": record.published,
        "text": record.text,
    }  # fmt: skip


def _judged(judged: Judged) -> dict[str, object]:
    return {
        **_plain(judged.record), "verdict": judged.verdict, "reasons": judged.reasons,
        "likelihood_ratio": judged.likelihood_ratio,
    }  # fmt: skip
