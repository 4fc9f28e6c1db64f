"""The pages as HTML that stands alone and prints."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from firstcause.handover.annex import annex_page
from firstcause.handover.annex_telling import AnnexFacts
from firstcause.handover.facts import Report
from firstcause.handover.owner_page import owner_page
from firstcause.handover.page import Page
from firstcause.handover.record_page import record_page
from firstcause.tongue import speaking


def owner_page_html(report: Report) -> str:
    """The owner's page: one sheet of paper when printed, one file with its pictures inside."""
    with speaking(report.language):
        return _rendered("owner.html.j2", owner_page(report))


def owner_annex_html(report: Report, more: AnnexFacts) -> str:
    """The annex of the owner's page, one file that prints."""
    with speaking(report.language):
        return _rendered("record.html.j2", annex_page(report, more))


def technician_record_html(report: Report) -> str:
    """The technician's record, one file with its pictures inside."""
    with speaking(report.language):
        return _rendered("record.html.j2", record_page(report))


def paper_html(page: Page) -> str:
    """Estimate, order, invoice or the list of what they lack, one file that prints."""
    return _rendered("record.html.j2", page)


@cache
def _environment() -> Environment:
    loader = PackageLoader("firstcause.handover", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def _rendered(template: str, page: Page) -> str:
    return _environment().get_template(template).render(page=page)
