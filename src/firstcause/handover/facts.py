"""The hand-over as plain facts: one frozen value, ready for JSON, from which every paper is made."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from firstcause.reasoning.because import Reasons


@dataclass(frozen=True)
class Fact:
    """One thing said, the events of the case that it stands on, and the ground of any number in it."""

    words: str
    events: tuple[str, ...] = ()
    ground: str = ""


@dataclass(frozen=True)
class Picture:
    """An SVG drawing and what it shows, for those who do not see it."""

    svg: str
    alt: str


@dataclass(frozen=True)
class Weighed:
    """One finding that moved a cause: in words, and by how many decibans (above 0: for it)."""

    event: str
    words: str
    decibans: float


@dataclass(frozen=True)
class CauseFact:
    """One cause: what it is, where, how likely, what speaks for and against it.

    `state`: `removed` by the work done, or `open`. `untested` names tests that would tell and were not done.
    """

    cause: str
    name: str
    plain: str
    place: str
    chance: float
    chance_words: str
    state: Literal["removed", "open"]
    evidence: tuple[Weighed, ...]
    reasons: Reasons | None
    """the whole way from before any finding to now, of the likeliest causes"""
    watch: str
    untested: tuple[str, ...]
    returns_after_km: tuple[int, int] | None


@dataclass(frozen=True)
class VictimFact:
    """A part that failed because of something else, and the causes that may stand behind it (words, chance)."""

    name: str
    plain: str
    place: str
    chance: float
    renewed: bool
    behind: tuple[tuple[str, float], ...]
    returns_after_km: tuple[int, int] | None
    watch: str


@dataclass(frozen=True)
class FirstDecision:
    """May it be driven, as decided when the car came in."""

    verdict: str
    owner: tuple[str, ...]
    do: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class CylinderCount:
    """Misfires of one cylinder over a stretch of readings, and the most that the count still allows.

    `upper_share` is a share of ignition events, one-sided 95 %, exact (Clopper-Pearson).
    """

    cylinder: int
    misfires: int
    firings: int
    upper_share: float
    one_in: int


@dataclass(frozen=True)
class Readings:
    """Misfire readings taken together: minutes by way of running, counts by cylinder, the events they come from."""

    minutes: dict[str, float]
    minutes_words: str
    counts: tuple[CylinderCount, ...]
    events: tuple[str, ...]


@dataclass(frozen=True)
class DriveFact:
    """One road test: minutes, counts, how it was judged, drawings of it."""

    event: str
    when: str
    minutes_words: str
    counts_words: str
    log_sha256: str | None
    sentences: tuple[str, ...]
    minimum_drive: str | None
    came_back: str | None
    pictures: tuple[Picture, ...]
    note: str


@dataclass(frozen=True)
class Proof:
    """What was read before anything was changed and after the last change, and what that means.

    `worked`: something was renewed or repaired, not only swapped or taken off.
    """

    worked: bool

    before: Readings | None
    after: Readings | None
    said: tuple[Fact, ...]
    drives: tuple[DriveFact, ...]


@dataclass(frozen=True)
class PermanentNote:
    """One code of the permanent record: what the car still waits for. `readings`: ways to read an open rule.

    `read` is False when nobody looked since the erase: then the code may stand there, as it was stored before.
    """

    code: str
    as_of: str
    read: bool
    waits_for: str
    sentence: str
    readings: tuple[str, ...]
    events: tuple[str, ...]


@dataclass(frozen=True)
class OptionFact:
    """One thing that could be done: where, what it takes, what it would settle, its price from and to.

    `highest` is None where there is no upper end to the price class.
    """

    key: str
    kind: Literal["repair", "test", "watch", "refer"]
    what: str
    place: str
    minutes: float
    labour: float
    lowest: float
    highest: float | None
    price_words: str
    settles: str
    set_aside: str
    ground: str


@dataclass(frozen=True)
class Authorisation:
    """What the owner agreed to: when, how, who, for which work, up to which amount."""

    event: str
    when: str
    how: str
    who: str
    work: str
    limit_words: str


@dataclass(frozen=True)
class Measured:
    """A number found at the bench, with the limit it was judged by and where that comes from."""

    event: str
    test: str
    place: str
    value: str
    limit: str
    source: str
    outcome: str
    sentence: str


@dataclass(frozen=True)
class TimelineRow:
    """One event of the case as recorded. `standing`: counts, or withdrawn or corrected by another event."""

    event: str
    when: str
    by: str
    words: str
    note: str
    standing: str


@dataclass(frozen=True)
class LedgerRow:
    """One part that was moved or renewed: what it is, where it sits, where it came from, how it is marked."""

    part: str
    now: str
    came_from: str
    note: str


@dataclass(frozen=True)
class RecordFacts:
    """What only the technician's record holds."""

    timeline: tuple[TimelineRow, ...]
    suspects: tuple[CauseFact, ...]
    measured: tuple[Measured, ...]
    ledger: tuple[LedgerRow, ...]
    codes: tuple[Fact, ...]
    freeze_frame: tuple[tuple[str, str], ...]
    notes: tuple[Fact, ...]
    conflicts: tuple[Fact, ...]
    objections: tuple[Fact, ...]
    attachments: tuple[Fact, ...]
    knowledge_pack: str
    knowledge_version: str


@dataclass(frozen=True)
class Report:
    """Everything the papers say. `head` is the seal of the last event of the case, by which it can be checked later.

    The papers are written in the `language` in which the facts are said.
    `shown_cured`: closed as cured with nothing hard against it. `against_closing`: what the closing stands against.
    """

    made_at: str
    date: str
    language: str
    head: str
    shop: str
    owner: str
    phone: str
    plate: str
    currency: str
    title: str
    car: tuple[tuple[str, str], ...]
    state: str
    shown_cured: bool
    headline: str
    meaning: str
    against_closing: tuple[Fact, ...]
    words_at_closing: str
    trouble: str
    """what the car came with, in words: `the misfire`"""
    unit: str
    """on what it was counted: `cylinder`, `bank` or `engine`"""
    counted: tuple[str, str]
    """the two numbers of a count: `misfires`, `ignition events`"""
    complaint: tuple[Fact, ...]
    other_codes: tuple[Fact, ...]
    first_decision: FirstDecision
    cause: CauseFact | None
    cause_words: tuple[Fact, ...]
    how_we_know: tuple[Fact, ...]
    victims: tuple[VictimFact, ...]
    open_causes: tuple[CauseFact, ...]
    still_open_chance: float
    done: tuple[Fact, ...]
    not_done: tuple[Fact, ...]
    moved: tuple[Fact, ...]
    old_parts: tuple[Fact, ...]
    proof: Proof
    permanent: tuple[PermanentNote, ...]
    permanent_words: tuple[Fact, ...]
    returns: tuple[Fact, ...]
    watch: tuple[Fact, ...]
    look_again: tuple[Fact, ...]
    options: tuple[OptionFact, ...]
    price_ground: str
    authorisations: tuple[Authorisation, ...]
    agreed_limits: tuple[str, ...]
    cautions: tuple[Fact, ...]
    engine: Picture
    evidence: Picture | None
    record: RecordFacts

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return asdict(self)
