"""The case file: read and written back without loss, and clear about what it cannot read."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel
from tests.casebook.any_event import AWKWARD, JSON, PEOPLE, TEXT, stories
from tests.casebook.case_values import MORNING, opened, story

import firstcause.casebook
from firstcause.casebook.case import replay
from firstcause.casebook.chain import event_of, record_of
from firstcause.casebook.events import Car, Corrected, Counted, EngineDescription, Event, FreezeFrame, Noted, Told
from firstcause.casebook.history import read_for_weighing
from firstcause.casebook.people import Person
from firstcause.casebook.toml_text import NotWritable, toml_lines, toml_value
from firstcause.casebook.written import KINDS, BadCaseFile, read_case, write_case
from firstcause.errors import CaseError
from firstcause.knowledge.base import Knowledge, load

EXAMPLES = Path(firstcause.casebook.__file__).parent / "examples"
DOCUMENT = Path(__file__).parents[2] / "docs" / "case-format.md"

SMALL = """\
recorded_by = "Ada"

[car]
make = "Velmora"
model = "Tessin"
distance_km = 148000

[car.engine]
shape = "I4"

[story]
words = "shakes at the lights"

[[event]]
kind = "counted"
minutes = { idle = 2 }
misfires = { 3 = 90, 1 = 0 }

[[event]]
kind = "noted"
words = "smells of oil"
"""


def bad(text: str) -> BadCaseFile:
    with pytest.raises(BadCaseFile) as caught:
        read_case(text, at=MORNING, name="case.toml")
    return caught.value


@settings(max_examples=120, deadline=None)
@given(stories(), PEOPLE)
def test_every_event_comes_back_as_it_was(events: list[Event], people: dict[str, Person]):
    back = read_case(write_case(events, people), at=MORNING)
    assert list(back.events) == events
    assert [event.at.utcoffset() for event in back.events] == [event.at.utcoffset() for event in events]
    assert back.people == people


@settings(max_examples=60, deadline=None)
@given(stories())
def test_the_stored_record_of_every_event_comes_back_as_it_was(events: list[Event]):
    for event in events:
        assert event_of(record_of(event), event.id) == event


@given(
    st.dictionaries(
        TEXT, TEXT | st.integers() | st.booleans() | st.lists(st.dictionaries(TEXT, TEXT, max_size=2), max_size=2)
    )
)
def test_what_we_write_is_toml_to_the_library(values: dict[str, object]):
    """Authority: tomllib of the standard library."""
    assert tomllib.loads("\n".join(toml_lines(values))) == values


@pytest.mark.parametrize("text", AWKWARD)
def test_awkward_words_come_back(text: str):
    """Authority: tomllib of the standard library."""
    assert tomllib.loads("\n".join(toml_lines({text: text, "x": f"{text}\n{text}"}))) == {
        text: text,
        "x": f"{text}\n{text}",
    }


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_keep_every_digit(number: float):
    back = tomllib.loads(f"x = {toml_value(number)}")["x"]
    assert float(back).hex() == number.hex()


def test_an_offset_with_seconds_becomes_the_same_moment():
    local = datetime(1890, 1, 1, 12, tzinfo=timezone(timedelta(minutes=19, seconds=32)))
    assert tomllib.loads(f"x = {toml_value(local)}")["x"] == local


@pytest.mark.parametrize("value", [float("nan"), float("-inf"), None, b"x"])
def test_what_toml_cannot_hold_is_refused(value: object):
    with pytest.raises(NotWritable):
        toml_value(value)


def test_a_small_case_is_pleasant_to_type():
    case = read_case(SMALL, at=MORNING)
    assert [(event.id, event.at, event.by) for event in case.events] == [(f"e{n}", MORNING, "Ada") for n in range(1, 5)]
    assert case.events[1].body == Told(words="shakes at the lights")
    assert case.events[2].body == Counted(minutes={"idle": 2.0}, misfires={3: 90, 1: 0})
    assert replay(case.events).layout.count == 4


def test_an_event_without_time_has_that_of_the_one_before():
    text = SMALL.replace("[story]\n", "[story]\nat = 2026-05-01\n") + "at = 2026-05-02T10:00:00+02:00\n"
    days = [event.at for event in read_case(text, at=MORNING).events]
    assert days[0] == MORNING
    assert days[1] == days[2] == datetime(2026, 5, 1)
    assert days[3] == datetime(2026, 5, 2, 8, tzinfo=UTC)
    assert date(2026, 5, 1) == days[1].date()


def test_what_we_write_is_compact():
    events = list(read_case(SMALL, at=MORNING).events)
    lines = write_case(events).split("\n")
    assert 'words = "smells of oil"' in lines
    assert "misfires = { 3 = 90, 1 = 0 }" in lines
    assert sum(line.startswith("at =") for line in lines) == 1
    assert sum(line.startswith("recorded_by") for line in lines) == 1
    assert len(lines) < 32


def test_correction_is_written_under_its_event():
    events = story(
        opened(),
        Noted(words="a"),
        Corrected(event="e2", by=Corrected(event="e2", by=Noted(words="b"), why="x"), why="y"),
    )
    text = write_case(events)
    assert "[event.by]" in text
    assert "[event.by.by]" in text
    assert list(read_case(text, at=MORNING).events) == events


def test_unknown_key_is_named_with_its_line_and_the_nearest_known():
    error = bad(SMALL.replace("minutes =", "minuets ="))
    assert error.line == 14
    assert "unknown key 'minuets' (did you mean 'minutes'?)" in str(error)
    assert "minutes is missing" in str(error)
    assert "did you mean 'story'" in str(bad(SMALL.replace("[story]", "[stories]")))
    assert "did you mean 'shape'" in str(bad(SMALL.replace("shape =", "shap =")))
    assert "unknown key 'colour'" in str(bad(SMALL + 'colour = "red"\n'))


def test_unknown_kind_is_named_with_its_line_and_the_nearest_known():
    error = bad(SMALL.replace('"noted"', '"notted"'))
    assert error.line == 19
    assert "did you mean 'noted'" in str(error)
    assert bad(SMALL.replace('kind = "noted"\n', "")).line == 19
    assert "not known" in str(bad(SMALL.replace('"noted"', "7")))


def test_a_file_cut_in_half_says_where_and_how_much_was_whole():
    half = SMALL[: SMALL.index("misfires") + 18]
    error = bad(half)
    assert (error.line, error.whole_events) == (17, 2)
    assert "cut off" in str(error)
    for length in range(len(SMALL)):  # wherever it is cut: an error of ours, or a shorter case
        try:
            events = read_case(SMALL[:length], at=MORNING).events
        except BadCaseFile:
            continue
        assert len(events) <= 4


def test_a_written_file_cut_between_events_is_noticed():
    text = write_case(list(read_case(SMALL, at=MORNING).events))
    error = bad(text[: text.rindex("\n[[event]]")])
    assert error.whole_events == 3
    assert "event_count says 4, but 3" in str(error)


def test_a_block_like_line_inside_words_does_not_shift_the_lines():
    text = SMALL.replace('"shakes at the lights"', '"""he wrote \\""" \n[[event]]\n"""').replace(
        "minutes =", "minuets ="
    )
    assert bad(text).line == 16


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("[car]", "[cat]", "unknown key 'cat'"),
        ("distance_km = 148000", "", "distance_km is missing"),
        ("distance_km = 148000", "distance_km = -5", "distance_km"),
        ("distance_km = 148000", 'distance_km = "far"', "distance_km"),
        ('"Ada"', "7", "recorded_by is no text"),
        ("recorded_by", "format = 9\nrecorded_by", "format 9"),
        ('kind = "noted"', 'kind = "noted"\nid = "e9"', "'e9'"),
        ('kind = "noted"', 'kind = "noted"\nat = "noon"', "no date and time"),
        ('kind = "noted"', 'kind = "noted"\nat = 12:00:00', "no date and time"),
        ('kind = "noted"\nwords = "smells of oil"', 'kind = "snapshot"\nrecord = "{"', "no JSON"),
        ("recorded_by =", "opened = 7\nrecorded_by =", "no table"),
        ("{ idle = 2 }", "{ Idle = 2 }", "minutes.Idle"),
        ("3 = 90", "13 = 90", "misfires.13"),
        ("3 = 90", "3 = -1", "misfires.3"),
    ],
)
def test_bad_values_are_named(old: str, new: str, why: str):
    assert old in SMALL
    assert why in str(bad(SMALL.replace(old, new)))


