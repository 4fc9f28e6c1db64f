"""From events to the history that is weighed, and the parts ledger, with the knowledge base as it is."""

from __future__ import annotations

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import Case, replay
from firstcause.casebook.events import (
    Body,
    Corrected,
    Counted,
    Drove,
    Erased,
    Found,
    FreezeFrame,
    Moved,
    Renewed,
    Repaired,
    Reseated,
    Snapshot,
    Told,
    Withdrawn,
)
from firstcause.casebook.history import history_of, read_for_weighing, validate_known, weights_of
from firstcause.casebook.ledger import PutBack, ledger_of
from firstcause.casebook.measured import units_of
from firstcause.casebook.refusals import ImpossibleReading, NotOnThisEngine, UnknownId
from firstcause.errors import CaseError
from firstcause.knowledge.base import Knowledge, load
from firstcause.knowledge.schema import TestEntry
from firstcause.reasoning import history as told
from firstcause.units import KPA_PER_PSI


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load()


def case_of(*bodies: Body, shape: str = "I4", **engine: object) -> Case:
    return replay(story(opened(shape, **engine), *bodies))


def test_the_history_has_every_happening_under_its_event(knowledge: Knowledge):
    case = case_of(
        Told(answers={"blue-smoke": "yes", "parked-long": "no", "tank-ran-dry": "unsure"}),
        Snapshot(stored=("P0303",), freeze_frame=FreezeFrame(code="P0303", rpm=720, speed_kmh=0)),
        Counted(minutes={"idle": 2}, rpm=700, misfires={3: 60, 1: 0}),
        Moved(part="coil", first=3, second=1),
        Drove(minutes={"cruise": 5}, firings=5000, misfires={3: 400}),
        Drove(minutes={"cruise": 5}),
        Reseated(part="plug", cylinder=3),
        Renewed(part="plug", cylinder=3),
        Repaired(repair="set-valve-clearance", place="cylinder 3"),
        Found(test="wiggle", place="cylinder 3", outcome="toggles"),
    )
    *most, found = history_of(case, knowledge)
    assert most == [
        told.Answered("e2", "blue-smoke"),
        told.Coded("e3", frozenset({3}), "idle"),
        told.Counted("e4", {"idle": 2.0}, {3: 700, 1: 700}, {3: 60, 1: 0}),
        told.Moved("e5", "coil", 3, 1),
        told.Counted("e6", {"cruise": 5.0}, {3: 5000}, {3: 400}),
        told.Reseated("e8", "plug", 3),
        told.Renewed("e9", "plug", 3),
        told.Repaired("e10", "set-valve-clearance", told.Place.parse("cylinder 3")),
    ]
    assert isinstance(found, told.Found)
    assert (found.id, found.test, str(found.place)) == ("e11", "wiggle", "cylinder 3")
    assert found.weights == {"no-change": 0.0, "toggles": 1.0}


def test_withdrawn_and_corrected_events_reach_the_reasoning_as_they_count(knowledge: Knowledge):
    case = case_of(
        Moved(part="coil", first=1, second=2),
        Moved(part="coil", first=1, second=3),
        Withdrawn(event="e2", why="wrong car"),
        Corrected(event="e3", by=Moved(part="plug", first=2, second=3), why="it was the plug"),
    )
    assert history_of(case, knowledge) == (told.Moved("e3", "plug", 2, 3),)


def test_the_odometer_tells_how_far_the_car_was_driven_and_never_backwards(knowledge: Knowledge):
    read = read_for_weighing(
        case_of(
            Counted(minutes={"idle": 2}, rpm=700, misfires={3: 60}, odometer_km=148_000),
            Drove(minutes={"cruise": 9}, odometer_km=151_500),
            Snapshot(stored=("P0303",), odometer_km=151_000),
        ),
        knowledge,
    )
    assert [h for h in read.history if isinstance(h, told.Driven)] == [told.Driven("e3", 151_500)]
    assert [note.text for note in read.notes if note.event == "e4"] == [
        "the odometer shows 151,000 km after 151,500 km: it is not used"
    ]


