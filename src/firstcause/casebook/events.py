"""What can happen in a case: one model per kind of event. A case is a list of these and nothing else."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import AliasChoices, BaseModel, ConfigDict, Field, TypeAdapter

Region = Annotated[str, Field(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$")]
"""Id of a condition under which the case's pack watches its complaint, e.g. `idle`."""
PackName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$")]
Sureness = Literal["sure", "fairly", "doubtful"]
ClosingState = Literal["cured", "relieved", "declined", "not-found", "referred"]
Lamp = Literal["off", "on", "flashing"]
Count = Annotated[int, Field(ge=0)]
Odometer = Annotated[float, Field(ge=0, le=3_000_000)]
Cylinder = Annotated[int, Field(ge=1, le=12)]
PlaceText = Annotated[str, Field(pattern=r"^(engine|bank [12]|cylinder \d{1,2}|joint \d{1,2}-\d{1,2})$")]


class Strict(BaseModel):
    """No key that the schema does not know."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class EngineDescription(Strict):
    """The engine: a common shape, and whatever differs from it (see vehicle.layout.EngineLayout)."""

    shape: str | None = None
    arrangement: Literal["inline", "vee", "flat"] | None = None
    banks: tuple[tuple[int, ...], ...] | None = None
    firing_order: tuple[int, ...] | None = None
    ignition: Literal["coil-on-plug", "waste-spark", "distributor"] | None = None
    injection: Literal["port", "direct", "single-point"] | None = None
    metering: Literal["air-flow-meter", "manifold-pressure"] | None = None
    induction: Literal["natural", "turbo"] | None = None
    timing_drive: Literal["chain", "belt"] | None = None
    deactivation: bool | None = None
    displacement_l: float | None = None
    compression_ratio: float | None = None
    coil_groups: tuple[tuple[int, ...], ...] | None = None
    buried_banks: tuple[int, ...] = ()


class Car(Strict):
    """Which car this is. Nothing here names a person."""

    vin: str | None = None
    make: str
    model: str
    engine_code: str | None = None
    model_year: int | None = None
    distance_km: Annotated[float, Field(ge=0, le=3_000_000)]
    engine: EngineDescription


class Opened(Strict):
    """The case begins. `person` refers to the side table of personal data, never the data themselves.

    `pack` names what the car is brought in for: the pack of knowledge that asks, judges and weighs.
    """

    kind: Literal["opened"] = "opened"
    car: Car
    pack: PackName = "misfire"
    shop: str | None = None
    person: str | None = None


class UsualWeek(Strict):
    """How the car is driven in an ordinary week: what the days of a forecast follow from."""

    starts: Annotated[float, Field(gt=0, le=1000)]
    cold_starts: Annotated[float, Field(ge=0, le=1000)]
    km: Annotated[float, Field(gt=0, le=20_000)]


class Told(Strict):
    """The owner's story: their words, the lamp, what was noticed, what was done lately, how it is usually driven."""

    kind: Literal["told"] = "told"
    words: str = ""
    lamp: Lamp | None = None
    fuel_smell: bool = False
    answers: dict[str, Literal["yes", "no", "unsure"]] = {}
    usual_week: UsualWeek | None = None


class FreezeFrame(Strict):
    """The conditions the car stored with the code."""

    code: str | None = None
    rpm: float | None = None
    load_percent: float | None = None
    coolant_c: float | None = None
    speed_kmh: float | None = None
    run_time_s: float | None = None
    short_trim_percent: float | None = None
    long_trim_percent: float | None = None


class Snapshot(Strict):
    """The evidence saved before anything can erase it. `record` holds the car's full answer when read by wire.

    `odometer_km` where the car has been away since it was last seen: what was clean may be spoilt again.
    """

    kind: Literal["snapshot"] = "snapshot"
    source: Literal["wire", "by-hand"] = "by-hand"
    stored: tuple[str, ...] = ()
    pending: tuple[str, ...] = ()
    permanent: tuple[str, ...] = ()
    freeze_frame: FreezeFrame | None = None
    readiness_incomplete: tuple[str, ...] | None = None
    calibration_ids: tuple[str, ...] = ()
    odometer_km: Odometer | None = None
    record: dict[str, Any] | None = None


