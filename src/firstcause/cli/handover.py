"""`firstcause handover`: the owner's page and the technician's record of a case, as HTML and PDF."""

from __future__ import annotations

from dataclasses import dataclass
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
    from firstcause.handover import AnnexFacts, Report
    from firstcause.handover.pdf import Paper
    from firstcause.knowledge.base import Knowledge
    from firstcause.outlook.oil_dose import Driving


@dataclass(frozen=True, slots=True)
class Ahead:
    """How long and how far the owner will drive, and how, as the annex reckons."""

    months: float = 24.0
    km_a_month: float = 1_000.0
    driving: Driving = "mixed"


MOST_PHOTOS, LARGEST_PHOTO_BYTES = 4, 6_000_000


@click.command()
@click.argument("case_id")
@CASEBOOK
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), default=Path(), help="Folder for the pages.")
@click.option("--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True)
@click.option("--language", default="en", show_default=True, help="Language of the pages, by its short name: en, de.")
@click.option("--months", type=click.FloatRange(min=1, max=360), default=24.0, show_default=True,
              help="For the annex: how long the owner will keep the car.")  # fmt: skip
@click.option("--km-a-month", type=click.FloatRange(min=1, max=30_000), default=1_000.0, show_default=True,
              help="For the annex: how far it is driven in a month.")  # fmt: skip
@click.option("--driving", type=click.Choice(["city", "mixed", "highway"]), default="mixed", show_default=True)
@click.option("--json", "json_out", is_flag=True, help="The facts of all pages, for programs.")
def handover(
    case_id: str, store_path: Path, into: Path, paper: str, language: str, months: float, km_a_month: float,
    driving: Driving, json_out: bool,
) -> None:  # fmt: skip
    """Write the owner's page with its annex, and the technician's record of a case."""
    from firstcause.casebook.weighing import knowledge_of
    from firstcause.knowledge.spoken import as_spoken

    with opened_casebook(store_path) as store, speaking(known(language)):
        knowledge = as_spoken(knowledge_of(store.case(case_id), own_folder()))
        now, ahead = datetime.now(UTC), Ahead(months, km_a_month, driving)
        if json_out:
            told = report_of(store, case_id, knowledge, now).to_dict()
            as_json(told | {"annex": annex_of(store, case_id, knowledge, now, ahead).to_dict()})
            return
        for path in write_pages(store, case_id, knowledge, into, case_id, now, paper, ahead):
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


def annex_of(store: CaseStore, case_id: str, knowledge: Knowledge, at: datetime, ahead: Ahead) -> AnnexFacts:
    """The facts of the annex, with the last photos of the case; a lost or very large one is left out."""
    from firstcause.casebook.blobs import LostAttachment
    from firstcause.casebook.events import Attached
    from firstcause.casebook.weighing import weigh_case
    from firstcause.handover import annex_facts

    case, photos = store.case(case_id), []
    kept = [each for each in case.bodies(Attached) if each.media_type.startswith("image/")]
    for each in [each for each in kept if each.size_bytes <= LARGEST_PHOTO_BYTES][-MOST_PHOTOS:]:
        try:
            photos.append((each.media_type, store.blobs.read(each.sha256), each.about))
        except LostAttachment as error:
            click.echo(f"firstcause: A photo is left out. {error}", err=True)
    return annex_facts(
        weigh_case(case, knowledge), at.date(), months=ahead.months, km_a_month=ahead.km_a_month,
        driving=ahead.driving, photos=photos,
    )  # fmt: skip


def write_pages(
    store: CaseStore, case_id: str, knowledge: Knowledge, into: Path, stem: str, at: datetime, paper: str = "a4",
    ahead: Ahead = Ahead(),
) -> list[Path]:  # fmt: skip
    """Write `STEM-owner`, `STEM-annex` and `STEM-record`, each `.html` and `.pdf`, and return their paths."""
    from firstcause.handover import (
        owner_annex_html,
        owner_annex_pdf,
        owner_page_html,
        owner_page_pdf,
        technician_record_html,
        technician_record_pdf,
    )

    report, more = report_of(store, case_id, knowledge, at), annex_of(store, case_id, knowledge, at, ahead)
    size: Paper = "us-letter" if paper == "us-letter" else "a4"
    into.mkdir(parents=True, exist_ok=True)
    pages: dict[str, bytes] = {
        "owner.html": owner_page_html(report).encode(),
        "owner.pdf": owner_page_pdf(report, size),
        "annex.html": owner_annex_html(report, more).encode(),
        "annex.pdf": owner_annex_pdf(report, more, size),
        "record.html": technician_record_html(report).encode(),
        "record.pdf": technician_record_pdf(report, size),
    }
    paths = []
    for name, content in pages.items():
        path = into / f"{stem}-{name}"
        path.write_bytes(content)
        paths.append(path)
    return paths