def test_a_lent_part_and_the_cars_own_put_back_reach_the_reasoning(knowledge: Knowledge):
    lent = Renewed(part="coil", cylinder=3, origin="lent")
    back = Renewed(part="coil", cylinder=3, origin="its-own")
    assert history_of(case_of(lent, back), knowledge) == (
        told.Renewed("e2", "coil", 3, "lent"),
        told.Renewed("e3", "coil", 3, "its-own"),
    )
    assert ledger_of(case_of(lent), knowledge).to_dict()["replaced"][0]["new"] == "coil-lent-1"
    assert ledger_of(case_of(lent, back), knowledge).put_back == ()
    with pytest.raises(NotOnThisEngine, match="no coil has come out of cylinder 3"):
        ledger_of(case_of(back), knowledge)


def test_last_answer_counts(knowledge: Knowledge):
    yes, no = Told(answers={"blue-smoke": "yes"}), Told(answers={"blue-smoke": "no"})
    assert history_of(case_of(yes, no), knowledge) == ()
    assert history_of(case_of(no, yes), knowledge) == (told.Answered("e3", "blue-smoke"),)
    assert history_of(case_of(yes, yes), knowledge) == (told.Answered("e2", "blue-smoke"),)


def test_how_sure_spreads_the_weight_by_the_stated_formula(knowledge: Knowledge):
    """Worked by hand: compression-dry has three outcomes; 0.8 leaves 0.1 for each other, 0.6 leaves 0.2."""
    means = knowledge.model.sureness
    assert (means.fairly, means.doubtful) == (0.8, 0.6)
    test = knowledge.tests["compression-dry"]
    assert weights_of(test, "low", "sure", means) == {"even": 0.0, "somewhat-low": 0.0, "low": 1.0}
    assert weights_of(test, "low", "fairly", means) == pytest.approx({"even": 0.1, "somewhat-low": 0.1, "low": 0.8})
    assert weights_of(test, "even", "doubtful", means) == pytest.approx({"even": 0.6, "somewhat-low": 0.2, "low": 0.2})


def coded(knowledge: Knowledge, *bodies: Body, shape: str = "I4") -> list[tuple[str, set[int]]]:
    history = history_of(case_of(*bodies, shape=shape), knowledge)
    return [(each.id, set(each.units)) for each in history if isinstance(each, told.Coded)]


def test_a_code_read_twice_is_one_observation_until_it_is_erased(knowledge: Knowledge):
    """Common practice, no source: a code stays in memory until it is erased, and the permanent record even longer."""
    saved = Snapshot(stored=("P0303",))
    assert coded(knowledge, saved, saved) == [("e2", {3})]
    assert coded(knowledge, saved, Snapshot(stored=("P0303",), pending=("P0304",))) == [("e2", {3}), ("e3", {3, 4})]
    erased = (saved, Erased(saved="e2"))
    assert coded(knowledge, *erased, Snapshot(permanent=("P0303",))) == [("e2", {3})]
    assert coded(knowledge, *erased, Snapshot(pending=("P0303",))) == [("e2", {3}), ("e4", {3})]
    assert coded(knowledge, Snapshot(permanent=("P0302",))) == [("e2", {2})]


def test_codes_that_name_no_cylinder_of_the_engine_are_kept_and_not_weighed(knowledge: Knowledge):
    case = case_of(Snapshot(stored=("P0300", "P0171", "P0308")))
    read = read_for_weighing(case, knowledge)
    assert read.history == ()
    assert {note.event for note in read.notes} == {"e2"}
    assert coded(knowledge, Snapshot(stored=("P0300", "P0302", "P0312")), shape="V12") == [("e2", {2, 12})]
    assert coded(knowledge, Snapshot(stored=("P0171",))) == []


def test_a_freeze_frame_of_another_code_says_nothing_about_the_misfire(knowledge: Knowledge):
    frame = FreezeFrame(code="P0171", rpm=700, speed_kmh=0)
    (only,) = history_of(case_of(Snapshot(stored=("P0303", "P0171"), freeze_frame=frame)), knowledge)
    assert only == told.Coded("e2", frozenset({3}), None)


