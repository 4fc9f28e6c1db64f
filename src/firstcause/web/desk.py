"""What all pages share: the casebook, the knowledge base, and the last weighings, each made once per story."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from threading import Lock
from typing import Any

from firstcause.casebook.case import replay
from firstcause.casebook.events import Body, Drove, Event
from firstcause.casebook.people import Person
from firstcause.casebook.recording import admitted_all
from firstcause.casebook.records_ahead import coming_of
from firstcause.casebook.shop import Shop
from firstcause.casebook.shop_settings import ShopSettings, keep_settings
from firstcause.casebook.store import CaseStore, Recorded, WrittenInBetween
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.cli.recorded import read_kept
from firstcause.errors import FirstcauseError, KnowledgeError
from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.spoken import as_spoken
from firstcause.reasoning.lookahead import Thought
from firstcause.roadtest.coming import Coming
from firstcause.roadtest.drivelog import DriveLog, Reading
from firstcause.roadtest.remembered import keep_remembered, read_remembered
from firstcause.tongue import language
from firstcause.web.thinking import Thinking

KEPT_WEIGHINGS = 24
KEPT_LOGS = 8
TRIES = 5  # how often to look again when another device wrote between looking and recording


def judged_drive(reading: Reading) -> DriveLog:
    """The drive that is judged: with several in one file, the longest."""
    return max(reading.drives, key=lambda log: log.duration_s)


def recordings_of(drove: Drove) -> tuple[str, ...]:
    """The hashes of the recordings of a drive, in order; empty for one that was typed."""
    several = ((drove.judgement or {}).get("reading") or {}).get("recordings")
    return tuple(several) if several else (drove.log_sha256,) if drove.log_sha256 else ()


class Desk:
    """One casebook, one knowledge base of several packs. May be used from several threads at once."""

    def __init__(
        self, store: CaseStore, packs: Mapping[str, Knowledge], *, clock: Callable[[], datetime],
        settings: ShopSettings = ShopSettings(), settings_file: Path | None = None,  # noqa: B008
        given_at_start: Shop = Shop(), columns_file: Path | None = None,  # noqa: B008
    ) -> None:  # fmt: skip
        """`given_at_start`: rate and tools from the command line, which go before the settings while this runs.

        `columns_file`: what the shop once said of the columns of its drive logs, see `roadtest.remembered`.
        """
        self._columns_file = columns_file
        self._coming: OrderedDict[tuple[str, str, date, str], Coming | None] = OrderedDict()
        self.store, self.packs, self.clock = store, packs, clock
        self.settings, self._settings_file, self.given_at_start = settings, settings_file, given_at_start
        self.listeners: list[Callable[[str, Recorded], None]] = []  # told of everything recorded here, after it is kept
        self._thinking = Thinking()
        self._versions = " ".join(known.version for known in packs.values())
        self.known_tools = frozenset(t for known in packs.values() for test in known.tests.values() for t in test.tools)
        self._kept: OrderedDict[tuple[str, str, str], WeighedCase | FirstcauseError] = OrderedDict()
        self._logs: OrderedDict[str, DriveLog] = OrderedDict()
        self._lock = Lock()
        self._busy: dict[tuple[str, str, str], Lock] = {}

    @property
    def currency(self) -> str:
        return self.settings.currency

    @property
    def shop(self) -> Shop:
        """Rate and tools: what was given at the start, else what the settings say."""
        said, given = self.settings.shop(self.known_tools), self.given_at_start
        return Shop(
            said.labour_per_hour if given.labour_per_hour is None else given.labour_per_hour,
            said.tools if given.tools is None else given.tools,
        )

    @property
    def usual_rate(self) -> float:
        """What an hour costs where the shop says nothing."""
        return next(iter(self.packs.values())).model.money.labour_per_hour

    def keep_settings(self, settings: ShopSettings) -> None:
        """From now on these hold, for every case and device. Raises SettingsUnreadable when they cannot be kept."""
        if self._settings_file is not None:
            keep_settings(self._settings_file, settings)
        self.settings = settings

    def pack(self, name: str) -> Knowledge:
        """A pack of knowledge by its name, in the language spoken; raises KnowledgeError when it is not there."""
        if name not in self.packs:
            known = ", ".join(self.packs)
            raise KnowledgeError(f"There is no knowledge pack {name!r}, only {known}. Nothing was recorded.")
        return as_spoken(self.packs[name])

    def knowledge_of(self, case_id: str) -> Knowledge:
        """The pack that a case names."""
        return self.pack(self.store.case(case_id).opened.pack)

    def weighed(self, case_id: str) -> WeighedCase:
        """The case weighed as it stands now; computed once for each head of its story.

        Raises NoSuchCase, or the FirstcauseError for which this story cannot be weighed.
        """
        key = self._key(case_id)
        found = self._look(key)
        if found is None:
            found = self._weigh_once(case_id, key)
        if isinstance(found, FirstcauseError):
            raise found
        return found

    def known_weighing(self, case_id: str) -> WeighedCase | None:
        """The weighing of the case as it stands, if it has been made already; never computes."""
        found = self._look(self._key(case_id))
        return found if isinstance(found, WeighedCase) else None

    def think(self, case_id: str, head: str) -> tuple[WeighedCase, Thought] | None:
        """Think a little further about the best steps of the story that ends with `head`; None when it has moved on."""
        key = self._key(case_id)
        if key[1] != head:
            return None
        weighed = self.weighed(case_id)
        return weighed, self._thinking.further(key, weighed.weighing)

    def columns(self) -> dict[str, Any]:
        """What the shop has said of the columns of its logs. Raises RememberedUnreadable."""
        return {} if self._columns_file is None else read_remembered(self._columns_file)

    def keep_columns(self, kept: Mapping[str, Any]) -> None:
        """Remember what is said of the columns of its logs from now on. Raises LogError when it cannot be kept."""
        if self._columns_file is not None:
            keep_remembered(self._columns_file, kept)
        with self._lock:
            self._logs.clear()

    def drive_log(self, drove: Drove) -> DriveLog:
        """The drive in its kept recordings, see `judged_drive`; read in pieces, with the remembered columns.

        Raises LostAttachment, or LogError when they cannot be read.
        """
        hashes = recordings_of(drove)
        key = " ".join(hashes)
        with self._lock:
            found = self._logs.get(key)
        if found is None:
            found = judged_drive(read_kept(self.store.blobs, hashes, self.columns()))
            with self._lock:
                self._logs[key] = found
                while len(self._logs) > KEPT_LOGS:
                    self._logs.popitem(last=False)
        return found

    def coming(self, case_id: str) -> Coming | None:
        """What the car will do next from today on; worked out once for each head of the story, day and
        language."""
        key = (case_id, self.store.head(case_id), self.clock().date(), language())
        with self._lock:
            if key in self._coming:
                return self._coming[key]
        found = coming_of(self.store.case(case_id), key[2])
        with self._lock:
            self._coming[key] = found
            while len(self._coming) > KEPT_WEIGHINGS:
                self._coming.popitem(last=False)
        return found

    def record(self, case_id: str, body: Body, by: str, expected_head: str | None = None) -> Event:
        """Record one event, see `record_all`."""
        return self.record_all(case_id, (body,), by, expected_head).events[0]

    def record_all(
        self, case_id: str, bodies: Sequence[Body], by: str, expected_head: str | None = None,
        entry_id: str | None = None,
    ) -> Recorded:  # fmt: skip
        """Record what one entry says, all of it or nothing; with `expected_head` only if nothing was written since.

        An entry that came before is answered with what it made then. Raises WrittenInBetween with what was written, or
        a CaseError with the reason. Nothing is recorded then.
        """
        for attempt in range(TRIES):
            head = self.store.head(case_id)
            earlier = self.store.recorded(case_id, entry_id) if entry_id else None
            if earlier is not None:
                return earlier
            wanted: Sequence[Body] = bodies
            if expected_head in (None, head):
                case = self.store.case(case_id)
                wanted = admitted_all(case, bodies, self.pack(case.opened.pack), lambda: self.weighed(case_id))
            try:
                return self._told(case_id, self.store.append_all(case_id, wanted, by, expected_head or head, entry_id))
            except WrittenInBetween:
                if expected_head is not None or attempt + 1 == TRIES:
                    raise
        raise AssertionError("the loop above returns or raises")

    def open_case(self, bodies: list[Body], by: str, people: Mapping[str, Person], entry_id: str | None = None) -> str:
        """Open a case with what was told at once; returns its id. An entry that opened one already opens no second."""
        opened, *rest = bodies
        assert opened.kind == "opened"
        knowledge = self.pack(opened.pack)
        if rest:
            case = replay([Event(id="e1", at=self.clock(), by=by, body=opened)])
            rest = list(admitted_all(case, rest, knowledge, lambda: weigh_case(case, knowledge, shop=self.shop)))
        return self.store.open_case(opened, by, people, told=rest, entry_id=entry_id)

    def _told(self, case_id: str, recorded: Recorded) -> Recorded:
        for listener in self.listeners:
            listener(case_id, recorded)
        return recorded

    def _weigh_once(self, case_id: str, key: tuple[str, str, str]) -> WeighedCase | FirstcauseError:
        """Weigh, while whoever asks for the same waits for this one."""
        with self._lock:
            mine = self._busy.setdefault(key, Lock())
        with mine:
            found = self._look(key)
            if found is None:
                try:
                    case = self.store.case(case_id)
                    found = weigh_case(case, self.pack(case.opened.pack), shop=self.shop)
                except FirstcauseError as error:
                    found = error
                self._keep(key, found)
            return found

    def _key(self, case_id: str) -> tuple[str, str, str]:
        shop = self.shop
        terms = f"{shop.labour_per_hour} {'all' if shop.tools is None else ','.join(sorted(shop.tools))}"
        return (case_id, self.store.head(case_id), f"{self._versions} {terms} {language()}")

    def _look(self, key: tuple[str, str, str]) -> WeighedCase | FirstcauseError | None:
        with self._lock:
            found = self._kept.get(key)
            if found is not None:
                self._kept.move_to_end(key)
            return found

    def _keep(self, key: tuple[str, str, str], found: WeighedCase | FirstcauseError) -> None:
        with self._lock:
            self._kept[key] = found
            self._busy.pop(key, None)
            while len(self._kept) > KEPT_WEIGHINGS:
                self._kept.popitem(last=False)
