"""The evidence snapshot from a scripted car, and the guard in front of erasing."""

import ast
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.link.conftest import PATIENT
from tests.link.scripted_car import ScriptedCar

import firstcause
from firstcause.errors import CaseError, RequestError
from firstcause.link import EraseRefused, Session, Unit, erase_codes, take_snapshot
from firstcause.signals import BadSnapshot, Gap, Item, MisfireCount, Sample, SavedSnapshot, Snapshot, UnitRecord

SOURCE = Path(firstcause.__file__).parent
ENGINE, GEARBOX = Unit(0x7E8, 11), Unit(0x7E9, 11)
VIN = "1J9RP1A36A1644345"  # NHTSA's published VIN


def script(car, rpm="00 00"):
    """An engine unit with a misfire in cylinder 3, and a gearbox that knows little; frames computed by hand."""
    car.on("01 00", "7E8 06 41 00 98 18 00 01", "7E9 06 41 00 80 00 00 00")  # 01 04 05 0C 0D 20
    car.on("01 20", "7E8 06 41 20 00 00 00 00")
    car.on("01 01", "7E8 06 41 01 81 07 65 04")
    car.on("01 04", "7E8 03 41 04 40")
    car.on("01 05", "7E8 03 41 05 7B")
    car.on("01 0C", f"7E8 04 41 0C {rpm}")
    car.on("01 0D", "7E8 03 41 0D 00")
    car.on("01 0C 04 05 0D", "7E8 10 0A 41 0C 0B B8 04 40", "fc 7E0", "7E8 21 05 7B 0D 00")
    car.on("03", "7E8 04 43 01 03 03", "7E9 03 7F 03 11")
    car.on("07", "7E8 06 47 02 03 03 03 00")
    car.on("0A", "7E8 02 4A 00")
    car.on("02 00 00", "7E8 07 42 00 00 58 18 00 00")  # 02 04 05 0C 0D
    car.on("02 02 00", "7E8 05 42 02 00 03 03")
    car.on("02 04 00", "7E8 04 42 04 00 80")
    car.on("02 05 00", "7E8 04 42 05 00 7B")
    car.on("02 0C 00", "7E8 05 42 0C 00 1A F8")
    car.on("02 0D 00", "7E8 04 42 0D 00 00")
    car.on("06 00", "7E8 06 46 00 00 00 00 01")
    for base in (0x20, 0x40, 0x60, 0x80):
        car.on(f"06 {base:02X}", f"7E8 06 46 {base:02X} 00 00 00 01")
    car.on("06 A0", "7E8 06 46 A0 08 00 00 00")  # A5 = cylinder 4... bit 5 = A5
    car.on(
        "06 A5",
        "7E8 10 13 46 A5 0B 24 00 05",
        "fc 7E0",
        "7E8 21 00 00 FF FF A5 0C 24",
        "7E8 22 00 5A 00 00 FF FF",
    )
    car.on("09 00", "7E8 06 49 00 40 00 00 00")  # 02
    car.on(
        "09 02",
        "7E8 10 14 49 02 01 31 4A 39",
        "fc 7E0",
        "7E8 21 52 50 31 41 33 36 41",
        "7E8 22 31 36 34 34 33 34 35",
    )


class Clock:
    """Unix seconds that advance by one at each look."""

    def __init__(self):
        self.now_s = 1_700_000_000.0

    def __call__(self):
        self.now_s += 1
        return self.now_s


@pytest.fixture(scope="module")
def snapshot():
    """Taken once: a snapshot waits for the silence of what a unit does not know."""
    car = ScriptedCar()
    script(car)
    with Session(car.tester_bus, timing=PATIENT) as session:
        taken = take_snapshot(session, Clock(), idle_samples=3, every_s=0, pause=lambda _: None)
    car.close()
    return taken


def test_the_snapshot_holds_what_the_car_said(snapshot):
    """Every kind of evidence, by hand-made frames whose meaning is worked out here."""
    engine, gearbox = snapshot.units

    assert (engine.unit, gearbox.unit) == ("7E8", "7E9")
    assert (engine.confirmed, engine.pending, engine.permanent) == (("P0303",), ("P0303", "P0300"), ())
    assert [code.text for code in snapshot.codes("pending")] == ["P0300", "P0303"]
    assert (engine.freeze_code, snapshot.freeze_value("engine_rpm")) == ("P0303", 1726.0)
    assert {item.name for item in engine.freeze_frame} == {"load_pct", "coolant_c", "engine_rpm", "speed_kmh"}
    assert snapshot.lamp_on is True
    assert engine.readiness.incomplete == ("evap",)
    assert snapshot.misfires == (MisfireCount(4, last_cycle=0x5A, ten_cycle_average=5),)
    assert snapshot.vin == VIN
    assert engine.supported_parameters == (0x01, 0x04, 0x05, 0x0C, 0x0D)
    assert snapshot.started_s == 1_700_000_001.0


