"""An estimate to go on from: the likeliest repair with its labour and the middle of its price class."""

from __future__ import annotations

from firstcause.casebook.events import Estimated, Line
from firstcause.casebook.shop_settings import ShopSettings
from firstcause.casebook.weighing import WeighedCase
from firstcause.errors import RequestError
from firstcause.handover.options import options_of

SMALLEST_PART = 1.0


def draft_estimate(weighed: WeighedCase, shop: ShopSettings, key: str | None = None) -> Estimated:
    """Lines for one repair that is open (`key`; without it the first), and for finding the cause so far.

    The part's price is the middle of the usual span of its class, without tax: put in the supplier's own. Raises
    RequestError where no repair is open, or none of that key.
    """
    rate = shop.labour_per_hour or weighed.knowledge.model.money.labour_per_hour
    offered = options_of(weighed, shop.currency, rate)
    options = [each for each in offered if each.kind == "repair" and not each.set_aside]
    if key is not None:
        options = [each for each in options if each.key == key]
    if not options:
        raise RequestError(
            "No repair is open in this case, so there is nothing to estimate. Look further first; nothing was changed."
        )
    chosen = options[0]
    highest = chosen.lowest if chosen.highest is None else chosen.highest
    part = round((chosen.lowest + highest) / 2 - chosen.labour, 2)
    lines = [
        Line(what="Find the cause (put in what you charge)", of="diagnosis", amount=0.0),
        Line(what=f"{chosen.what}, {chosen.minutes:.0f} min", of="labour", amount=round(chosen.labour, 2)),
    ]
    if part >= SMALLEST_PART:
        lines.append(Line(what=f"Parts for it (put in the price of your supplier; {chosen.ground})", of="part",
                          amount=part, condition="new"))  # fmt: skip
    job = f"{chosen.what}{f' ({chosen.place})' if chosen.place else ''}"
    return Estimated(job=job, lines=tuple(lines), currency=shop.currency)