def test_single_brackets_are_noticed():
    text = SMALL[: SMALL.rindex("[[event]]")].replace("[[event]]", "[event]")
    assert "[[event]]" in str(bad(text))


def test_a_file_without_a_car_is_refused():
    assert "[car]" in str(bad(""))


def test_only_a_whole_case_is_written():
    with pytest.raises(CaseError, match="opened"):
        write_case([])
    with pytest.raises(CaseError, match="opened"):
        write_case(story(Noted(words="a")))
    with pytest.raises(CaseError, match="in order"):
        write_case([story(opened())[0], *story(opened(), Noted(words="a"), Noted(words="b"))[2:]])


@given(JSON)
def test_a_record_of_any_json_comes_back(value: object):
    text = write_case(story(opened(), KINDS["snapshot"].model_validate({"record": {"answer": value}})))  # type: ignore[arg-type]
    assert read_case(text, at=MORNING).events[1].body.record == {"answer": value}  # type: ignore[union-attr]


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load()


def example(kind: str) -> str:
    return (EXAMPLES / f"{kind}.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("kind", KINDS)
def test_there_is_an_example_of_every_kind_and_it_makes_a_case_that_can_be_weighed(kind: str, knowledge: Knowledge):
    text = example(kind)
    case = read_case(text, at=MORNING, name=f"{kind}.toml")
    assert kind in [event.body.kind for event in case.events]
    read_for_weighing(replay(case.events), knowledge)
    back = read_case(write_case(case.events, case.people), at=MORNING)
    assert back == case


def test_every_example_belongs_to_a_kind():
    assert {file.stem for file in EXAMPLES.glob("*.toml")} == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_the_document_shows_every_example_and_names_every_field(kind: str):
    document = DOCUMENT.read_text(encoding="utf-8")
    text = example(kind)
    shown = text if kind in ("opened", "told") else text[text.index("[[event]]") :]
    assert f"```toml\n{shown}```" in document
    section = document if kind == "opened" else document.split(f"\n### {kind}\n")[1].split("\n### ")[0]
    if kind == "drove":
        section += document.split("\n### counted\n")[1].split("\n### ")[0]
    for field in set(KINDS[kind].model_fields) - {"kind"}:
        assert f"`{field}`" in section or f"[{field}" in section, field


@pytest.mark.parametrize("model", [Car, EngineDescription, FreezeFrame, Person])
def test_the_document_names_every_field_of_the_parts(model: type[BaseModel]):
    document = DOCUMENT.read_text(encoding="utf-8")
    assert [
        field for field in model.model_fields if f"`{field}`" not in document and f"[car.{field}" not in document
    ] == []
