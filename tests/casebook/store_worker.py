"""Child processes of the store's tests: one that writes until it is killed, one with a small disk, one that races."""

from __future__ import annotations

import resource
import sys
from datetime import UTC, datetime
from pathlib import Path

from firstcause.casebook.events import Noted
from firstcause.casebook.store import CaseStore
from firstcause.errors import CaseError


def now() -> datetime:
    return datetime.now(UTC)


def write_until_killed(path: Path, case_id: str) -> None:
    """Print the id of each event after it was acknowledged; attach a file every fifth time."""
    store = CaseStore(path, clock=now)
    number = 0
    while True:
        number += 1
        if number % 5 == 0:
            event = store.attach(case_id, f"photo {number}".encode() * 500, f"{number}.jpg", "image/jpeg")
        else:
            event = store.append(case_id, Noted(words=f"note {number} " + "x" * 300), "Ada")
        print(event.id, flush=True)


def write_on_a_small_disk(path: Path, case_id: str, most_bytes: int) -> None:
    """Record until files may not grow any more; print each acknowledged id, then the error."""
    store = CaseStore(path, clock=now)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
    try:
        for number in range(10_000):
            print(store.append(case_id, Noted(words=f"note {number} " + "x" * 300), "Ada").id, flush=True)
    except CaseError as error:
        print(f"{type(error).__name__}: {error}", flush=True)


def write_beside_others(path: Path, case_id: str, name: str, count: int) -> None:
    """Record a number of events as fast as possible."""
    with CaseStore(path, clock=now) as store:
        for number in range(count):
            store.append(case_id, Noted(words=f"{name} {number}"), name)


if __name__ == "__main__":
    what, where, case, *rest = sys.argv[1:]
    if what == "forever":
        write_until_killed(Path(where), case)
    elif what == "small":
        write_on_a_small_disk(Path(where), case, int(rest[0]))
    else:
        write_beside_others(Path(where), case, rest[0], int(rest[1]))
