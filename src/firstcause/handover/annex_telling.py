"""What the annex of the owner's page tells beyond the report: costs over time, what to ask, when to look again."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from html import escape
from typing import Any

from firstcause.casebook.events import Linked, Reported
from firstcause.casebook.follow_up import LookAgain, follow_up
from firstcause.casebook.outlook import KM_A_MONTH, MONTHS, Ahead, look_ahead
from firstcause.casebook.outlook_drawing import draw_prices, draw_returns
from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.who_pays import BEFORE, who_else_pays
from firstcause.casebook.words import say
from firstcause.handover.ending import shown_cured
from firstcause.handover.facts import Fact, Picture
from firstcause.handover.plainly import money_words, span_words
from firstcause.outlook.forecast import Forecast
from firstcause.outlook.oil_dose import Driving
from firstcause.tongue import _

DRAWS = 4_000
PHOTO_KINDS = frozenset({"image/jpeg", "image/png"})
_PHOTO_WIDTH, _PHOTO_HEIGHT = 420, 315


@dataclass(frozen=True)
class ChoiceRow:
    """One choice over the time the owner keeps the car, in words: now, in the end, back, harm, what stays unknown."""

    what: str
    now: str
    in_the_end: str
    back: str
    harm: str
    unknown: str


@dataclass(frozen=True)
class AnnexFacts:
    """The facts that only the annex holds; empty parts are not printed."""

    horizon: str
    choices: tuple[ChoiceRow, ...]
    harm_of: str
    pays: tuple[Fact, ...]
    unknown: tuple[Fact, ...]
    prices: Picture | None
    returns: Picture | None
    ask_before: str
    ask: tuple[Fact, ...]
    looks: tuple[LookAgain, ...]
    other_visits: tuple[Fact, ...]
    seen_by_others: tuple[Fact, ...]
    photos: tuple[tuple[Picture, str], ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; the photos are left out, they are kept with the case."""
        told = asdict(self)
        del told["photos"]
        return told | {"looks": [look.to_dict() for look in self.looks]}


def annex_facts(
    weighed: WeighedCase, today: date, currency: str = "USD", *, months: float = MONTHS, km_a_month: float = KM_A_MONTH,
    driving: Driving = "mixed", photos: Sequence[tuple[str, bytes, str]] = (),
) -> AnnexFacts:  # fmt: skip
    """Everything the annex tells beyond the report; pure. `photos`: media type, bytes, what is to be seen.

    A case shown to be cured has no choices left, so nothing is reckoned for it.
    """
    cured = shown_cured(weighed)
    ahead = None if cured else look_ahead(weighed, months, km_a_month, draws=DRAWS, driving=driving)
    return AnnexFacts(
        horizon=_("over {months:.0f} months and {km:,.0f} km", months=months, km=months * km_a_month),
        choices=() if ahead is None else tuple(_choice(told, ahead, currency) for told in ahead.forecasts),
        harm_of="" if ahead is None else ahead.prospects.harm_words,
        pays=() if ahead is None else tuple(_pays(ahead)),
        unknown=() if ahead is None else tuple(Fact(words) for words in ahead.prospects.unknown),
        prices=None if ahead is None else Picture(draw_prices(ahead, currency), _("What each choice costs over time")),
        returns=None if ahead is None else Picture(draw_returns(ahead), _("How likely it is back, over the distance")),
        ask_before="" if cured else BEFORE,
        ask=() if cured else tuple(_ask(weighed, today)),
        looks=follow_up(weighed, today, km_a_month),
        other_visits=tuple(
            Fact(say(event.body, weighed.knowledge), (event.id,))
            for event in weighed.case.effective
            if isinstance(event.body, Linked)
        ),
        seen_by_others=tuple(
            Fact(_reported(event.body), (event.id,))
            for event in weighed.case.effective
            if isinstance(event.body, Reported)
        ),
        photos=tuple((photo_picture(kind, raw, about), about) for kind, raw, about in photos if kind in PHOTO_KINDS),
    )


def photo_picture(media_type: str, raw: bytes, about: str) -> Picture:
    """A photo inside a drawing, so that both papers print it the same way; it keeps its shape."""
    data = base64.b64encode(raw).decode("ascii")
    alt = about or _("Photo from the workshop")
    return Picture(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_PHOTO_WIDTH} {_PHOTO_HEIGHT}" role="img">'
        f"<title>{escape(alt)}</title><desc>{escape(alt)}</desc>"
        f'<image width="{_PHOTO_WIDTH}" height="{_PHOTO_HEIGHT}"'
        f' href="data:{escape(media_type)};base64,{data}"/></svg>',
        alt,
    )


def _choice(told: Forecast, ahead: Ahead, currency: str) -> ChoiceRow:
    mean, low, high = told.price_at_end
    least, most = ahead.prospects.price_spans[told.course.key]
    if told.course.key == "sell":
        return ChoiceRow(
            told.course.name, _("nothing"), _("about {price} off the price", price=money_words(mean, currency)),
            _("not yours any more"), "", told.course.leaves_open,
        )  # fmt: skip
    now = _("nothing") if most == 0.0 else money_words(least, currency)
    if most is None:
        now = _("from {price}", price=now)
    elif most - least >= 1.0:
        now = _("{now} – {most:,.0f}", now=now, most=most)
    back = told.first_return_km
    when = "" if back is None else _(", mostly after {span}", span=span_words(back[0], back[2], "km"))
    return ChoiceRow(
        told.course.name,
        now,
        _("{mean}; 8 in 10: {low:,.0f} to {high:,.0f}", mean=money_words(mean, currency), low=low, high=high),
        _("{share:.0f} in 100{when}", share=100 * told.returned[-1], when=when),
        _("{share:.0f} in 100", share=100 * told.harmed[-1]) if ahead.prospects.harm_words else "",
        told.course.leaves_open,
    )


def _pays(ahead: Ahead) -> Iterable[Fact]:
    for found in ahead.pays[:3]:
        yield Fact(
            _(
                "“{pays}” costs more now than “{over}”. It pays if you keep the car for more than about {km:,.0f} km. "
                "That is {months:.0f} months.",
                pays=found.pays.name,
                over=found.over.name,
                km=round(found.at_km, -2),
                months=found.at_km / ahead.km_a_month,
            )
        )
    if not ahead.pays:
        yield Fact(_("In this time no dearer choice pays for itself."))


def _reported(body: Reported) -> str:
    """A public record in plain words: what it is about, and that it proves nothing for this car."""
    source = {
        "recall": _("Recall"),
        "bulletin": _("Note to workshops"),
        "complaint": _("Complaints of other owners"),
        "investigation": _("Inquiry of the authority"),
    }[body.source]
    fits = _("It is about such a car.") if body.verdict == "applies" else _("It is about a car much like yours.")
    used = _("We let it count a little.") if body.decision == "accepted" else _("We did not let it count.")
    about = body.about.strip().rstrip(".")
    return f"{source} {body.number}: {about}. {fits} {used} {_('It proves nothing for your car.')}"


def _ask(weighed: WeighedCase, today: date) -> Iterable[Fact]:
    for each in who_else_pays(weighed, today):
        if each.standing != "has passed":
            yield Fact(f"{each.ask} ({each.who})", (), each.why)
