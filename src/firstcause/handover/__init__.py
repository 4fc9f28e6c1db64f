"""Handing back: one report of facts, the owner's page and the technician's record made from it, as HTML and PDF."""

from firstcause.handover.annex_telling import AnnexFacts, annex_facts
from firstcause.handover.facts import Report
from firstcause.handover.html import owner_annex_html, owner_page_html, technician_record_html
from firstcause.handover.pdf import owner_annex_pdf, owner_page_pdf, technician_record_pdf
from firstcause.handover.report import build_report

__all__ = [
    "AnnexFacts",
    "Report",
    "annex_facts",
    "build_report",
    "owner_annex_html",
    "owner_annex_pdf",
    "owner_page_html",
    "owner_page_pdf",
    "technician_record_html",
    "technician_record_pdf",
]
