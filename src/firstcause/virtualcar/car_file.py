"""A car described in a file or made by a seed: layout, mileage, history, faults with onset, noise, misreading."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np

from firstcause.errors import CaseError, RequestError
from firstcause.vehicle.layout import EngineLayout, common_layout
from firstcause.vehicle.vin import Vin
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.drive import NAMED_DRIVES
from firstcause.virtualcar.fault_table import RECIPES
from firstcause.virtualcar.faults import Trouble
from firstcause.virtualcar.workshop import NO_SLIPS, USUAL_SLIPS, Slips

SHAPES = ("I3", "I4", "I4", "I4", "I5", "I6", "V6", "V6", "V8", "F4")
LITRES_PER_CYLINDER = (0.4, 0.6)
_MAKES = (("Calder", "Arvo"), ("Norvane", "Tessel"), ("Ondine", "Kestrel"), ("Harrow", "Linn"))  # invented
_ENGINE_KEYS = ("ignition", "injection", "metering", "induction", "timing_drive", "displacement_l", "compression_ratio",
                "arrangement", "banks", "firing_order", "coil_groups")  # fmt: skip
Detail = str | float | tuple[int, ...] | tuple[tuple[int, ...], ...]


class BadCarFile(CaseError):
    """A car file cannot be read as it stands."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(f"The car file was not read: {why}. Nothing was built; correct the file and try again.")


@dataclass(frozen=True)
class Past:
    """A stretch of the car's life before the visit: the owner drives, until so far or until the lamp is on."""

    km: float
    drive: str = "mixed"
    until_lamp: bool = False


@dataclass(frozen=True)
class CarFile:
    """Everything that makes one virtual car; `build` gives it, always the same one.

    `noise` multiplies the noise of all instruments. Faults and their onset are at odometer readings in km.
    """

    seed: int
    shape: str
    vin: str
    mileage_km: float
    name: str = ""
    engine: Mapping[str, Detail] = field(default_factory=dict)
    plug_age_km: float = 30_000.0
    ambient_c: float = 18.0
    history: tuple[Past, ...] = ()
    faults: tuple[Trouble, ...] = ()
    noise: float = 1.0
    slips: Slips = NO_SLIPS

    @property
    def layout(self) -> EngineLayout:
        return common_layout(self.shape, **self.engine)

    def build(self) -> VirtualCar:
        """The car as it comes to the shop, its history lived through. Raises RequestError for what cannot be."""
        car = VirtualCar.build(
            self.layout, self.vin, self.mileage_km, self.faults, self.seed, plug_age_km=self.plug_age_km, name=self.name
        )
        car.ambient_c = car.coolant_c = self.ambient_c
        car.workshop.noise, car.workshop.slips = self.noise, self.slips
        for past in self.history:
            car.own(past.km, past.drive, until_lamp=past.until_lamp)
        return car


