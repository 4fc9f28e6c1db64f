"""Estimate, work order and invoice as pages, and the list of what a jurisdiction asks of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal

from firstcause.casebook.events import Agreed, Estimated, Invoiced, Line
from firstcause.handover.page import Block, Item, Page, Points, Section, section, table, words
from firstcause.handover.paper_checks import NOT_LEGAL_ADVICE, Looked, look_at
from firstcause.handover.paper_facts import OF_PARTS, Dated, PaperFacts, price_of, sums_of
from firstcause.handover.paper_rules import RuleSet
from firstcause.handover.plainly import date_words
from firstcause.tongue import _

_OF = {
    "diagnosis": "finding the cause", "labour": "work", "part": "part", "teardown": "taking apart",
    "reassembly": "putting together", "sublet": "work of another shop", "estimate": "the estimate itself",
}  # fmt: skip
_HOW = {"signature": "signed", "spoken": "said", "message": "wrote"}
_OVER = {"here": "in the shop", "phone": "by telephone", "email": "by e-mail", "unsaid": ""}
_USED = {"offered": "Used parts were offered.", "not-offered": "Used parts were not offered.", "unsaid": ""}
STATE_WORDS = {
    "kept": "holds", "missing": "missing", "does-not-arise": "does not arise", "for-a-person": "look yourself",
}  # fmt: skip


def money_pages(facts: PaperFacts, rules: RuleSet | None, made_at: datetime) -> dict[str, Page]:
    """Every paper of a job by its name: an estimate and an invoice for each that was recorded, the order, what lacks.

    Without `rules` there is no list of what lacks, and an invoice does not say how long it must be kept.
    """
    keep_years = None if rules is None else rules.keep_years
    pages = {f"estimate-{each.event}": estimate_page(facts, each, made_at) for each in facts.estimates}
    if facts.consents:
        pages["order"] = order_page(facts, made_at)
    pages |= {f"invoice-{each.event}": invoice_page(facts, each, keep_years, made_at) for each in facts.invoices}
    if rules is not None:
        pages["lacking"] = looked_page(facts, rules, look_at(facts, rules), made_at)
    return pages


def estimate_page(facts: PaperFacts, estimate: Dated[Estimated], made_at: datetime) -> Page:
    """What the work is expected to cost, with the place to sign."""
    body, sums = estimate.body, sums_of(estimate.body)
    total = sums.net if sums.total is None else sums.total
    parts = (
        section(_("The car"), "wide", table(("", ""), facts.car, (0.3, 0.7))),
        section(_("What it costs"), "wide", *_lines(body.lines, body.currency), *_sums(body)),
        section(_("Parts that taking apart destroys"), "wide", _points(body.destroyed)),
        section(
            _("Good to know"),
            "wide",
            _points(
                text
                for text in (
                    _("It will be done: {done_by}.", done_by=body.done_by) if body.done_by else "",
                    _USED[body.used_parts],
                    body.note,
                    _("We do no more than this without your yes. If it is not enough, we ask before we go on."),
                    _("You may ask for the old parts. Some go back to their maker; those you may look at."),
                )
                if text
            ),
        ),
        section(_("Your yes"), "wide", *_signature(_("I agree to this work"), total, body.currency)),
    )
    return _page(
        facts,
        _("Estimate {case_id}-{event}", case_id=facts.case_id, event=estimate.event),
        body.job,
        estimate.at,
        made_at,
        parts,
    )


def order_page(facts: PaperFacts, made_at: datetime) -> Page:
    """The work order: what was agreed, by whom, how, up to what amount; further consents one by one."""
    parts = (
        section(_("The car"), "wide", table(("", ""), facts.car, (0.3, 0.7))),
        section("Agreed", "wide", *_consents(facts)),
        section(_("Done so far"), "wide", _points(f"{done.body} ({done.event})" for done in facts.work)),
        section(_("If more is needed"), "wide", *_signature(_("I agree to this further work"), None, "")),
    )
    at = facts.consents[-1].at if facts.consents else made_at
    return _page(
        facts,
        _("Work order {case_id}", case_id=facts.case_id),
        facts.job or _("No work is agreed yet"),
        at,
        made_at,
        parts,
    )


def invoice_page(facts: PaperFacts, invoice: Dated[Invoiced], keep_years: int | None, made_at: datetime) -> Page:
    """What is charged, line by line, with the consents that it stands on; `keep_years` None: nothing is said of it."""
    body = invoice.body
    until = (
        ""
        if keep_years is None
        else _(" Keep them until {date_words}.", date_words=_date_words(_years_on(invoice.at.date(), keep_years)))
    )
    parts = (
        section(_("The car"), "wide", table(("", ""), facts.car, (0.3, 0.7))),
        section(_("Service and parts"), "wide", *_lines(body.lines, body.currency), *_sums(body)),
        section(_("What was agreed"), "wide", *_consents(facts)),
        section(_("Old parts"), "wide", _points(f"{each.body.part}: {each.body.old_part}" for each in facts.renewed)),
        section(
            _("For the records"),
            "wide",
            _points(
                text
                for text in (
                    _("The work was done on {supplied_on}.", supplied_on=body.supplied_on) if body.supplied_on else "",
                    _("All papers of this job carry the number {case_id}.{until}", case_id=facts.case_id, until=until),
                    body.note,
                )
                if text
            ),
        ),
    )
    return _page(facts, _("Invoice {number}", number=body.number), facts.job, invoice.at, made_at, parts)


def looked_page(facts: PaperFacts, rules: RuleSet, looked: Sequence[Looked], made_at: datetime) -> Page:
    """The list of a jurisdiction, clause by clause, with what is missing first."""
    missing = [each for each in looked if each.state == "missing"]
    lacking = _("{missing} of {looked} things are missing", missing=len(missing), looked=len(looked))
    parts = (
        section(_("To do"), "wide", _points(to_do for each in missing for to_do in each.to_do)),
        section(
            _("Clause by clause"),
            "wide",
            table(
                (_("Clause"), _("It asks"), _("It stands")),
                (
                    (
                        f"{each.clause.cite} ({'text read' if each.clause.mark == 'read' else 'from memory'})",
                        each.clause.says,
                        STATE_WORDS[each.state],
                    )
                    for each in looked
                ),
                (0.32, 0.5, 0.18),
            ),
        ),
        section(_("How far this goes"), "wide", words(rules.warning), words(NOT_LEGAL_ADVICE)),
    )
    return Page(
        title=_("What the papers lack: {name}", name=rules.name),
        lines=(rules.law, _("Job {case_id}.", case_id=facts.case_id)),
        headline=lacking if missing else _("Nothing that we can see is missing"),
        meaning=NOT_LEGAL_ADVICE,
        sections=tuple(each for each in parts if each is not None),
        footer=(NOT_LEGAL_ADVICE,),
        author=facts.shop.name or _("the workshop"),
        made_at=made_at.isoformat(),
    )


def _page(
    facts: PaperFacts, title: str, job: str, at: datetime, made_at: datetime, parts: Iterable[Section | None]
) -> Page:
    shop, owner = facts.shop, facts.owner
    numbers = (
        _("registration {registration_number}", registration_number=shop.registration_number)
        if shop.registration_number
        else "",
        _("tax number {tax_number}", tax_number=shop.tax_number) if shop.tax_number else "",
    )
    ours = ", ".join(x for x in (shop.name or _("The workshop"), shop.address, shop.phone, shop.email, *numbers) if x)
    theirs = ", ".join(x for x in (owner.name, owner.address, owner.phone, owner.email) if x)
    return Page(
        title=title,
        lines=(ours, _("For {theirs}", theirs=theirs) if theirs else _("For: ____________________"), date_words(at)),
        headline=job,
        meaning=_("Job {case_id}. Every paper of this job carries this number.", case_id=facts.case_id),
        sections=tuple(each for each in parts if each is not None),
        footer=(_("The rights that the law gives you stay as they are, whatever this paper says."),),
        author=shop.name or _("the workshop"),
        made_at=made_at.isoformat(),
    )


def _lines(lines: Iterable[Line], currency: str) -> Iterable[Block]:
    lines = list(lines)
    service, parts = ([line for line in lines if (line.of == OF_PARTS) is wanted] for wanted in (False, True))
    if service:
        yield table(
            (_("Service and repair"), _("Kind"), _("Price ({currency})", currency=currency)),
            ((_what(line), _OF[line.of], _price(line)) for line in service),
            (0.56, 0.26, 0.18),
        )
    if parts:
        yield table(
            (
                _("Part"),
                _("Condition"),
                _("Quantity"),
                _("Each ({currency})", currency=currency),
                _("Price ({currency})", currency=currency),
            ),
            (
                (
                    f"{_what(line)}{', old one goes back in exchange' if line.core else ''}",
                    line.condition or _("not said"),
                    f"{line.quantity:g}",
                    f"{line.amount:,.2f}",
                    _price(line),
                )
                for line in parts
            ),
            (0.4, 0.16, 0.12, 0.16, 0.16),
        )


def _what(line: Line) -> str:
    number = f"{line.quantity:g} x " if line.of != OF_PARTS and line.quantity != 1 else ""
    return f"{number}{line.what}"


def _price(line: Line) -> str:
    return _("without charge") if line.warranty else f"{price_of(line):,.2f}"


def _sums(paper: Estimated | Invoiced) -> Iterable[Block]:
    sums = sums_of(paper)
    rows = [
        (_("Service and repair"), f"{sums.service:,.2f}"),
        (_("Parts, without tax"), f"{sums.parts:,.2f}"),
    ]
    if sums.tax is not None and sums.total is not None:
        rows += [
            (
                _("Tax, {tax_percent:g} % of {net:,.2f}", tax_percent=paper.tax_percent, net=sums.net),
                f"{sums.tax:,.2f}",
            ),
            (_("Total, {currency}", currency=sums.currency), f"{sums.total:,.2f}"),
        ]
    else:
        rows.append(
            (
                _("Total without tax, {currency}; the rate of tax was not said", currency=sums.currency),
                f"{sums.net:,.2f}",
            )
        )
    yield table(("Sum", sums.currency), rows, (0.8, 0.2))


def _consents(facts: PaperFacts) -> Iterable[Block]:
    if not facts.consents:
        yield words(_("Nothing was agreed yet."))
        return
    yield table(
        (_("When"), _("Who and how"), _("For what"), _("Amount")),
        ((f"{each.at:%d %B %Y, %H:%M} ({each.event})", _who(facts, each), each.body.work, _amount(each.body))
         for each in facts.consents),
        (0.2, 0.3, 0.32, 0.18),
    )  # fmt: skip


def _who(facts: PaperFacts, consent: Dated[Agreed]) -> str:
    body = consent.body
    person = facts.people.get(body.person or "", facts.owner)
    address = {"phone": person.phone, "email": person.email}.get(body.contact, "")
    how = " ".join(x for x in (_HOW[body.by], _OVER[body.contact], address) if x)
    return (
        _("{it}, {how}; noted by {by}", it=person.name or _("the owner"), how=how, by=consent.by)
        if consent.by
        else f"{person.name}, {how}"
    )


def _amount(body: Agreed) -> str:
    if body.limit is None:
        return _("not named")
    return f"{body.currency} {body.limit:,.2f}{' on top' if body.further else ' at most'}"


def _signature(what: str, amount: Decimal | None, currency: str) -> Iterable[Block]:
    money = (
        _("up to {currency} {amount:,.2f}", currency=currency, amount=amount)
        if amount is not None
        else _("up to ____________")
    )
    yield words(f"{what}, {money}.")
    yield words(_("Old parts:  [ ] I want them   [ ] I want to look at them   [ ] not wanted"))
    yield words(_("Date and time: ____________________   Signed: ______________________________"))


def _points(texts: Iterable[str]) -> Points:
    return Points(tuple(Item(text) for text in texts))


def _years_on(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:  # 29 February
        return day.replace(year=day.year + years, month=3, day=1)


def _date_words(day: date) -> str:
    """`4 March 2029`."""
    return f"{day.day} {day:%B %Y}"
