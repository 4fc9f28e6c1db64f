"""`firstcause handover`: the owner's page and the technician's record of a case, as HTML and PDF."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.case import CASEBOOK, opened_casebook
from firstcause.cli.output import as_json, line
from firstcause.cli.own_knowledge import own_folder
from firstcause.errors import RequestError
from firstcause.tongue import languages, speaking

if TYPE_CHECKING:
    from firstcause.casebook.store import CaseStore
    from firstcause.handover import Report
    from firstcause.knowledge.base import Knowledge


@click.command()
@click.argument("case_id")
@CASEBOOK
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), default=Path(), help="Folder for the pages.")
@click.option("--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True)
@click.option("--language", default="en", show_default=True, help="Language of the pages, by its short name: en, de.")
@click.option("--json", "json_out", is_flag=True, help="The facts of both pages, for programs.")
def handover(case_id: str, store_path: Path, into: Path, paper: str, language: str, json_out: bool) -> None:
    """Write the owner's page and the technician's record of a case."""
    from firstcause.casebook.weighing import knowledge_of
    from firstcause.knowledge.spoken import as_spoken

    with opened_casebook(store_path) as store, speaking(known(language)):
        knowledge = as_spoken(knowledge_of(store.case(case_id), own_folder()))
        if json_out:
            as_json(report_of(store, case_id, knowledge, datetime.now(UTC)).to_dict())
            return
        for path in write_pages(store, case_id, knowledge, into, case_id, datetime.now(UTC), paper):
            line(str(path), 0)


def known(language: str) -> str:
    """The language, if there are words of it. Raises RequestError otherwise."""
    if language not in languages():
        raise RequestError(f"There are no words in {language!r}, only {', '.join(languages())}. Nothing was written.")
    return language


def report_of(store: CaseStore, case_id: str, knowledge: Knowledge, at: datetime) -> Report:
    """The facts of the hand-over as the case stands, with its drives; a lost recording is left out and said."""
    from firstcause.casebook.blobs import LostAttachment
    from firstcause.casebook.weighing import weigh_case
    from firstcause.cli.recorded import read_kept
    from firstcause.handover import build_report

    head, case = store.head(case_id), store.case(case_id)
    logs = {}
    for drive in case.drives:
        if drive.log_sha256 is None or drive.log_sha256 in logs:
            continue
        several = ((drive.judgement or {}).get("reading") or {}).get("recordings") or [drive.log_sha256]
        try:
            found = read_kept(store.blobs, several).drives
        except LostAttachment as error:
            click.echo(f"firstcause: The picture of one drive is left out. {error}", err=True)
            continue
        logs[drive.log_sha256] = max(found, key=lambda log: log.duration_s)
    return build_report(weigh_case(case, knowledge), head=head, now=at, people=store.people(case_id), logs=logs)


def write_pages(
    store: CaseStore, case_id: str, knowledge: Knowledge, into: Path, stem: str, at: datetime, paper: str = "a4"
) -> list[Path]:
    """Write `STEM-owner.html`, `.pdf`, `STEM-record.html`, `.pdf` and return their paths."""
    from firstcause.handover import owner_page_html, owner_page_pdf, technician_record_html, technician_record_pdf

    report = report_of(store, case_id, knowledge, at)
    into.mkdir(parents=True, exist_ok=True)
    pages: dict[str, bytes] = {
        "owner.html": owner_page_html(report).encode(),
        "owner.pdf": owner_page_pdf(report, "us-letter" if paper == "us-letter" else "a4"),
        "record.html": technician_record_html(report).encode(),
        "record.pdf": technician_record_pdf(report, "us-letter" if paper == "us-letter" else "a4"),
    }
    paths = []
    for name, content in pages.items():
        path = into / f"{stem}-{name}"
        path.write_bytes(content)
        paths.append(path)
    return paths