@pytest.mark.parametrize(
    ("body", "near"),
    [
        (Found(test="compresion-dry", place="cylinder 1", outcome="low"), "'compression-dry'"),
        (Found(test="compression-dry", place="cylinder 1", outcome="lo"), "'low'"),
        (Moved(part="coils", first=1, second=2), "'coil'"),
        (Renewed(part="plugs", cylinder=2), "'plug'"),
        (Repaired(repair="fit-coils", place="cylinder 1"), "'fit-coil'"),
        (Told(answers={"blue-smok": "no"}), "'blue-smoke'"),
    ],
)
def test_an_unknown_id_is_named_with_what_is_near(knowledge: Knowledge, body: Body, near: str):
    with pytest.raises(UnknownId, match="did you mean") as caught:
        history_of(case_of(body), knowledge)
    assert near in str(caught.value)
    assert caught.value.event == "e2"
    with pytest.raises(UnknownId):
        validate_known(case_of(), body, knowledge)


@pytest.mark.parametrize(
    "body",
    [
        Found(test="compression-dry", place="engine", outcome="low"),
        Found(test="trims-by-region", place="cylinder 1", outcome="normal"),
        Found(test="plug-look", place="bank 1", outcome="normal"),
        Repaired(repair="change-oil", place="cylinder 1"),
        Repaired(repair="fit-coil", place="engine"),
        Found(test="cap-look", place="engine", outcome="clean"),
        Moved(part="lead", first=1, second=2),
    ],
)
def test_a_test_or_repair_at_the_wrong_place_or_on_the_wrong_engine_is_refused(knowledge: Knowledge, body: Body):
    """A four-cylinder engine with a coil on each plug has no leads and no distributor cap."""
    with pytest.raises(NotOnThisEngine):
        history_of(case_of(body), knowledge)


def outcome(knowledge: Knowledge, body: Found, **engine: object) -> str | None:
    read = read_for_weighing(case_of(body, **engine), knowledge)
    likely = [max(h.weights, key=lambda o: h.weights[o]) for h in read.history if isinstance(h, told.Found)]
    named = read.judgements["e2"].outcome
    assert named is None or named == likely[0]
    return named


def measured(test: str, value: float, unit: str, at: str | None = None, **others: float) -> Found:
    """A number at cylinder 3 or bank 1; `c1=…` stands for cylinder 1, `good_dry=…` for `good-dry`."""
    names = {key: key[1:] if key[1:].isdigit() else key.replace("_", "-") for key in others}
    return Found(
        test=test,
        place="bank 1" if test == "trims-by-region" else "cylinder 3",
        value=value,
        unit=unit,
        others={names[key]: number for key, number in others.items()},
        circumstances={} if at is None else {"at": at},
    )


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        # 75 % of the highest is the limit of US Army TM 5-4210-230-14&P-1 (read in an excerpt): 180 x 0.75 = 135
        (measured("compression-dry", 134, "psi", c1=180, c2=175, c4=178), "low"),
        (measured("compression-dry", 12.3, "bar", c1=12.4), "even"),
        (measured("compression-wet", 170, "psi", dry=120, good_dry=175, good_wet=190), "rises-clearly"),
        (measured("compression-wet", 170, "psi", dry=120), None),
        # FAA AC 43.13-1B ch. 8 para 8-14 (read in page mirrors): more than 25 % of 80 psi lost is suspect
        (measured("leak-down", 59.9, "psi", supply=80), "leaks"),
        (measured("leak-down", 60.1, "psi", supply=80), "fair"),
        (measured("leak-down", 59.9, "psi", supply=80, orifice_mm=1.016), "leaks"),
        (measured("leak-down", 26, "percent lost"), "leaks"),
        (measured("plug-gap", 1.2, "mm", specified=0.8), "wide"),
        (measured("plug-gap", 0.032, "in", specified=0.031), "in-spec"),
        (measured("trims-by-region", 22, "%", at_2500=4), "lean-at-idle-falling"),
        (measured("trims-by-region", 22, "%", at="load", idle=4), "lean-rising-with-load"),
        (measured("trims-by-region", 22, "%"), None),
        (measured("coil-resistance", 1.2, "kohm", c1=0.7, c2=0.71), "out-of-family"),
        (measured("injector-resistance", 12, "ohm", c1=12, c2=12.4), "in-family"),
    ],
)
def test_a_number_is_judged_by_the_bench_in_any_unit(knowledge: Knowledge, body: Found, expected: str | None):
    assert outcome(knowledge, body) == expected


