"""A scripted car and a session with it, closed again after each test."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from tests.link.scripted_car import ScriptedCar

from firstcause.link import Session, Timing

# The margin is wider than in the garage: two cores are shared with other test runs.
PATIENT = Timing(adapter_margin_ms=60, p2_star_ms=200, next_part_ms=150, pending_repeats=4, busy_wait_ms=5)


@pytest.fixture
def car() -> Iterator[ScriptedCar]:
    car = ScriptedCar()
    yield car
    car.close()


@pytest.fixture
def session(car: ScriptedCar) -> Iterator[Session]:
    with Session(car.tester_bus, timing=PATIENT) as session:
        yield session
