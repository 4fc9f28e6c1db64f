"""Cars for the trial: drawn by seed and number, driven until the lamp is on; else drawn again."""

from __future__ import annotations

import copy
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from firstcause.errors import RequestError
from firstcause.trial.settings import Settings, Variant
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.car_file import LITRES_PER_CYLINDER, SHAPES, CarFile, Detail, Past, invented_vin
from firstcause.virtualcar.fault_table import RECIPES
from firstcause.virtualcar.faults import Trouble
from firstcause.virtualcar.shopday import ShopDay
from firstcause.virtualcar.workshop import USUAL_SLIPS, Slips

_MISFIRE_CODES = ("P030", "P031")


class NoSuchCar(RequestError):
    """No car of that number lights its lamp for a misfire."""


@dataclass(frozen=True)
class Drawn:
    """A car as it comes to the shop: its file, how many were drawn for it, whether the knowledge lacks its fault."""

    number: int
    file: CarFile
    car: VirtualCar
    drawn: int
    unknown: bool

    def fresh(self) -> VirtualCar:
        """The car again, as it came, for the next policy."""
        return copy.deepcopy(self.car, {id(self.car.lock): threading.RLock()})


def draw(seed: int, number: int, settings: Settings, variant: Variant) -> Drawn:
    """Car `number` of this seed; the same whoever asks, in whatever order. Raises NoSuchCar when all tries fail.

    Every physical fault is as likely as any other: no odds are taken from the knowledge. Whether the fault is one that
    the knowledge lacks is settled first, so that cars drawn again do not change that share; such a car is drawn again
    also where that fault has not begun when it comes in.
    """
    chance = np.random.default_rng([seed, number])
    rules = settings.draw
    unknown = bool(chance.random() < rules["unknown_share"])
    for tried in range(1, rules["tries"] + 1):
        file = _file(chance, number, settings, variant, unknown)
        car = file.build()
        if comes_in(car):
            leave_what_has_not_begun(car)
            if unknown == _lacks(car, settings):
                return Drawn(number, file, car, tried, unknown)
    raise NoSuchCar(f"Of {rules['tries']} cars drawn for number {number} none came with its lamp on for a misfire.")


def comes_in(car: VirtualCar) -> bool:
    """Whether the owner brings it to this shop: the lamp is on, and a misfire code stands behind it."""
    codes = (*car.unit.codes("confirmed"), *car.unit.codes("pending"))
    return car.lamp != "off" and any(code.startswith(_MISFIRE_CODES) for code in codes)


def leave_what_has_not_begun(car: VirtualCar) -> None:
    """Take out of a car that comes in the faults that begin only later: nobody could find them, or is to pay for them.

    A fault that has begun stays and grows on, however small it is yet.
    """
    car.condition.present = list(car.condition.still_wrong())


def _lacks(car: VirtualCar, settings: Settings) -> bool:
    return any(one.fault in settings.draw["unknown"] for one in car.condition.present)


def from_file(number: int, file: CarFile, settings: Settings) -> Drawn:
    """A car that somebody described, whatever its lamp says."""
    car = file.build()
    leave_what_has_not_begun(car)
    return Drawn(number, file, car, 1, _lacks(car, settings))


def _file(chance: np.random.Generator, number: int, settings: Settings, variant: Variant, unknown: bool) -> CarFile:
    rules = settings.draw
    shape = str(chance.choice(SHAPES))
    engine: dict[str, Detail] = {
        "displacement_l": round(common_layout(shape).count * float(chance.uniform(*LITRES_PER_CYLINDER)), 1),
        "compression_ratio": round(float(chance.uniform(9.5, 11.5)), 1),
        "injection": str(chance.choice(("port", "direct"))),
        "metering": str(chance.choice(("air-flow-meter", "manifold-pressure"))),
    }
    mileage_km = float(round(chance.uniform(*rules["mileage_km"]), -2))
    known = sorted(set(RECIPES) - set(rules["unknown"]) - set(rules["left_out"]))
    count = int(chance.choice(len(rules["faults"]), p=rules["faults"])) + 1
    faults = [_trouble(chance, shape, engine, mileage_km, rules["unknown"] if unknown and at == 0 else known, rules)
              for at in range(count)]  # fmt: skip
    seed = int(chance.integers(2**31))
    slips = Slips(*(min(0.9, rate * variant.misreading) for rate in
                    (USUAL_SLIPS.look, USUAL_SLIPS.miss, USUAL_SLIPS.ghost, USUAL_SLIPS.number)))  # fmt: skip
    return CarFile(
        seed=seed, shape=shape, vin=invented_vin(chance), mileage_km=mileage_km, name=f"Trial car {number}",
        engine=engine, plug_age_km=float(round(chance.uniform(0, 90_000), -2)),
        ambient_c=float(round(chance.normal(14, 8))),
        history=(Past(rules["history_km"], str(chance.choice(("town", "mixed"))), until_lamp=True),),
        faults=tuple(replace(one, severity=one.severity * variant.severity) for one in faults),
        noise=variant.noise, slips=slips,
    )  # fmt: skip


def _trouble(
    chance: np.random.Generator, shape: str, engine: dict[str, Detail], mileage_km: float, among: Sequence[str],
    rules: Mapping[str, Any],
) -> Trouble:  # fmt: skip
    layout = common_layout(shape, **engine)
    recipe = RECIPES[str(chance.choice(list(among)))]
    places = [n for n in layout.cylinders if recipe.holder != "joint" or layout.neighbours(n)]
    at = None if recipe.holder == "engine" else int(chance.choice(places))
    low, high = rules["severity"]
    severity = round(float(chance.uniform(low, high)), 2)
    onset = mileage_km + float(round(chance.uniform(0, 200)))
    grows = float(round(chance.uniform(0, 300))) if chance.random() < 0.5 else 0.0
    return Trouble(recipe.id, at, severity, onset_km=onset, grows_over_km=grows)


def shop_day(car: VirtualCar, settings: Settings) -> ShopDay:
    """A day in the shop with this car, its drives in the trial's steps."""
    return ShopDay(car, step_s=settings.draw["step_s"])