def test_live_data_come_with_their_times(snapshot):
    """Three rounds, each one request of four parameters to the engine unit only."""
    assert [sample.at_s for sample in snapshot.samples] == [1_700_000_002.0, 1_700_000_003.0, 1_700_000_004.0]
    assert {sample.unit for sample in snapshot.samples} == {"7E8"}
    assert {item.name: item.value for item in snapshot.samples[0].items} == {
        "engine_rpm": 750.0,
        "load_pct": pytest.approx(25.098, abs=0.0005),
        "coolant_c": 83.0,
        "speed_kmh": 0.0,
    }


def test_what_was_not_got_says_why(snapshot):
    """Not supported, silence: two different gaps, and "no codes" is neither of them."""
    gearbox = snapshot.units[1]

    assert gearbox.confirmed is None
    assert gearbox.gaps[0] == Gap("confirmed codes", "not-supported", "service not supported")
    assert {gap.reason for gap in gearbox.gaps} == {"not-supported", "no-answer"}
    assert not gearbox.stopped


def test_a_unit_that_stops_half_way_keeps_what_it_had_said(car, session):
    """After the codes and the lists it falls silent: nothing is lost, the rest is said to be missing."""
    car.on("01 00", "7E8 06 41 00 98 18 00 00")
    car.on("03", "7E8 04 43 01 03 03")
    car.on("02 00 00", "7E8 07 42 00 00 58 18 00 00")
    car.on("02 02 00", "7E8 05 42 02 00 03 03")
    car.on("02 04 00", "7E8 04 42 04 00 80")

    snapshot = take_snapshot(session, Clock(), idle_samples=2, pause=lambda _: None)
    (engine,) = snapshot.units

    assert engine.stopped
    assert engine.confirmed == ("P0303",)
    assert [item.name for item in engine.freeze_frame] == ["load_pct"]
    assert snapshot.samples == ()
    assert snapshot.remarks == ("Control unit 7E8 stopped answering half-way; what it had said is kept.",)
    assert "unit-stopped" in {gap.reason for gap in engine.gaps}


def test_a_broken_answer_is_asked_again_and_then_said_to_be_broken(car, session):
    """The first time a frame is lost, the second time it comes whole; the other one never does."""
    script(car)
    car._scripts[bytes.fromhex("06 A5")].insert(0, ["7E8 10 13 46 A5 0B 24 00 05"])
    car._scripts[bytes.fromhex("02 0C 00")] = [["7E8 04 42 0C 00 1A"]]

    engine = take_snapshot(session, Clock(), idle_samples=0).units[0]

    assert engine.misfires[0].last_cycle == 0x5A
    (gap,) = [gap for gap in engine.gaps if gap.reason == "broken"]
    assert gap.what == "freeze frame parameter 0C"
    assert "breaks off" in gap.detail


def test_a_unit_that_cannot_be_asked_several_things_at_once_is_asked_one_by_one(car, session):
    """Common practice, no source: some units answer only the single question."""
    script(car, rpm="0B B8")
    del car._scripts[bytes.fromhex("01 0C 04 05 0D")]

    snapshot = take_snapshot(session, Clock(), idle_samples=1)

    assert {item.name for item in snapshot.samples[0].items} == {"engine_rpm", "load_pct", "coolant_c", "speed_kmh"}


# ---- the written form ---------------------------------------------------------------------------------------------


def test_a_snapshot_is_written_and_read_without_loss(snapshot):
    """JSON and back gives the same value and the same hash; any change gives another hash."""
    again = Snapshot.from_json(snapshot.to_json())

    assert again == snapshot
    assert again.content_hash == snapshot.content_hash
    assert len(snapshot.content_hash) == 64
    changed = Snapshot.from_json(snapshot.to_json().replace("P0303", "P0304"))
    assert changed.content_hash != snapshot.content_hash


@given(st.floats(allow_nan=False, allow_infinity=False) | st.text() | st.none() | st.lists(st.text()).map(tuple))
def test_any_value_survives_being_written(value):
    """Property over the kinds of value a reading can have."""
    items = (Item("x", value, "unit"),)
    snapshot = Snapshot(1.0, 2.0, (UnitRecord("7E8", freeze_frame=items),), (Sample(1.5, "7E8", items),))

    assert Snapshot.from_json(snapshot.to_json()) == snapshot