# What was watched, out of how many, and how many were bad. The first name of each is that of the misfire pack, under
# which it is kept; the second is for any pack (starts, readings) and may be written instead.
Watched = Annotated[
    dict[Region, Annotated[float, Field(ge=0)]], Field(validation_alias=AliasChoices("minutes", "watched"))
]
OutOf = Annotated[Count | None, Field(validation_alias=AliasChoices("firings", "out_of"))]
Bad = Annotated[dict[Cylinder, Count], Field(validation_alias=AliasChoices("misfires", "bad"))]


class Counted(Strict):
    """The complaint counted by unit: misfires by cylinder, trims by bank, failed starts on the engine (as 1).

    `firings` is of how many, for each unit; when absent it follows from what was watched (and, for misfires, `rpm`).
    `odometer_km` where the car has been away since it was last seen.
    """

    kind: Literal["counted"] = "counted"
    minutes: Watched
    rpm: Annotated[float, Field(gt=0)] | None = None
    firings: OutOf = None
    misfires: Bad
    odometer_km: Odometer | None = None
    note: str = ""


class Found(Strict):
    """A test was done: an outcome, or a number with its unit, at a place; how sure; under which circumstances."""

    kind: Literal["found"] = "found"
    test: str
    place: PlaceText
    outcome: str | None = None
    value: float | None = None
    others: dict[str, float] = {}
    unit: str | None = None
    sure: Sureness = "sure"
    circumstances: dict[str, str | float] = {}
    note: str = ""


class Moved(Strict):
    """Two parts of one kind changed places; `mark` says how the moved part was marked."""

    kind: Literal["moved"] = "moved"
    part: str
    first: Cylinder
    second: Cylinder
    mark: str = ""


class Renewed(Strict):
    """A part was replaced; where the old one went.

    `origin`: "new", "used" (from a scrapped car), "lent" (known good, from a car that runs well), or "its-own" (what
    came out of there goes back in).
    """

    kind: Literal["renewed"] = "renewed"
    part: str
    cylinder: Cylinder
    fitted: str = "new"
    origin: Literal["new", "used", "lent", "its-own"] = "new"
    old_part: str = "kept for the owner"


class Reseated(Strict):
    """A part or its plug was taken off and put back in the same place."""

    kind: Literal["reseated"] = "reseated"
    part: str
    cylinder: Cylinder


class Repaired(Strict):
    """A repair was done at a place."""

    kind: Literal["repaired"] = "repaired"
    repair: str
    place: PlaceText
    note: str = ""


class Drove(Strict):
    """A road test: minutes by region, counts if they were read, the log's hash and the judgement of it."""

    kind: Literal["drove"] = "drove"
    minutes: Watched
    rpm: Annotated[float, Field(gt=0)] | None = None
    firings: OutOf = None
    misfires: Bad = {}
    log_sha256: str | None = None
    judgement: dict[str, Any] | None = None
    odometer_km: Odometer | None = None
    note: str = ""


class Erased(Strict):
    """The codes were erased; `saved` is the event id of the snapshot saved before."""

    kind: Literal["erased"] = "erased"
    saved: str


Money = Annotated[float, Field(ge=0, le=10_000_000)]


class Line(Strict):
    """One line of an estimate or invoice; `amount` is its price without tax, `events` the work that it charges for.

    `condition` of a part; `core` where the old part goes back to its maker in exchange; `warranty` for work that is
    done without charge and listed all the same.
    """

    what: str
    of: Literal["diagnosis", "labour", "part", "teardown", "reassembly", "sublet", "estimate"] = "labour"
    amount: Money
    quantity: Annotated[float, Field(gt=0, le=10_000)] = 1.0
    condition: Literal["new", "used", "reconditioned", "rebuilt"] | None = None
    core: bool = False
    warranty: bool = False
    events: tuple[str, ...] = ()


class Estimated(Strict):
    """What the work was told to cost before it was agreed.

    `job` says which work; `done_by` when it will be finished, in words; `destroyed` the parts that taking apart spoils.
    """

    kind: Literal["estimated"] = "estimated"
    job: str
    lines: tuple[Line, ...]
    currency: str = "USD"
    tax_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    done_by: str = ""
    destroyed: tuple[str, ...] = ()
    used_parts: Literal["offered", "not-offered", "unsaid"] = "unsaid"
    note: str = ""