def test_every_test_that_measures_can_be_judged(knowledge: Knowledge):
    """Each `measures.judged_by` finds its judgement, and an impossible unit is refused by it."""
    for test in knowledge.tests.values():
        if test.measures is not None:
            place = {"bank": "bank 1", "engine": "engine"}.get(test.on, "cylinder 1")
            body = Found(test=test.id, place=place, value=5.0, unit="furlong")
            with pytest.raises(ImpossibleReading, match=test.id):
                history_of(case_of(body, **engine_with(test)), knowledge)


def test_the_unit_reaches_the_bench_converted(knowledge: Knowledge):
    body = Found(test="leak-down", place="cylinder 3", value=60, unit="psi", others={"supply": 80})
    judged = read_for_weighing(case_of(body), knowledge).judgements["e2"]
    assert judged.value == pytest.approx(25.0)
    body = Found(test="compression-wet", place="cylinder 3", value=170, unit="psi", others={"dry": 120})
    judged = read_for_weighing(case_of(body), knowledge).judgements["e2"]
    assert judged.value == pytest.approx(50 * KPA_PER_PSI)


@pytest.mark.parametrize(
    "body",
    [
        Found(test="compression-dry", place="cylinder 3", value=134, unit="psi"),
        Found(test="compression-dry", place="cylinder 3", value=134, unit="mm", others={"1": 180}),
        Found(test="compression-dry", place="cylinder 3", value=134, unit="psi", others={"front": 180}),
        Found(test="compression-wet", place="cylinder 3", value=134, unit="psi", others={"dry ": 100}),
        Found(test="leak-down", place="cylinder 3", value=60, unit="psi"),
        Found(test="leak-down", place="cylinder 3", value=90, unit="psi", others={"supply": 80}),
        Found(test="plug-gap", place="cylinder 3", value=1, unit="mm"),
        Found(test="trims-by-region", place="bank 1", value=22, unit="mm"),
        Found(test="trims-by-region", place="bank 1", value=22, unit="%", circumstances={"at": "noon"}),
        Found(test="wiggle", place="cylinder 3", value=1, unit="mm"),
    ],
)
def test_a_number_that_cannot_be_judged_names_its_event(knowledge: Knowledge, body: Found):
    with pytest.raises(ImpossibleReading) as caught:
        history_of(case_of(body), knowledge)
    assert caught.value.event == "e2"


def test_an_outcome_said_stands_above_the_number(knowledge: Knowledge):
    body = Found(test="compression-dry", place="cylinder 3", value=90, unit="psi", outcome="low")
    (found,) = history_of(case_of(body), knowledge)
    assert isinstance(found, told.Found)
    assert found.weights["low"] == 1.0


def test_a_count_over_no_time_is_not_weighed(knowledge: Knowledge):
    read = read_for_weighing(case_of(Counted(minutes={"idle": 0}, misfires={1: 0})), knowledge)
    assert read.history == ()
    assert [note.event for note in read.notes] == ["e2"]


def test_the_ledger_says_what_must_go_back(knowledge: Knowledge):
    case = case_of(Moved(part="coil", first=3, second=1, mark="white stripe"), Moved(part="plug", first=3, second=2))
    ledger = ledger_of(case, knowledge)
    assert ledger.put_back == (
        PutBack("coil-3", "coil", (1,), (3,), "white stripe"),
        PutBack("coil-1", "coil", (3,), (1,)),
        PutBack("plug-3", "plug", (2,), (3,)),
        PutBack("plug-2", "plug", (3,), (2,)),
    )
    assert {part.serial for part in ledger.sitting if part.kind == "coil"} == {"coil-1", "coil-2", "coil-3", "coil-4"}


def test_a_swap_undone_or_withdrawn_leaves_nothing_to_put_back(knowledge: Knowledge):
    swap = Moved(part="coil", first=3, second=1)
    assert ledger_of(case_of(swap, swap), knowledge).put_back == ()
    assert ledger_of(case_of(swap, Withdrawn(event="e2", why="did not")), knowledge).put_back == ()