def test_a_damaged_snapshot_is_refused_in_words(snapshot):
    """Cut in half, of another form, with unknown entries, or of wrong kind."""
    text = snapshot.to_json()
    for bad, why in (
        (text[: len(text) // 2], "no whole JSON"),
        (text.replace('"form":1', '"form":2'), "form 2"),
        (text.replace('"form":1', '"form":1,"more":1'), "does not know"),
        (text.replace('"started_s":1700000001.0', '"started_s":"soon"'), "started_s"),
        ("[]", "the top"),
    ):
        with pytest.raises(BadSnapshot, match=why) as caught:
            Snapshot.from_json(bad)
        assert isinstance(caught.value, CaseError)


# ---- erasing ------------------------------------------------------------------------------------------------------


def sent_erase(car):
    return [request for _, request in car.requests() if request.startswith("04")]


@pytest.fixture
def saved(car):
    """A small snapshot of the scripted car, which stands with key on and engine off."""
    script(car)
    unit = UnitRecord("7E8", confirmed=("P0303",), vin=VIN)
    return Snapshot(1.0, 2.0, (unit,))


def receipt(snapshot):
    return SavedSnapshot.of(snapshot, "case 1")


def test_erasing_with_proof_engine_off_and_the_word(car, session, saved):
    """$04 is sent once, to all, right after the engine speed was read as 0; each unit's answer is reported."""
    car.on("04", "7E8 01 44", "7E9 03 7F 04 22")

    report = erase_codes(session, snapshot=saved, receipt=receipt(saved), word="ERASE")

    assert report.erased == (ENGINE,)
    assert report.refused == ((GEARBOX, "conditions not correct"),)
    assert not report.is_complete
    assert car.requests()[-2:] == [(0x7DF, "01 0C"), (0x7DF, "04")]
    assert sent_erase(car) == ["04"]


def test_a_unit_that_says_nothing_to_the_erase_is_named(car, session, saved):
    """Silence is not success."""
    car.on("04", "7E8 01 44")

    report = erase_codes(session, snapshot=saved, receipt=receipt(saved), word="ERASE")

    assert (report.erased, report.silent, report.is_complete) == ((ENGINE,), (GEARBOX,), False)


@pytest.mark.parametrize("word", ["", "erase", "ERASE ", "yes"])
def test_without_the_word_nothing_is_sent(car, session, saved, word):
    """Not even a question goes to the car."""
    before = len(car.heard)
    with pytest.raises(EraseRefused, match="the word ERASE was not given") as caught:
        erase_codes(session, snapshot=saved, receipt=receipt(saved), word=word)

    assert isinstance(caught.value, RequestError)
    assert len(car.heard) == before


def test_without_a_receipt_for_this_snapshot_nothing_is_sent(car, session, saved):
    """A receipt of another snapshot, or a snapshot without codes, is no proof."""
    before = len(car.heard)
    other = Snapshot.from_json(saved.to_json().replace("P0303", "P0304"))
    empty = Snapshot(1.0, 2.0, ())
    with pytest.raises(EraseRefused, match="receipt is not for this snapshot"):
        erase_codes(session, snapshot=saved, receipt=receipt(other), word="ERASE")
    with pytest.raises(EraseRefused, match="no read-out of the confirmed codes"):
        erase_codes(session, snapshot=empty, receipt=receipt(empty), word="ERASE")

    assert len(car.heard) == before


@pytest.mark.parametrize(
    ("speed", "why"),
    [
        (["7E8 04 41 0C 00 01"], r"the engine runs \(0\.25 rpm, told by 7E8\)"),
        (["7E8 04 41 0C 00 00", "7E9 04 41 0C 0B B8"], "told by 7E9"),
        ([], "no control unit told the engine speed"),
        (["7E8 03 7F 01 22"], "no control unit told the engine speed"),
        (["7E8 03 41 0C 00"], "could not be read"),
        (["7E8 04 41 0C 00 00", "7E8 04 41 0C 0B B8"], "came broken"),
    ],
)
def test_unless_the_engine_is_surely_off_nothing_is_erased(car, session, saved, speed, why):
    """Engine off is read, not believed; every doubt is a no."""
    car._scripts[bytes.fromhex("01 0C")] = [speed]
    with pytest.raises(EraseRefused, match=why):
        erase_codes(session, snapshot=saved, receipt=receipt(saved), word="ERASE")

    assert sent_erase(car) == []


def test_with_the_key_off_nothing_is_erased(car, session, saved):
    """No unit answers."""
    car._scripts.clear()
    with pytest.raises(EraseRefused, match="no control unit answers"):
        erase_codes(session, snapshot=saved, receipt=receipt(saved), word="ERASE")

    assert sent_erase(car) == []


def test_another_car_is_not_erased_on_this_car_s_proof(car, session, saved):
    """The VIN in the snapshot is not the VIN on the bus."""
    text = saved.to_json().replace(VIN, "1M8GDM9AXKP042788")
    other = Snapshot.from_json(text)
    with pytest.raises(EraseRefused, match=f"this car says VIN {VIN}"):
        erase_codes(session, snapshot=other, receipt=receipt(other), word="ERASE")

    assert sent_erase(car) == []


def test_no_other_path_leads_to_the_erase_request():
    """Read from the source: only `erase_codes` calls the door, only door and gate name ERASE."""
    callers, erase_names = set(), set()
    for path in sorted((SOURCE / "link").glob("*.py")):
        for function in [n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.FunctionDef)]:
            for node in ast.walk(function):
                where = (path.stem, function.name)
                if isinstance(node, ast.Attribute) and node.attr == "_erase_after_guard":
                    callers.add(where)
                if isinstance(node, ast.Name) and node.id == "ERASE":
                    erase_names.add(where)

    assert callers == {("erase", "erase_codes")}
    assert erase_names == {("session", "_erase_after_guard"), ("gate", "_refuse_what_may_not_leave")}
    outside = [p for p in SOURCE.rglob("*.py") if p.parent.name != "link" and "_erase_after_guard" in p.read_text()]
    assert outside == []