class Agreed(Strict):
    """The owner agreed to work: who said so, how, up to what amount, for what.

    `further` when an earlier limit was reached and more was asked for: `limit` is what comes on top. `contact` says
    over which of the person's addresses they were reached; the address itself stands beside the events. `old_parts`:
    whether the owner asked for what is taken out.
    """

    kind: Literal["agreed"] = "agreed"
    person: str | None = None
    by: Literal["signature", "spoken", "message"] = "spoken"
    work: str
    limit: Money | None = None
    currency: str = "USD"
    further: bool = False
    contact: Literal["here", "phone", "email", "unsaid"] = "unsaid"
    old_parts: Literal["asked-for", "not-wanted", "unsaid"] = "unsaid"


class Invoiced(Strict):
    """What was charged in the end. `supplied_on` is the day of the work where it is not the day of the invoice."""

    kind: Literal["invoiced"] = "invoiced"
    number: str
    lines: tuple[Line, ...]
    currency: str = "USD"
    tax_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    supplied_on: str = ""
    note: str = ""


class LifeSeen(Strict):
    """How far a part lasted in this car until it was spoilt again (`ended`), or how far it has come so far."""

    part: str
    cylinder: Cylinder
    distance_km: Annotated[float, Field(gt=0, le=3_000_000)]
    ended: bool


class Linked(Strict):
    """The same car in another case: an earlier one, or a later one in which it came back.

    Both cases keep what the return teaches: how far it was driven, whether the complaint is back, how far the parts
    lasted. It may be recorded after the closing: it is a fact of later.
    """

    kind: Literal["linked"] = "linked"
    relation: Literal["earlier", "later"]
    case: str
    complaint: Literal["back", "gone", "unsaid"] = "unsaid"
    driven_km: Odometer
    lives: tuple[LifeSeen, ...] = ()
    note: str = ""


class Reported(Strict):
    """A public record that concerns this car, and whether it may move the belief. Never proof.

    `faults` are the entries it describes. Accepted, their odds are multiplied by `likelihood_ratio`; refused, nothing
    moves and the reason is kept.
    """

    kind: Literal["reported"] = "reported"
    source: Literal["recall", "bulletin", "complaint", "investigation"]
    number: str
    about: str
    verdict: Literal["applies", "nearly"]
    reasons: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    likelihood_ratio: Annotated[float, Field(ge=1.0, le=10.0)] = 1.0
    decision: Literal["accepted", "refused"]
    note: str = ""


class SetAside(Strict):
    """A step that will not be done, and why: no tool, no time, the owner says no, a bolt that will not move."""

    kind: Literal["set-aside"] = "set-aside"
    step: str
    why: Literal["no-tool", "no-time", "owner-declined", "not-possible", "not-sensible"]
    note: str = ""


class Attached(Strict):
    """A photo or recording, kept under the hash of its bytes."""

    kind: Literal["attached"] = "attached"
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    name: str
    media_type: str
    size_bytes: Count
    about: str = ""


class Noted(Strict):
    """Anything else worth keeping, in words."""

    kind: Literal["noted"] = "noted"
    words: str


class Withdrawn(Strict):
    """An earlier event does not count; it stays in the story."""

    kind: Literal["withdrawn"] = "withdrawn"
    event: str
    why: str


class Corrected(Strict):
    """An earlier event is to be read as `by` instead; both stay in the story."""

    kind: Literal["corrected"] = "corrected"
    event: str
    by: Body
    why: str


class Closed(Strict):
    """The case ends in one of five states. `despite` keeps the tool's objections if it was closed against them."""

    kind: Literal["closed"] = "closed"
    state: ClosingState
    words: str = ""
    not_done: tuple[str, ...] = ()
    despite: tuple[str, ...] = ()


class Reopened(Strict):
    """The case goes on. `came_back`: the lamp or the complaint is back, so that what was done did not end it."""

    kind: Literal["reopened"] = "reopened"
    why: str
    came_back: bool = False


Body: TypeAlias = Annotated[
    Opened | Told | Snapshot | Counted | Found | Moved | Renewed | Reseated | Repaired | Drove | Erased | Estimated
    | Agreed | Invoiced | SetAside | Attached | Noted | Linked | Reported | Withdrawn | Corrected | Closed | Reopened,
    Field(discriminator="kind"),
]  # fmt: skip

Corrected.model_rebuild()
BODY: TypeAdapter[Body] = TypeAdapter(Body)


class Event(Strict):
    """One event: its id within the case (`e1`, `e2`, …), when it was recorded, by whom, and what happened."""

    id: Annotated[str, Field(pattern=r"^e[1-9]\d*$")]
    at: datetime
    by: str = ""
    body: Body
