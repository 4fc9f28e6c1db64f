"""What the papers of a job stand on: estimates, consents, invoices and the work, with the sums of their lines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import Generic, TypeVar

from firstcause.casebook.case import Case
from firstcause.casebook.events import Agreed, Estimated, Invoiced, Line, Moved, Renewed, Repaired, Reseated
from firstcause.casebook.people import Person
from firstcause.casebook.shop_settings import ShopSettings
from firstcause.casebook.words import say
from firstcause.knowledge.base import Knowledge

CENT = Decimal("0.01")
OF_PARTS = "part"
T = TypeVar("T")


@dataclass(frozen=True)
class Sums:
    """A paper's money, without and with tax. `tax` and `total` are None where no rate was said."""

    service: Decimal
    parts: Decimal
    tax: Decimal | None
    total: Decimal | None
    currency: str

    @property
    def net(self) -> Decimal:
        """Service and parts without tax."""
        return self.service + self.parts


@dataclass(frozen=True)
class Dated(Generic[T]):
    """Something recorded: the event's id, when, by whom, and what."""

    event: str
    at: datetime
    by: str
    body: T


@dataclass(frozen=True)
class PaperFacts:
    """All that the papers of one job say. `work`: what was done to the car, in words, in order."""

    case_id: str
    car: tuple[tuple[str, str], ...]
    estimates: tuple[Dated[Estimated], ...]
    consents: tuple[Dated[Agreed], ...]
    invoices: tuple[Dated[Invoiced], ...]
    work: tuple[Dated[str], ...]
    renewed: tuple[Dated[Renewed], ...]
    tested: bool
    owner: Person
    people: Mapping[str, Person]
    shop: ShopSettings

    @property
    def job(self) -> str:
        """What the job is, in the words of the last estimate or consent."""
        if self.estimates:
            return self.estimates[-1].body.job
        return self.consents[-1].body.work if self.consents else ""


def paper_facts(
    case: Case, case_id: str, people: Mapping[str, Person], shop: ShopSettings, knowledge: Knowledge
) -> PaperFacts:
    """The facts as the case stands: what was withdrawn or corrected counts as it counts now."""
    estimates: list[Dated[Estimated]] = []
    consents: list[Dated[Agreed]] = []
    invoices: list[Dated[Invoiced]] = []
    work: list[Dated[str]] = []
    renewed: list[Dated[Renewed]] = []
    for event in case.effective:
        body = event.body
        if isinstance(body, Estimated):
            estimates.append(Dated(event.id, event.at, event.by, body))
        elif isinstance(body, Agreed):
            consents.append(Dated(event.id, event.at, event.by, body))
        elif isinstance(body, Invoiced):
            invoices.append(Dated(event.id, event.at, event.by, body))
        elif isinstance(body, Repaired | Renewed | Moved | Reseated):
            if isinstance(body, Renewed):
                renewed.append(Dated(event.id, event.at, event.by, body))
            if not isinstance(body, Moved | Reseated):
                work.append(Dated(event.id, event.at, event.by, say(body, knowledge).rstrip(".")))
    owner = people.get(case.opened.person or "", next(iter(people.values()), Person()))
    return PaperFacts(
        case_id=case_id, car=_car(case, owner), estimates=tuple(estimates), consents=tuple(consents),
        invoices=tuple(invoices), work=tuple(work), renewed=tuple(renewed),
        tested=any(event.body.kind in ("found", "counted", "snapshot") for event in case.effective),
        owner=owner, people=people, shop=shop,
    )  # fmt: skip


def _car(case: Case, owner: Person) -> tuple[tuple[str, str], ...]:
    car = case.car
    rows = [
        ("Car", f"{car.make} {car.model}"),
        ("Model year", "" if car.model_year is None else str(car.model_year)),
        ("Vehicle number", car.vin or ""),
        ("Plate", owner.plate),
        ("Distance on the clock", f"{car.distance_km:,.0f} km"),
    ]
    return tuple((name, value) for name, value in rows if value)


def sums_of(paper: Estimated | Invoiced) -> Sums:
    """Subtotals to the cent; work without charge (`warranty`) adds nothing. Tax is worked out on the whole."""
    chargeable = [line for line in paper.lines if not line.warranty]
    service = _cents(line for line in chargeable if line.of != OF_PARTS)
    parts = _cents(line for line in chargeable if line.of == OF_PARTS)
    if paper.tax_percent is None:
        return Sums(service, parts, None, None, paper.currency)
    tax = ((service + parts) * Decimal(str(paper.tax_percent)) / 100).quantize(CENT, ROUND_HALF_UP)
    return Sums(service, parts, tax, service + parts + tax, paper.currency)


def price_of(line: Line) -> Decimal:
    """The price of a line without tax, all of its quantity."""
    if line.warranty:
        return Decimal("0.00")
    return (Decimal(str(line.amount)) * Decimal(str(line.quantity))).quantize(CENT, ROUND_HALF_UP)


def _cents(lines: Iterable[Line]) -> Decimal:
    return sum((price_of(line) for line in lines), Decimal("0.00"))
