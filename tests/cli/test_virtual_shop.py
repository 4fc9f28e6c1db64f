"""The virtual workshop of the tryout: what it sees goes into the record with the numbers that were read."""

from __future__ import annotations

import re

from firstcause.cli.tryout.shop import VirtualShop
from firstcause.knowledge.base import load
from firstcause.reasoning.steps import Step
from firstcause.vehicle.layout import common_layout
from firstcause.vehicle.place import Place
from firstcause.virtualcar.car import VirtualCar


def test_what_was_read_beside_a_look_is_recorded_as_a_number() -> None:
    car = VirtualCar.build(
        common_layout("I4"), "5ZCV2A3B5AR000123", 150_000.0, [("exhaust-valve-leak", 3, 1.0)], seed=4
    )
    shop, place = VirtualShop(car, load()), Place.parse("cylinder 3")
    look = shop.test(Step("look", "test", "plug-look", "Plug", place, 1.0, 1.0))
    said = re.search(r"gap (\d\.\d\d) mm", look.note)
    assert said is not None
    assert look.circumstances == {"gap_mm": float(said[1])}
    path = shop.test(Step("path", "test", "leak-path", "Path", place, 1.0, 1.0))
    shown = re.search(r"(\d+)/(\d+) psi on a (\d\.\d+) in", path.note)
    assert path.outcome == "tailpipe"
    assert shown is not None
    assert path.circumstances == {
        "reading_psi": float(shown[1]), "supply_psi": float(shown[2]), "orifice_in": float(shown[3]),
    }  # fmt: skip
