"""The two cases of the tryout. Makes, engines, people and garages are invented."""

from __future__ import annotations

from dataclasses import dataclass

from firstcause.casebook.events import Agreed, Car, ClosingState, EngineDescription, Told
from firstcause.casebook.people import Person
from firstcause.virtualcar.car import Fault


@dataclass(frozen=True)
class Story:
    """A car with a hidden fault, its owner's words, and how the owner decides.

    `tempting` is the swap that most would try first: (part, from, to). The owner agrees to a repair up to
    `owner_pays_up_to`; beyond it they decline, and relief is what is left. `lesson` is said when the case `ends` so.
    """

    name: str
    title: str
    car: Car
    faults: tuple[Fault, ...]
    seed: int
    drive_before: tuple[str, float]
    plug_age_km: float
    told: Told
    owner: Person
    tempting: tuple[str, int, int]
    tempting_words: str
    agreed: Agreed
    owner_pays_up_to: float
    ends: ClosingState
    lesson: str


VALVE = Story(
    name="valve",
    title="The coil that was not to blame",
    car=Car(
        vin="5ZCV2A3B5AR000123",
        make="Calder",
        model="Arvo",
        engine_code="CV20E",
        distance_km=190_000,
        engine=EngineDescription(shape="I4", displacement_l=2.0, compression_ratio=10.0),
    ),
    faults=(("exhaust-valve-leak", 3, 1.5),),
    seed=11,
    drive_before=("jam", 300.0),
    plug_age_km=30_000.0,
    told=Told(
        words="It shakes at the lights and is smooth on the motorway. A friend says it is always the coil.",
        lamp="on",
        answers={"gas-conversion": "yes", "plugs-or-coils-changed-lately": "no", "blue-smoke": "no"},
    ),
    owner=Person(name="Marta Oduya", phone="555 0147", plate="HL 2210"),
    tempting=("coil", 3, 1),
    tempting_words="The owner's friend may be right, and a coil swap is cheap: the technician tries it first.",
    agreed=Agreed(person="owner", by="signature", work="Find the cause; repair up to the limit", limit=3000.0),
    owner_pays_up_to=3000.0,
    ends="cured",
    lesson="The tempting part was sound. The valve was the first cause, and the drive proves the repair.",
)

RINGS = Story(
    name="rings",
    title="Relief that is not cure",
    car=Car(
        vin="5ZNR3C6D6BT000456",
        make="Norvane",
        model="Tessel",
        engine_code="NT30",
        distance_km=210_000,
        engine=EngineDescription(shape="V6", displacement_l=3.0, compression_ratio=10.5, buried_banks=(1,)),
    ),
    faults=(("oil-past-rings", 5, 0.6),),
    seed=5,
    drive_before=("town", 3000.0),
    plug_age_km=0.0,
    told=Told(
        words="A new plug helped for some weeks, twice. Now it shakes again on cold mornings and at the lights.",
        lamp="on",
        answers={"same-cylinder-same-cure-before": "yes", "oil-added-between-services": "yes"},
    ),
    owner=Person(name="Tomas Lindqvist", phone="555 0182", plate="NV 0731"),
    tempting=("coil", 5, 2),
    tempting_words="The same cylinder again: the technician swaps the coil to be rid of that question.",
    agreed=Agreed(person="owner", by="spoken", work="Find the cause; repair up to the limit", limit=400.0),
    owner_pays_up_to=400.0,
    ends="relieved",
    lesson="The new plug brought relief. What fouled the old one still stands, so the case is not called cured.",
)

STORIES: tuple[Story, ...] = (VALVE, RINGS)
