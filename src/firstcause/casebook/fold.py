"""Which events are in force: their order, closings, withdrawals and corrections, each checked at its moment."""

from __future__ import annotations

from collections import Counter, defaultdict

from firstcause.casebook.checks import check_alone
from firstcause.casebook.events import (
    Body,
    Closed,
    Corrected,
    Erased,
    Event,
    Invoiced,
    Linked,
    Opened,
    Reopened,
    Snapshot,
    Withdrawn,
)
from firstcause.casebook.refusals import BrokenOrder, CaseIsClosed, EvidenceNotSaved, NoSuchEvent

_KEEPS_ITS_KIND = (Opened, Closed, Reopened)


class Fold:
    """Which events are in force after each step; refuses an event that cannot stand at its moment."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._by_id: dict[str, Event] = {}
        self._withdrawals_in_force: Counter[str] = Counter()
        self._withdrawn_by: dict[str, list[str]] = defaultdict(list)
        self._corrected_by: dict[str, list[str]] = defaultdict(list)
        self._turns: list[str] = []  # closings and reopenings

    def add(self, event: Event) -> None:
        """Take the next event; raises an EventRefused when it cannot stand here."""
        body = event.body
        self._check_order(event)
        self._check_open(event)
        if isinstance(body, Withdrawn):
            self._withdraw(event, body)
        elif isinstance(body, Corrected):
            self._correct(event, body)
        else:
            self._check_moment(event, body)
        if isinstance(body, Closed | Reopened):
            self._turns.append(event.id)
        self.events.append(event)
        self._by_id[event.id] = event

    def in_force(self, event: str) -> bool:
        """Whether no withdrawal of the event is itself in force."""
        return self._withdrawals_in_force[event] == 0

    def withdrawal_of(self, event: str) -> str | None:
        """The last withdrawal in force of an event."""
        return next((w for w in reversed(self._withdrawn_by[event]) if self.in_force(w)), None)

    def correction_of(self, event: str) -> str | None:
        """The correction whose words count for an event: the last in force, itself perhaps corrected."""
        last = None
        current = event
        while (found := next((c for c in reversed(self._corrected_by[current]) if self.in_force(c)), None)) is not None:
            last = current = found
        return last

    def read(self, event: str) -> Body:
        """What an event says, as corrected."""
        correction = self.correction_of(event)
        return self._by_id[event].body if correction is None else _innermost(self._by_id[correction].body)

    def _check_order(self, event: Event) -> None:
        due = f"e{len(self.events) + 1}"
        kind = event.body.kind
        if event.id != due:
            raise BrokenOrder(event.id, kind, f"{due} is due here", "Number the events as they stand.")
        if not self.events and not isinstance(event.body, Opened):
            raise BrokenOrder(event.id, kind, "a case begins with 'opened'", "Put an 'opened' event first.")
        if self.events and isinstance(event.body, Opened):
            raise BrokenOrder(event.id, kind, "the case is open already", "Correct e1 if the car was entered wrongly.")

    def _check_open(self, event: Event) -> None:
        turn = next((t for t in reversed(self._turns) if self.in_force(t)), None)
        closed = turn is not None and isinstance(self._by_id[turn].body, Closed)
        if closed and not isinstance(event.body, Reopened | Linked | Invoiced):
            raise CaseIsClosed(event.id, event.body.kind, f"the case was closed by {turn}", "Reopen the case first.")
        if not closed and isinstance(event.body, Reopened):
            raise CaseIsClosed(event.id, "reopened", "the case is open", "Go on without it.")

    def _target(self, event: Event, name: str) -> Event:
        target = self._by_id.get(name)
        if target is None:
            raise NoSuchEvent(
                event.id, event.body.kind, f"there is no earlier event {name!r}", "Look up its id in the story."
            )
        if not self.in_force(name):
            raise NoSuchEvent(
                event.id,
                event.body.kind,
                f"{name} is withdrawn already, by {self.withdrawal_of(name)}",
                "To bring it back, withdraw that withdrawal.",
            )
        return target

    def _withdraw(self, event: Event, body: Withdrawn) -> None:
        target = self._target(event, body.event)
        if isinstance(target.body, Opened):
            raise NoSuchEvent(event.id, "withdrawn", "the opening cannot be withdrawn", "Correct it instead.")
        self._withdrawn_by[target.id].append(event.id)
        change = 1
        hit: Event | None = target
        while hit is not None:  # a withdrawal that falls lets its own target stand again, and so on down
            was = self.in_force(hit.id)
            self._withdrawals_in_force[hit.id] += change
            now = self.in_force(hit.id)
            change = 1 if now else -1
            hit = self._by_id[hit.body.event] if was != now and isinstance(hit.body, Withdrawn) else None

    def _correct(self, event: Event, body: Corrected) -> None:
        target = self._target(event, body.event)
        if isinstance(target.body, Withdrawn):
            why = f"{target.id} is a withdrawal"
            raise NoSuchEvent(event.id, "corrected", why, "Withdraw it, and withdraw the right event instead.")
        root = target
        while isinstance(root.body, Corrected):
            root = self._by_id[root.body.event]
        nested = body.by
        while isinstance(nested, Corrected):
            if self._root_of(nested.event) != root.id:
                why = f"its new words correct {nested.event}, not {root.id}"
                raise NoSuchEvent(event.id, "corrected", why, "Withdraw the wrong correction and make a new one.")
            nested = nested.by
        if isinstance(nested, Withdrawn):
            why = "a correction cannot turn into a withdrawal"
            raise NoSuchEvent(event.id, "corrected", why, f"Withdraw {root.id} instead.")
        for kind in _KEEPS_ITS_KIND:
            if isinstance(root.body, kind) != isinstance(nested, kind):
                why = f"{root.id} is {root.body.kind!r} and cannot be read as {nested.kind!r}"
                raise NoSuchEvent(event.id, "corrected", why, "Record what happened as an event of its own.")
        self._check_moment(event, nested)
        self._corrected_by[target.id].append(event.id)

    def _root_of(self, name: str) -> str | None:
        found = self._by_id.get(name)
        while found is not None and isinstance(found.body, Corrected):
            found = self._by_id[found.body.event]
        return None if found is None else found.id

    def _check_moment(self, event: Event, body: Body) -> None:
        check_alone(event.id, body)
        if not isinstance(body, Erased):
            return
        saved = body.saved
        stands = saved in self._by_id and self.in_force(saved) and isinstance(self.read(saved), Snapshot)
        if not stands:
            raise EvidenceNotSaved(
                event.id, "erased", f"{saved!r} is no snapshot that was saved before", "Save a snapshot, then erase."
            )
        before = self._root_of(event.body.event) if isinstance(event.body, Corrected) else event.id
        later = (e for e in self.events[number_of(saved) :] if e.id != before and self.in_force(e.id))
        if any(isinstance(self.read(e.id), Erased) for e in later if not isinstance(e.body, Withdrawn | Corrected)):
            why = f"the codes were erased once more after snapshot {saved}, and nothing was saved since"
            raise EvidenceNotSaved(event.id, "erased", why, "Save a new snapshot, then erase.")


def number_of(event: str) -> int:
    """Its place in the story: 3 for `e3`."""
    return int(event[1:])


def _innermost(body: Body) -> Body:
    while isinstance(body, Corrected):
        body = body.by
    return body
