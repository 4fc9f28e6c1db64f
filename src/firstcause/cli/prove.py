"""`firstcause prove LOG.csv`: what a recorded drive proves, and what it cannot."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firstcause.cli.output import as_json, heading, line
from firstcause.cli.own_knowledge import own_folder
from firstcause.errors import RequestError

if TYPE_CHECKING:
    from firstcause.casebook.case import Case
    from firstcause.knowledge.base import Knowledge
    from firstcause.roadtest.drivelog import DriveLog, Reading
    from firstcause.roadtest.judgement import DriveFacts
    from firstcause.roadtest.usual import UsualDriving
    from firstcause.roadtest.window import FreezeFrame
    from firstcause.signals.snapshot import Snapshot


@click.command()
@click.argument("log_files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--case",
    "case_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    default=None,
    help="A written case: its freeze frame and codes are what the drive is judged against.",
)
@click.option(
    "--map",
    "mapping",
    multiple=True,
    metavar="HEADING=MEANING",
    help="Say what a column is: 'Spd=speed_kmh', 'Spd=speed_kmh@m/s', 'X=misfires:3', 'X=ignore'.",
)
@click.option("--remember", is_flag=True, help="Keep what --map says for every later log with the same headings.")
@click.option("--show-columns", is_flag=True, help="Say what each column is taken for, and stop.")
@click.option(
    "--columns-file",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("casebook.columns.json"),
    show_default=True,
    help="Where remembered columns are kept; beside the casebook.",
)
@click.option("--split-by", default=None, metavar="HEADING", help="A column that tells several drives apart.")
@click.option(
    "--engine-ran", is_flag=True, help="You know that the engine ran throughout (a log without engine speed)."
)
@click.option(
    "--pictures",
    type=click.Path(file_okay=False, path_type=Path),
    default=None,
    help="Draw the drive, and the freeze-frame target, as SVG files into this folder.",
)
@click.option(
    "--before",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    default=None,
    help="A snapshot of the car before the drive (`firstcause snapshot --into FILE`); with --after.",
)
@click.option(
    "--after",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    default=None,
    help="The same after it: the car's own counters and self-checks are heard beside the recording.",
)
@click.option(
    "--starts-a-week",
    type=click.FloatRange(min=0, min_open=True, max=1000),
    default=None,
    help="How the owner usually drives: the days of the forecast follow from it (else as the case tells).",
)
@click.option("--cold-starts-a-week", type=click.FloatRange(min=0, max=1000), default=None, help="Of these, cold.")
@click.option("--km-a-week", type=click.FloatRange(min=0, min_open=True, max=20_000), default=None, help="How far.")
@click.option("--from", "starts", type=click.DateTime(["%Y-%m-%d"]), default=None, help="The day it leaves (today).")
@click.option("--json", "json_out", is_flag=True, help="Everything, for programs; stable keys.")
def prove(
    log_files: tuple[Path, ...], case_file: Path | None, mapping: tuple[str, ...], remember: bool,
    show_columns: bool, columns_file: Path, split_by: str | None, engine_ran: bool, pictures: Path | None,
    before: Path | None, after: Path | None, starts_a_week: float | None, cold_starts_a_week: float | None,
    km_a_week: float | None, starts: datetime | None, json_out: bool,
) -> None:  # fmt: skip
    """Judge a recorded drive: were the published conditions met, and what misfire rate could still hide behind it?

    LOG_FILES is a table (CSV), a measurement file (MDF4) or a bus trace; several files are one drive, joined by their
    clocks.
    """
    from firstcause.casebook.cured import drive_effect
    from firstcause.casebook.evidence import drove_event, freeze_frame_of
    from firstcause.casebook.records_ahead import FreshDrive, coming_of
    from firstcause.cli.recorded import read_recorded
    from firstcause.roadtest.judgement import judge_drive
    from firstcause.roadtest.testimony import car_testimony

    kept = _columns(log_files, _mapping(mapping), columns_file, remember=remember)
    if show_columns:
        _show_columns(log_files, _mapping(mapping), kept)
        return
    case = _case(case_file)
    knowledge = None if case is None else _knowledge(case)
    snapshots = _snapshots(before, after)
    reading = read_recorded(log_files, mapping=_mapping(mapping) or None, split_by=split_by, kept=kept)
    log_file = log_files[0]
    several = [] if split_by or len(log_files) > 1 else _several_drivers(log_file, mapping, reading)
    frame = freeze_frame_of(case.freeze_frame) if case else None
    facts = replace(_facts(case, knowledge), engine_ran_throughout=engine_ran)
    results: list[dict[str, Any]] = []
    fresh: list[FreshDrive] = []
    if not json_out:
        click.secho(", ".join(file.name for file in log_files), bold=True)
        for sentence in (*reading.report.sentences(), *several):
            line(sentence)
    for number, log in enumerate(reading.drives, start=1):
        judgement = judge_drive(log, frame, facts)
        told = {"drive": number, "name": log.name, **judgement.to_dict()}
        said_later = {forecast.sentence for forecast in judgement.forecasts} if case is not None else set()
        said = [words for words in judgement.sentences() if words not in said_later]
        parts = [(f"Drive {number}" + (f": {log.name}" if log.name else ""), said)]
        if case is not None and knowledge is not None:
            effect = drive_effect(case, knowledge, drove_event(judgement, log, None))
            told["case"] = effect.to_dict()
            parts.append(("What it says to the case", effect.sentences()))
        if snapshots is not None:
            testimony = car_testimony(*snapshots, judgement)
            told["car"] = testimony.to_dict()
            parts.append(("What the car itself says", testimony.sentences()))
        fresh.append(FreshDrive(told, snapshots[1] if snapshots and number == len(reading.drives) else None))
        results.append(told)
        for title, sentences in () if json_out else parts:
            heading(title)
            for sentence in sentences:
                line(sentence)
        if pictures is not None:
            _draw(log, frame, pictures, f"{log_file.stem}-{number}")
    ahead = None
    if case is not None:
        usual = _usual(case, starts_a_week, cold_starts_a_week, km_a_week)
        ahead = coming_of(case, (starts or datetime.now(UTC)).date(), usual, fresh)
    if ahead is not None and not json_out:
        heading("What the car will do next")
        for sentence in ahead.sentences():
            line(sentence)
    if json_out:
        as_json(
            {
                "file": log_file.name,
                "reading": reading.report.to_dict(),
                "several_in_one_file": several,
                "drives": results,
                "coming": None if ahead is None else ahead.to_dict(),
            }
        )


def _columns(files: tuple[Path, ...], mapping: dict[str, str], columns_file: Path, *, remember: bool) -> dict[str, Any]:
    """The remembered columns, with what is said now added and kept when that is asked for."""
    from firstcause.cli.recorded import headings_of
    from firstcause.roadtest.remembered import guessed, keep_remembered, read_remembered
    from firstcause.roadtest.remembered import remember as add

    kept = read_remembered(columns_file)
    if remember and not mapping:
        raise RequestError("--remember keeps what --map says; say the columns with --map. Nothing was kept.")
    for file in files if remember else ():
        headings = headings_of(file, kept, mapping)
        guessed(headings, mapping)  # a heading or signal that does not exist is refused before it is kept
        kept = add(kept, headings, mapping)
    if remember:
        keep_remembered(columns_file, kept)
    return kept


def _show_columns(files: tuple[Path, ...], mapping: dict[str, str], kept: dict[str, Any]) -> None:
    from firstcause.cli.recorded import headings_of
    from firstcause.roadtest.remembered import guessed, recalled

    for file in files:
        click.secho(file.name, bold=True)
        headings = headings_of(file, kept, mapping)
        before = recalled(kept, headings)
        for name, meaning in guessed(headings, before | mapping).items():
            ground = "as you say" if name in mapping else "as you said before" if name in before else "guessed"
            line(f"{name} = {meaning}" + ("" if meaning == "ignore" and ground == "guessed" else f" ({ground})"))


def _facts(case: Case | None, knowledge: Knowledge | None) -> DriveFacts:
    from firstcause.casebook.drives import facts_beside
    from firstcause.roadtest.judgement import DriveFacts

    return DriveFacts() if case is None or knowledge is None else facts_beside(case, knowledge)


def _usual(case: Case, starts: float | None, cold: float | None, km: float | None) -> UsualDriving:
    """The owner's ordinary week: what is said now, else what the case tells, else that of a private car."""
    from firstcause.casebook.records_ahead import usual_of
    from firstcause.roadtest.usual import UsualDriving

    told = usual_of(case)
    if starts is None and cold is None and km is None:
        return told
    a_week = told.starts_a_week if starts is None else starts
    return UsualDriving(
        a_week,
        min(told.cold_starts_a_week, a_week) if cold is None else cold,
        told.km_a_week if km is None else km,
        told=True,
    )


