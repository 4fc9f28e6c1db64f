"""The pages as tagged PDF, set by typst with the fonts that the package carries."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from firstcause.handover.annex import annex_page
from firstcause.handover.annex_telling import AnnexFacts
from firstcause.handover.facts import Report
from firstcause.handover.owner_page import Room, owner_page
from firstcause.handover.page import Page
from firstcause.handover.record_page import record_page
from firstcause.tongue import speaking

Paper = Literal["a4", "us-letter"]
_HERE = Path(__file__).parent
_OWNER_SIZES_PT = (10.4, 10.0, 9.6, 9.2, 8.8, 8.4, 8.0)
"""Tried in order until everything stands on one page; below 8 pt nobody reads it, so then a second page it is."""
LOW_PICTURES_MM, LOWEST_PICTURES_MM = (42.0, 30.0), (36.0, 26.0)
LOW_PICTURES_FROM_PT = 9.2  # small type is worse than small pictures
_ROOMS = (
    Room(), Room("side"), Room("main", LOW_PICTURES_MM), Room("side", LOW_PICTURES_MM),
    Room("main", LOWEST_PICTURES_MM, brief=True), Room("side", LOWEST_PICTURES_MM, brief=True),
)  # fmt: skip
"""What gives way, in this order; what a brief page leaves out stands in the annex or the record."""


def owner_page_pdf(report: Report, paper: Paper = "a4") -> bytes:
    """The owner's page as a tagged PDF on one page, in the largest type that fits (at least 8 pt)."""
    with speaking(report.language):
        pages = [(room, owner_page(report, room)) for room in _ROOMS]
    for brief in (False, True):
        for size in _OWNER_SIZES_PT:
            low_too = size <= LOW_PICTURES_FROM_PT
            for room, page in pages:
                fits_in = room.brief == brief and (low_too or room.pictures_mm == Room().pictures_mm)
                if fits_in and _page_count("owner.typ", page, paper, size) == 1:
                    return _pdf("owner.typ", page, paper, size)
    return _pdf("owner.typ", pages[-1][1], paper, _OWNER_SIZES_PT[-1])


def owner_annex_pdf(report: Report, more: AnnexFacts, paper: Paper = "a4") -> bytes:
    """The annex of the owner's page as a tagged PDF."""
    with speaking(report.language):
        return _pdf("record.typ", annex_page(report, more), paper, 10.5)


def technician_record_pdf(report: Report, paper: Paper = "a4") -> bytes:
    """The technician's record as a tagged PDF."""
    with speaking(report.language):
        return _pdf("record.typ", record_page(report), paper, 9.0)


def paper_pdf(page: Page, paper: Paper = "a4") -> bytes:
    """Estimate, order, invoice or the list of what they lack, as a tagged PDF."""
    return _pdf("record.typ", page, paper, 10.0)


def _inputs(page: Page, paper: Paper, size_pt: float) -> dict[str, str]:
    return {"page": json.dumps(asdict(page)), "paper": paper, "size": f"{size_pt}"}


def _settings() -> dict[str, Any]:
    return {"root": str(_HERE), "font_paths": [str(_HERE / "fonts")], "ignore_system_fonts": True}


def _page_count(template: str, page: Page, paper: Paper, size_pt: float) -> int:
    import typst

    found = typst.query(
        str(_HERE / "templates" / template),
        "<page-count>",
        field="value",
        one=True,
        sys_inputs=_inputs(page, paper, size_pt),
        **_settings(),
    )
    return int(json.loads(found))


def _pdf(template: str, page: Page, paper: Paper, size_pt: float) -> bytes:
    import typst

    return bytes(
        typst.compile(
            str(_HERE / "templates" / template),
            format="pdf",
            sys_inputs=_inputs(page, paper, size_pt),
            pdf_standards="ua-1",
            timestamp=int(datetime.fromisoformat(page.made_at).timestamp()),
            **_settings(),
        )
    )
