"""What the owner can choose between: what may still stand in the car, and the courses open to them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from firstcause.errors import RequestError
from firstcause.outlook.lifetime import LifeBelief

OnReturn = Literal["renew", "settle", "live-with-it"]


@dataclass(frozen=True, slots=True)
class Standing:
    """One thing that may still stand in the car: how likely, when its complaint returns, what it harms, what ends it.

    The chances of all that may stand add up to 1; what stands for "nothing is left" has `life` None and never returns.
    `running_km` is how long the present relief has already lasted. `harm_per_1000_km` is the rate of lasting damage
    (catalyst, valve, engine) while the complaint is there; `harm_price` what that costs. `settle_price` is what the
    cure costs once the complaint is back and the cause is looked for in earnest. Prices in the shop's currency.
    """

    cause: str
    name: str
    chance: float
    life: LifeBelief | None
    settle_price: float = 0.0
    harm_per_1000_km: float = 0.0
    harm_price: float = 0.0
    running_km: float = 0.0


@dataclass(frozen=True, slots=True)
class Course:
    """One thing the owner can choose, and what then happens when the complaint returns.

    `cures` gives for each cause the chance that this course ends it. `relieves` says whether the complaint is gone at
    first although the cause stands; `fresh` whether what had been spoilt is new again, so that its life starts anew.
    `on_return`: renew the victim (`return_price` each time), settle it (`return_price` and the cause's `settle_price`,
    once), or live with it. `noticed_after_km` is driven with the complaint before anything is done about it.
    """

    key: str
    name: str
    price_now: float
    on_return: OnReturn
    cures: Mapping[str, float] = field(default_factory=dict)
    relieves: bool = True
    fresh: bool = True
    return_price: float = 0.0
    noticed_after_km: float = 150.0
    leaves_open: str = ""
    beside: frozenset[str] = frozenset()
    price_by_cause: Mapping[str, float] = field(default_factory=dict)

    def relieves_of(self, cause: str) -> bool:
        """Whether the complaint is gone at first although this cause stands."""
        return self.relieves and cause not in self.beside

    def on_return_of(self, cause: str) -> OnReturn:
        """What is done when the complaint returns by this cause; what does not touch it is not done again and again."""
        return "settle" if cause in self.beside and self.on_return == "renew" else self.on_return


def require_whole(standing: tuple[Standing, ...]) -> None:
    """Raises RequestError when the chances of what may stand do not add up to 1."""
    total = sum(each.chance for each in standing)
    if not standing or abs(total - 1.0) > 1e-6:
        raise RequestError(f"The chances of what may stand add up to {total:.4f}, not 1. Nothing was forecast.")
