"""`firstcause prove LOG.csv`: what a recorded drive proves, and what it cannot."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firstcause.cli.output import as_json, heading, line
from firstcause.errors import RequestError

if TYPE_CHECKING:
    from firstcause.casebook.case import Case
    from firstcause.roadtest.drivelog import DriveLog, Reading
    from firstcause.roadtest.window import FreezeFrame


@click.command()
@click.argument("log_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
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
@click.option("--json", "json_out", is_flag=True, help="Everything, for programs; stable keys.")
def prove(
    log_file: Path, case_file: Path | None, mapping: tuple[str, ...], split_by: str | None, engine_ran: bool,
    pictures: Path | None, json_out: bool,
) -> None:  # fmt: skip
    """Judge a recorded drive: were the published conditions met, and what misfire rate could still hide behind it?"""
    from firstcause.casebook.evidence import drive_facts, freeze_frame_of
    from firstcause.roadtest.judgement import DriveFacts, judge_drive
    from firstcause.roadtest.reading import read_drive_file

    case = _case(case_file)
    reading = read_drive_file(log_file, mapping=_mapping(mapping) or None, split_by=split_by)
    several = [] if split_by else _several_drivers(log_file, mapping, reading)
    frame = freeze_frame_of(case.freeze_frame) if case else None
    facts = replace(drive_facts(case) if case else DriveFacts(), engine_ran_throughout=engine_ran)
    results: list[dict[str, Any]] = []
    if not json_out:
        click.secho(log_file.name, bold=True)
        for sentence in (*reading.report.sentences(), *several):
            line(sentence)
    for number, log in enumerate(reading.drives, start=1):
        judgement = judge_drive(log, frame, facts)
        results.append({"drive": number, "name": log.name, **judgement.to_dict()})
        if not json_out:
            heading(f"Drive {number}" + (f": {log.name}" if log.name else ""))
            for sentence in judgement.sentences():
                line(sentence)
        if pictures is not None:
            _draw(log, frame, pictures, f"{log_file.stem}-{number}")
    if json_out:
        as_json(
            {
                "file": log_file.name,
                "reading": reading.report.to_dict(),
                "several_in_one_file": several,
                "drives": results,
            }
        )


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