def test_three_parts_in_a_ring_all_go_back(knowledge: Knowledge):
    case = case_of(Moved(part="coil", first=1, second=2), Moved(part="coil", first=2, second=3))
    assert {(part.serial, part.now, part.home) for part in ledger_of(case, knowledge).put_back} == {
        ("coil-2", (1,), (2,)),
        ("coil-3", (2,), (3,)),
        ("coil-1", (3,), (1,)),
    }


def test_a_replaced_part_leaves_its_serial_and_its_whereabouts(knowledge: Knowledge):
    case = case_of(
        Moved(part="coil", first=3, second=1),
        Renewed(part="coil", cylinder=1, fitted="maker's own", old_part="in the owner's boot"),
        Repaired(repair="fit-plug", place="cylinder 2"),
        Renewed(part="coil", cylinder=2),
    )
    ledger = ledger_of(case, knowledge)
    assert [(line.event, line.old, line.new, line.at, line.old_part) for line in ledger.replaced] == [
        ("e3", "coil-3", "coil-new-1", (1,), "in the owner's boot"),
        ("e4", "plug-2", "plug-new-1", (2,), "not said"),
        ("e5", "coil-2", "coil-new-2", (2,), "kept for the owner"),
    ]
    assert [(part.serial, part.now, part.home) for part in ledger.put_back] == [("coil-1", (3,), (1,))]


def test_parts_that_serve_two_cylinders_move_as_one(knowledge: Knowledge):
    case = case_of(Moved(part="coil", first=1, second=2), ignition="waste-spark")
    assert {(part.serial, part.now) for part in ledger_of(case, knowledge).put_back} == {
        ("coil-1-4", (2, 3)),
        ("coil-2-3", (1, 4)),
    }
    with pytest.raises(NotOnThisEngine, match="share one coil"):
        ledger_of(case_of(Moved(part="coil", first=1, second=4), ignition="waste-spark"), knowledge)


def test_every_refusal_is_a_case_error(knowledge: Knowledge):
    for kind in (UnknownId, NotOnThisEngine, ImpossibleReading):
        assert issubclass(kind, CaseError)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (
            measured("compression-dry", 134, "furlong", c1=180),
            "cannot be judged: 'furlong' is no unit of this test; write kPa, psi, bar, mbar, MPa, inH2O or inHg.",
        ),
        (measured("compression-dry", -2.34567, "psi", c1=180), "cannot be judged: -2.3 psi is below 0."),
        (measured("leak-down", 134, "psi", supply=80), "134.0 psi is more than the supply of 80.0 psi."),
        (measured("plug-gap", 1.0, "km/h", specified=0.8), "'km/h' is no unit of this test; write mm or in."),
    ],
)
def test_what_is_wrong_with_a_number_is_said_once_and_in_its_own_unit(knowledge: Knowledge, body: Found, said: str):
    with pytest.raises(ImpossibleReading) as caught:
        history_of(case_of(body), knowledge)
    assert said in str(caught.value)
    assert "Nothing was recorded" not in str(caught.value)
    assert str(caught.value).count("enter it again") == 0


def test_the_units_named_for_a_test_are_those_it_takes(knowledge: Knowledge):
    """Asked for without what it is compared with, every test may complain of that, but not of its unit."""
    for test in knowledge.tests.values():
        if test.measures is not None:
            for unit in units_of(test):
                place = {"bank": "bank 1", "engine": "engine"}.get(test.on, "cylinder 3")
                body = Found(test=test.id, place=place, value=5.0, unit=unit)
                said = refusal_of(body, knowledge, **engine_with(test))
                assert "is no unit" not in said, (test.id, unit, said)
                assert "it is given in" not in said, (test.id, unit, said)


def engine_with(test: TestEntry) -> dict[str, str]:
    """What an engine must have so that the test can be done on it."""
    return {"injection": test.fitted.injection[0]} if test.fitted.injection else {}


def refusal_of(body: Found, knowledge: Knowledge, **engine: str) -> str:
    try:
        history_of(case_of(body, **engine), knowledge)
    except ImpossibleReading as refused:
        return str(refused)
    return ""
