"""Whether the papers of a job hold what a list of rules asks for, clause by clause. Never legal advice."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

from firstcause.casebook.events import Agreed
from firstcause.handover.paper_facts import OF_PARTS, Dated, PaperFacts, sums_of
from firstcause.handover.paper_rules import Clause, RuleSet

State = Literal["kept", "missing", "does-not-arise", "for-a-person"]
NOT_LEGAL_ADVICE = (
    "This list is our reading of the rules, not legal advice. The current local law counts; where it matters, ask "
    "somebody who practises it."
)
_LUMP = re.compile(r"\b(shop suppl|supplies|consumable|sundr|miscellaneous|small parts?)", re.IGNORECASE)
_VAGUE = re.compile(r"\b(tune[- ]?up|overhaul emissions?|check[- ]?up|general service)\b", re.IGNORECASE)
_PAID_ESTIMATE = re.compile(r"(pay|paid|charge).{0,20}\bestimat|estimat\w*.{0,20}(paid|charged)", re.IGNORECASE)
_SUBSTANTIAL = Decimal("1.15")  # of the estimate: 15 to 20 % is commonly called so; common practice, no source


@dataclass(frozen=True)
class Looked:
    """One clause, how it stands, and in plain words what to do where something is missing."""

    clause: Clause
    state: State
    to_do: tuple[str, ...] = ()


@dataclass(frozen=True)
class DoesNotArise:
    """The clause asks nothing of this job."""


Look = Callable[[PaperFacts], Iterator[str] | DoesNotArise]
_LOOKS: dict[str, Look] = {}


def _look(name: str) -> Callable[[Look], Look]:
    def kept(look: Look) -> Look:
        _LOOKS[name] = look
        return look

    return kept


def look_at(facts: PaperFacts, rules: RuleSet) -> tuple[Looked, ...]:
    """Each clause of the list, in order."""
    return tuple(_looked(clause, facts) for clause in rules.clauses)


def looks_known() -> Mapping[str, Look]:
    """Every look by its name, for the check of the rule files."""
    return _LOOKS


def _looked(clause: Clause, facts: PaperFacts) -> Looked:
    if not clause.check:
        return Looked(clause, "for-a-person", ("A program cannot see this: look yourself.",))
    answer = _LOOKS[clause.check](facts)
    if isinstance(answer, DoesNotArise):
        return Looked(clause, "does-not-arise")
    missing = tuple(answer)
    return Looked(clause, "missing" if missing else "kept", missing)


# ---- before the work -------------------------------------------------------------------------------------------------


@_look("estimate-before-work")
def _estimate_before_work(facts: PaperFacts) -> Iterator[str]:
    if not facts.estimates:
        yield "Write an estimate before you begin." if not facts.work else "Work was done and no estimate is recorded."
        return
    first = facts.estimates[0]
    for done in facts.work:
        if done.at < first.at:
            yield f"{done.body} ({done.event}) was done before the first estimate ({first.event})."


@_look("estimate-prices-labour-and-parts")
def _labour_and_parts(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    if not facts.estimates:
        return DoesNotArise()
    return _labour_and_parts_of(facts)


def _labour_and_parts_of(facts: PaperFacts) -> Iterator[str]:
    for estimate in facts.estimates:
        kinds = {line.of for line in estimate.body.lines}
        if not kinds - {OF_PARTS}:
            yield f"Estimate {estimate.event} prices no labour."
        if not estimate.body.job.strip():
            yield f"Estimate {estimate.event} does not say for which job."
    parts_used = any(line.of == OF_PARTS for invoice in facts.invoices for line in invoice.body.lines)
    if parts_used and not any(line.of == OF_PARTS for e in facts.estimates for line in e.body.lines):
        yield "Parts were charged and no estimate prices a part."


@_look("authorised-before-work")
def _authorised_before_work(facts: PaperFacts) -> Iterator[str]:
    if not facts.consents:
        yield "Record the owner's consent before you begin." if not facts.work else "Work was done without consent."
        return
    first = facts.consents[0]
    for done in facts.work:
        if done.at < first.at:
            yield f"{done.body} ({done.event}) was done before the owner agreed to anything ({first.event})."


@_look("teardown-is-complete")
def _teardown(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    apart = [e for e in facts.estimates if any(line.of == "teardown" for line in e.body.lines)]
    if not apart:
        return DoesNotArise()
    return _teardown_of(apart)


def _teardown_of(apart: list[Dated[Any]]) -> Iterator[str]:
    for estimate in apart:
        if not any(line.of == "reassembly" for line in estimate.body.lines):
            yield f"Estimate {estimate.event} prices taking apart and not putting together."
        if not estimate.body.destroyed:
            yield f"Estimate {estimate.event} does not name the parts that taking apart destroys (say 'none' if none)."


@_look("time-is-said")
def _time(facts: PaperFacts) -> Iterator[str]:
    if not any(estimate.body.done_by.strip() for estimate in facts.estimates):
        yield "Say in the estimate by when the work is done."


@_look("used-parts-were-offered")
def _used_parts(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    if not any(line.of == OF_PARTS for e in facts.estimates for line in e.body.lines):
        return DoesNotArise()
    said = any(estimate.body.used_parts != "unsaid" for estimate in facts.estimates)
    return iter(()) if said else iter(("Offer used parts where the rules ask for it, and keep the answer.",))


@_look("estimate-is-not-charged")
def _estimate_charged(facts: PaperFacts) -> Iterator[str]:
    agreed = any(_PAID_ESTIMATE.search(consent.body.work) for consent in facts.consents)
    for invoice in facts.invoices:
        if any(line.of == "estimate" and not line.warranty for line in invoice.body.lines) and not agreed:
            yield f"Invoice {invoice.body.number} charges for the estimate; no consent says 'charge for the estimate'."


# ---- consent ---------------------------------------------------------------------------------------------------------


@_look("not-above-what-was-agreed")
def _not_above(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    if not facts.invoices:
        return DoesNotArise()
    return _above(facts, Decimal(1))


@_look("overrun-was-told")
def _overrun(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    if not facts.invoices or not facts.estimates:
        return DoesNotArise()
    return iter(()) if any(c.body.further for c in facts.consents) else _above(facts, _SUBSTANTIAL)


def _above(facts: PaperFacts, share: Decimal) -> Iterator[str]:
    """Charged in all against the limits agreed; without a limit, against the estimates agreed to. By currency."""
    agreed: dict[str, Decimal] = {}
    for consent in facts.consents:
        if consent.body.limit is not None:
            so_far = agreed.get(consent.body.currency, Decimal(0))
            agreed[consent.body.currency] = so_far + Decimal(str(consent.body.limit))
    if not agreed:
        for estimate in facts.estimates[-1:]:
            sums = sums_of(estimate.body)
            agreed[sums.currency] = sums.net if sums.total is None else sums.total
    charged: dict[str, Decimal] = {}
    for invoice in facts.invoices:
        sums = sums_of(invoice.body)
        amount = sums.net if sums.total is None else sums.total
        charged[sums.currency] = charged.get(sums.currency, Decimal(0)) + amount
    for currency, amount in charged.items():
        limit = agreed.get(currency)
        if limit is None:
            yield f"{currency} {amount:,.2f} are charged and nothing was agreed in {currency}."
        elif amount > limit * share:
            over = amount - limit
            yield (
                f"{currency} {amount:,.2f} are charged and {limit:,.2f} were agreed: {over:,.2f} too much. Get consent "
                "before the extra work, or charge what was agreed."
            )


@_look("spoken-consent-is-complete")
def _spoken(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    spoken = [consent for consent in facts.consents if consent.body.by != "signature"]
    if not spoken:
        return DoesNotArise()
    return _spoken_of(spoken, facts)


def _spoken_of(spoken: list[Dated[Agreed]], facts: PaperFacts) -> Iterator[str]:
    for consent in spoken:
        person = facts.people.get(consent.body.person or "", facts.owner)
        if not person.name:
            yield f"Consent {consent.event}: keep the name of who agreed."
        if consent.body.contact == "unsaid":
            yield f"Consent {consent.event}: say how they were reached (here, by telephone, by e-mail)."
        if consent.body.contact == "phone" and not person.phone:
            yield f"Consent {consent.event}: keep the telephone number that was called."
        if consent.body.contact == "email" and not person.email:
            yield f"Consent {consent.event}: keep the e-mail address."
        if consent.body.limit is None:
            yield f"Consent {consent.event}: say up to which amount."


@_look("agreed-at-a-distance")
def _at_a_distance(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    first = next(iter(facts.consents), None)
    if first is None or first.body.contact in ("here", "unsaid"):
        return DoesNotArise()
    return iter(("The first consent was given at a distance: tell the owner of the right to withdraw, and keep that.",))


@_look("printed-consents")
def _printed_consents(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    """Our invoice prints them itself; what they lack is asked for where they are looked at."""
    if not facts.invoices or not any(consent.body.by != "signature" for consent in facts.consents):
        return DoesNotArise()
    return iter(())


# ---- the invoice -----------------------------------------------------------------------------------------------------


def _once_invoiced(look: Callable[[PaperFacts], Iterator[str]]) -> Look:
    """Before there is an invoice, nothing can be wrong with it."""
    return lambda facts: look(facts) if facts.invoices else DoesNotArise()


@_look("shop-has-registration")
@_once_invoiced
def _registration(facts: PaperFacts) -> Iterator[str]:
    if not facts.shop.registration_number:
        yield "Put the shop's registration number into the settings."
    yield from _reached(facts, telephone=False)


@_look("shop-has-tax-number")
@_once_invoiced
def _tax_number(facts: PaperFacts) -> Iterator[str]:
    if not facts.shop.tax_number:
        yield "Put the shop's tax number into the settings."
    yield from _reached(facts, telephone=False)


@_look("shop-can-be-reached")
def _can_be_reached(facts: PaperFacts) -> Iterator[str]:
    yield from _reached(facts, telephone=True)


def _reached(facts: PaperFacts, *, telephone: bool) -> Iterator[str]:
    if not facts.shop.name:
        yield "Put the shop's name into the settings."
    if not facts.shop.address:
        yield "Put the shop's address into the settings."
    if telephone and not facts.shop.phone:
        yield "Put the shop's telephone number into the settings."


@_look("customer-is-named")
@_once_invoiced
def _customer(facts: PaperFacts) -> Iterator[str]:
    if not facts.owner.name:
        yield "Keep the owner's name with the case."
    if not facts.owner.address:
        yield "Keep the owner's address with the case."


@_look("number-and-supply")
@_once_invoiced
def _number(facts: PaperFacts) -> Iterator[str]:
    numbers = [invoice.body.number.strip() for invoice in facts.invoices]
    for invoice in facts.invoices:
        if not invoice.body.number.strip():
            yield f"Invoice {invoice.event} has no number."
        elif numbers.count(invoice.body.number.strip()) > 1:
            yield f"The number {invoice.body.number} stands on two invoices."
        if not invoice.body.supplied_on.strip():
            yield f"Invoice {invoice.event} does not say on which day the work was done."


@_look("each-work-has-its-line")
@_once_invoiced
def _each_work(facts: PaperFacts) -> Iterator[str]:
    lines = [line for invoice in facts.invoices for line in invoice.body.lines]
    named = {event for line in lines for event in line.events}
    for done in facts.work:
        if done.event not in named:
            yield f"{done.body} ({done.event}) stands on no line of an invoice, not even as work without charge."
    if facts.tested and not any(line.of == "diagnosis" for line in lines):
        yield "The search for the cause has no line of its own (it may be without charge)."


@_look("each-part-has-its-condition")
@_once_invoiced
def _each_part(facts: PaperFacts) -> Iterator[str]:
    for invoice in facts.invoices:
        for line in invoice.body.lines:
            if line.of == OF_PARTS and line.condition is None:
                yield f"{line.what}: say whether it is new, used, reconditioned or rebuilt."


@_look("tax-is-said")
@_once_invoiced
def _tax(facts: PaperFacts) -> Iterator[str]:
    for invoice in facts.invoices:
        if invoice.body.tax_percent is None:
            yield f"Invoice {invoice.body.number} says no rate of tax (0 where none is due)."


@_look("no-lump-line")
@_once_invoiced
def _no_lump(facts: PaperFacts) -> Iterator[str]:
    yield from _worded(facts, _LUMP, "is a lump: name what was used, or leave it out")


@_look("no-vague-words")
@_once_invoiced
def _no_vague(facts: PaperFacts) -> Iterator[str]:
    yield from _worded(facts, _VAGUE, "says too little: name what was done")


def _worded(facts: PaperFacts, pattern: re.Pattern[str], fault: str) -> Iterator[str]:
    for invoice in facts.invoices:
        for line in invoice.body.lines:
            if pattern.search(line.what):
                yield f"The line {line.what!r} {fault}."


@_look("old-parts-given-back")
def _old_parts(facts: PaperFacts) -> Iterator[str] | DoesNotArise:
    if not facts.renewed or not any(consent.body.old_parts == "asked-for" for consent in facts.consents):
        return DoesNotArise()
    return _not_given_back(facts)


def _not_given_back(facts: PaperFacts) -> Iterator[str]:
    for each in facts.renewed:
        kept = each.body.old_part.lower()
        if not any(word in kept for word in ("owner", "given", "returned", "shown", "exchange")):
            yield f"The old {each.body.part} ({each.event}) was asked for and went elsewhere: {each.body.old_part}."


@_look("one-number")
def _one_number(facts: PaperFacts) -> Iterator[str]:
    """All our papers carry the number of the case."""
    if not facts.case_id:
        yield "The case has no number yet: keep it in the casebook."
