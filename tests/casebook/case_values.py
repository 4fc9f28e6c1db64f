"""Events for the casebook's tests: an invented car, an invented workshop, and short ways to write a story."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from firstcause.casebook.events import Body, Car, EngineDescription, Event, Opened

MORNING = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


def opened(shape: str = "I4", **engine: object) -> Opened:
    return Opened(
        car=Car(
            make="Velmora",
            model="Tessin",
            engine_code="VT20",
            model_year=2016,
            distance_km=148_000,
            engine=EngineDescription(shape=shape, **engine),  # type: ignore[arg-type]
        )
    )


def story(*bodies: Body) -> list[Event]:
    """Events e1, e2, … one minute apart."""
    numbered = enumerate(bodies, start=1)
    return [Event(id=f"e{n}", at=MORNING + timedelta(minutes=n), by="Ada", body=body) for n, body in numbered]


def minute_clock() -> Callable[[], datetime]:
    """A clock that moves on one minute at each look."""
    minutes = iter(range(1_000_000))
    return lambda: MORNING + timedelta(minutes=next(minutes))