def read_car_file(path: Path) -> CarFile:
    """Read a car file (TOML, see docs/virtual-car.md). Raises BadCarFile, which says what is wrong."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadCarFile(f"{path.name} is not TOML: {error}") from error
    return parse_car(table)


def parse_car(table: Mapping[str, Any]) -> CarFile:
    """A car from the tables of its file; refuses keys it does not know."""
    _known(table, "the file", ("name", "seed", "vin", "mileage_km", "plug_age_km", "ambient_c", "engine", "workshop",
                               "history", "fault"))  # fmt: skip
    engine = {name: _numbers(value) for name, value in _table(table, "engine").items()}
    _known(engine, "[engine]", ("shape", *_ENGINE_KEYS))
    shop = _table(table, "workshop")
    _known(shop, "[workshop]", ("noise", *(f"misread_{entry.name}" for entry in fields(Slips))))
    try:
        car = CarFile(
            seed=int(table["seed"]),
            shape=str(engine.pop("shape")),
            vin=Vin.read(str(table["vin"])).text,
            mileage_km=float(table["mileage_km"]),
            name=str(table.get("name", "")),
            engine=engine,
            plug_age_km=float(table.get("plug_age_km", 30_000.0)),
            ambient_c=float(table.get("ambient_c", 18.0)),
            history=tuple(_past(entry) for entry in table.get("history", ())),
            faults=tuple(_trouble(entry) for entry in table.get("fault", ())),
            noise=float(shop.get("noise", 1.0)),
            slips=Slips(**{name.removeprefix("misread_"): float(v) for name, v in shop.items() if name != "noise"}),
        )
        car.layout  # noqa: B018 - refuses an engine that cannot be
    except KeyError as error:
        raise BadCarFile(f"{error.args[0]!r} is missing") from error
    except (TypeError, ValueError) as error:
        raise BadCarFile(str(error)) from error
    except RequestError as error:
        raise BadCarFile(str(error).rstrip(".")) from error
    return car


def _table(table: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = table.get(name, {})
    if not isinstance(found, dict):
        raise BadCarFile(f"{name} must be a table")
    return found


def _numbers(value: Any) -> Any:
    """Lists of a file as the tuples of a layout."""
    return tuple(_numbers(one) for one in value) if isinstance(value, list) else value


def _known(table: Mapping[str, Any], where: str, names: tuple[str, ...]) -> None:
    unknown = sorted(set(table) - set(names))
    if unknown:
        raise BadCarFile(f"{where} has {', '.join(unknown)}, which it may not; it may have {', '.join(names)}")


def _past(entry: Mapping[str, Any]) -> Past:
    _known(entry, "[[history]]", ("km", "drive", "until_lamp"))
    past = Past(float(entry["km"]), str(entry.get("drive", "mixed")), bool(entry.get("until_lamp", False)))
    if past.drive not in NAMED_DRIVES or not past.km > 0:
        raise BadCarFile(f"[[history]] drives {past.drive!r} for {past.km} km; drives are {', '.join(NAMED_DRIVES)}")
    return past


def _trouble(entry: Mapping[str, Any]) -> Trouble:
    _known(entry, "[[fault]]", tuple(one.name for one in fields(Trouble)))
    trouble = Trouble(**entry)
    if trouble.fault not in RECIPES:
        raise BadCarFile(f"there is no fault {trouble.fault!r}; there are {', '.join(sorted(RECIPES))}")
    return trouble


def write_car_file(car: CarFile) -> str:
    """The car as the text of its file; reading it gives the same car."""
    lines = [f"name = {_toml(car.name)}", f"seed = {car.seed}", f"vin = {_toml(car.vin)}",
             f"mileage_km = {_toml(car.mileage_km)}", f"plug_age_km = {_toml(car.plug_age_km)}",
             f"ambient_c = {_toml(car.ambient_c)}", "", "[engine]", f"shape = {_toml(car.shape)}"]  # fmt: skip
    lines += [f"{key} = {_toml(value)}" for key, value in car.engine.items()]
    lines += ["", "[workshop]", f"noise = {_toml(car.noise)}"]
    lines += [f"misread_{entry.name} = {_toml(getattr(car.slips, entry.name))}" for entry in fields(Slips)]
    for past in car.history:
        lines += ["", "[[history]]", f"km = {_toml(past.km)}", f"drive = {_toml(past.drive)}",
                  f"until_lamp = {_toml(past.until_lamp)}"]  # fmt: skip
    for trouble in car.faults:
        lines += ["", "[[fault]]"]
        lines += [
            f"{entry.name} = {_toml(value)}"
            for entry in fields(Trouble)
            if (value := getattr(trouble, entry.name)) is not None
        ]
    return "\n".join(lines) + "\n"


def _toml(value: Detail | bool) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value)


def drawn_car(seed: int, *, shape: str | None = None, faults: int | None = None) -> CarFile:
    """A car made by chance from a seed: layout, mileage, one hidden fault or a few, severity, onset, a month of use.

    Every fault of the table is as likely as any other: whoever wants other odds draws faults of their own.
    """
    rng = np.random.default_rng(seed)
    shape = shape or str(rng.choice(SHAPES))
    cylinders = common_layout(shape).count
    litres = round(cylinders * float(rng.uniform(*LITRES_PER_CYLINDER)), 1)
    mileage_km = float(round(rng.uniform(40_000, 260_000), -2))
    count = faults if faults is not None else int(rng.choice((1, 2, 3), p=(0.8, 0.15, 0.05)))
    make, model = _MAKES[int(rng.integers(len(_MAKES)))]
    engine: dict[str, Detail] = {
        "displacement_l": litres,
        "compression_ratio": round(float(rng.uniform(9.5, 11.5)), 1),
        "injection": str(rng.choice(("port", "direct"))),
        "metering": str(rng.choice(("air-flow-meter", "manifold-pressure"))),
    }
    layout = common_layout(shape, **engine)
    return CarFile(
        seed=seed, shape=shape, vin=invented_vin(rng), mileage_km=mileage_km, name=f"{make} {model}", engine=engine,
        plug_age_km=float(round(rng.uniform(0, 90_000), -2)), ambient_c=float(round(rng.normal(14, 8))),
        history=(Past(600.0, str(rng.choice(("town", "mixed"))), until_lamp=True),),
        faults=tuple(_drawn_trouble(rng, layout, mileage_km) for _ in range(count)), slips=USUAL_SLIPS,
    )  # fmt: skip


def _drawn_trouble(rng: np.random.Generator, layout: EngineLayout, mileage_km: float) -> Trouble:
    recipe = RECIPES[str(rng.choice(sorted(RECIPES)))]
    places = [n for n in layout.cylinders if recipe.holder != "joint" or layout.neighbours(n)]
    cylinder = None if recipe.holder == "engine" else int(rng.choice(places))
    severity = round(float(rng.uniform(0.8, 2.0)), 2)
    begins = mileage_km + float(round(rng.uniform(0, 200)))
    grows = float(round(rng.uniform(0, 400))) if rng.random() < 0.5 else 0.0
    return Trouble(recipe.id, cylinder, severity, onset_km=begins, grows_over_km=grows)


def invented_vin(rng: np.random.Generator) -> str:
    """A well-formed VIN of an invented maker; check digit after 49 CFR 565."""
    letters = "ABCDEFGHJKLMNPRSTUVWXYZ"
    digits = "".join(str(int(d)) for d in rng.integers(0, 10, 6))
    body = "".join(letters[int(at)] for at in rng.integers(0, 23, 4)) + "4"
    year = "ABCDEFGHJKLMNPR"[int(digits[0])]
    plain = Vin(f"5ZC{body}0{year}A{digits}")
    return f"{plain.text[:8]}{plain.computed_check_digit}{plain.text[9:]}"
