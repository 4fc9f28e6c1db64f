"""Estimate, consent and invoice through the page's forms: what a list of rules asks is said, and nothing is lost.

The clauses are those of handover/rules, each with its citation there.
"""

from __future__ import annotations

import re
from html import unescape

from firstcause.casebook.shop_settings import read_settings, settings_path

SHOP = {"name": "Harbour Lane", "labour_per_hour": "95", "currency": "EUR", "units": "metric", "language": "en"}
ON_PAPERS = {
    "address": "4 Ridge Lane, Halden", "phone": "0155 010", "email": "desk@ridge.example",
    "registration_number": "AR-0001", "tax_number": "XX 123 456", "paper_rules": "us-california",
}  # fmt: skip
LINES = {
    "line-1-what": "Find the cause", "line-1-of": "diagnosis", "line-1-amount": "60",
    "line-2-what": "Fit coil", "line-2-of": "labour", "line-2-amount": "30",
    "line-3-what": "Ignition coil", "line-3-of": "part", "line-3-amount": "79,99", "line-3-condition": "new",
    "line-4-what": "", "line-4-of": "labour", "line-4-amount": "",
}  # fmt: skip


def keep_shop(shop) -> None:
    answer = shop.client.post("/settings", data={**SHOP, **ON_PAPERS})
    assert answer.status_code == 303


def test_what_stands_on_papers_is_kept_and_shown_again(shop, tmp_path):
    keep_shop(shop)
    kept = read_settings(settings_path(tmp_path / "casebook.db"))
    assert {key: getattr(kept, key) for key in ON_PAPERS} == ON_PAPERS
    page = unescape(shop.client.get("/settings").text)
    assert all(words in page for words in ON_PAPERS.values())


def test_an_estimate_a_consent_and_an_invoice_leave_fewer_things_missing(shop):
    keep_shop(shop)
    case_id = shop.misfiring()
    record = f"/cases/{case_id}/record"
    before = missing(shop, case_id)

    said = {"job": "Renew the coil of cylinder 3", "tax_percent": "8.25", "done_by": "3 March", "used_parts": "offered"}
    written = shop.post(record, kind="estimated", currency="EUR", **said, **LINES)
    assert written.headers["location"].endswith("/money")
    assert shop.post(record, kind="agreed", work="As estimated", by="spoken", contact="phone", limit="185",
                     old_parts="asked-for", currency="eur").status_code == 303  # fmt: skip
    shop.post(record, kind="renewed", part="coil", cylinder="3", old_part="given to the owner")
    agreed = missing(shop, case_id)
    done = next(e.id for e in shop.desk.store.case(case_id).effective if e.body.kind == "renewed")
    invoice = {**LINES, "line-2-event": done, "line-3-event": done}
    shop.post(record, kind="invoiced", number="2026-1", tax_percent="8.25", currency="EUR", **invoice)

    case = shop.desk.store.case(case_id)
    estimate, consent, _, paid = [event.body for event in case.effective][-4:]
    assert [(line.of, line.amount) for line in estimate.lines] == [("diagnosis", 60), ("labour", 30), ("part", 79.99)]
    assert (consent.limit, consent.contact, consent.currency) == (185, "phone", "EUR")
    assert paid.lines[2].events == (done,)
    assert len(missing(shop, case_id)) < len(before)
    assert not any("consent" in words for words in agreed)

    page = shop.client.get(f"/cases/{case_id}/money").text
    for address in re.findall(r'href="(/cases/[^"]+/money/[^"]+)"', page):
        paper = shop.client.get(unescape(address))
        assert paper.status_code == 200
        if ".pdf" in address:
            assert paper.content.startswith(b"%PDF")
        else:
            assert "sandbox" in paper.headers["content-security-policy"]
    shown = shop.client.get(f"/cases/{case_id}/money/estimate-{case.effective[-4].id}.html").text
    assert "184.01" in shown  # 60 + 30 + 79.99 = 169.99, and 8.25 % of it, 14.02


def missing(shop, case_id: str) -> list[str]:
    page = shop.client.get(f"/cases/{case_id}/money").text
    return re.findall(r"<strong>missing</strong>([^<]+)", page)


def test_an_invoice_can_be_written_after_the_case_is_closed(shop):
    case_id = shop.misfiring()
    record = f"/cases/{case_id}/record"
    shop.post(record, kind="closed", state="declined", words="The owner waits.")
    answer = shop.post(record, kind="invoiced", number="7", currency="EUR", **LINES)
    assert answer.status_code == 303
    assert "Reopen the case first" in shop.post(record, kind="noted", words="Too late").text


def test_a_price_without_words_is_refused_and_nothing_is_recorded(shop):
    case_id = shop.misfiring()
    head = shop.desk.store.head(case_id)
    answer = shop.post(f"/cases/{case_id}/record", kind="estimated", job="Coil", **{**LINES, "line-4-amount": "12"})
    assert answer.status_code == 422
    assert "line 4 has a price and no words" in answer.text
    nothing = shop.post(f"/cases/{case_id}/record", kind="estimated", job="Coil", **{"line-1-what": ""})
    assert "at least one line" in nothing.text
    assert shop.desk.store.head(case_id) == head


def test_the_form_begins_with_the_likeliest_repair_and_the_invoice_with_the_estimate(shop):
    case_id = shop.misfiring()
    form = shop.client.get(f"/cases/{case_id}/money?form=estimate").text
    assert 'name="line-1-what" value="Find the cause' in form
    shop.post(f"/cases/{case_id}/record", kind="estimated", job="Coil", currency="EUR", **LINES)
    invoice = shop.client.get(f"/cases/{case_id}/money?form=invoice").text
    assert 'value="Ignition coil"' in invoice
    assert 'name="line-10-what"' in invoice


def test_a_paper_that_there_is_not_is_said(shop):
    case_id = shop.misfiring()
    assert shop.client.get(f"/cases/{case_id}/money/estimate-e99.html").status_code == 422
    assert shop.client.get(f"/cases/{case_id}/money?rules=atlantis").status_code == 422