def _knowledge(case: Case) -> Knowledge:
    from firstcause.casebook.weighing import knowledge_of

    return knowledge_of(case, own_folder())


def _snapshots(before: Path | None, after: Path | None) -> tuple[Snapshot, Snapshot] | None:
    """Both snapshots, or None without them; one alone says nothing of a drive."""
    from firstcause.signals.snapshot import Snapshot

    if before is None and after is None:
        return None
    if before is None or after is None:
        raise RequestError("One snapshot alone says nothing of a drive. Give both --before and --after.")
    first, second = (Snapshot.from_json(path.read_text(encoding="utf-8")) for path in (before, after))
    return first, second


def _mapping(pairs: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for pair in pairs:
        heading_text, equals, meaning = pair.rpartition("=")
        if not equals:
            raise RequestError(f"--map {pair!r} has no '='. Write HEADING=MEANING, for example 'Spd=speed_kmh'.")
        found[heading_text] = meaning
    return found


def _several_drivers(log_file: Path, mapping: tuple[str, ...], reading: Reading) -> list[str]:
    """A sentence for each column that names drivers or trips and would part the file into more drives."""
    from firstcause.roadtest.headings import guess_meaning
    from firstcause.roadtest.reading import read_drive_file

    said = []
    for name, _ in reading.report.columns_ignored:
        guess = guess_meaning(name)
        if guess is None or guess.key != "group" or name in _mapping(mapping):
            continue
        apart = read_drive_file(log_file, mapping=_mapping(mapping) or None, split_by=name)
        if len(apart.drives) > len(reading.drives):
            said.append(f"Several drivers or trips in one file: use --split-by {name}")
    return said


def _case(case_file: Path | None) -> Case | None:
    if case_file is None:
        return None
    from firstcause.casebook.case import replay
    from firstcause.casebook.written import read_case_file

    return replay(read_case_file(case_file, at=datetime.now(UTC)).events)


def _draw(log: DriveLog, frame: FreezeFrame | None, folder: Path, stem: str) -> None:
    from firstcause.roadtest.picture import drive_over_time_svg, speed_load_plane_svg

    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{stem}-over-time.svg").write_text(drive_over_time_svg(log, frame), encoding="utf-8")
    plane = speed_load_plane_svg(log, frame)
    if plane is not None:
        (folder / f"{stem}-speed-and-load.svg").write_text(plane, encoding="utf-8")
