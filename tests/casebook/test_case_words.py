"""Every kind of event in one plain sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from tests.casebook.any_event import BODIES
from tests.casebook.case_values import MORNING

import firstcause.casebook
from firstcause.casebook.brief import MOST_WORDS, brief
from firstcause.casebook.events import Counted, Found, Told
from firstcause.casebook.words import holder_words, opening_words, ordinal, say
from firstcause.casebook.written import read_case
from firstcause.knowledge.base import load

EXAMPLES = sorted((Path(firstcause.casebook.__file__).parent / "examples").glob("*.toml"))
KNOWLEDGE = load()


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_every_example_is_said_without_the_ids_of_the_files(example):
    """The knowledge base's names stand in the sentence, not the ids of tests, outcomes and repairs."""
    for event in read_case(example.read_text(encoding="utf-8"), at=MORNING).events:
        sentence = say(event.body, KNOWLEDGE)
        assert sentence
        for known in ("test", "repair", "outcome"):
            identifier = getattr(event.body, known, None)
            if identifier and "-" in identifier:
                assert identifier not in sentence


@given(BODIES)
def test_whatever_was_recorded_can_be_said(body):
    assert isinstance(say(body, KNOWLEDGE), str)
    assert len(brief(body, KNOWLEDGE)) <= MOST_WORDS


def test_the_words_of_some():
    assert say(Counted(minutes={"idle": 2.5, "load": 0}, misfires={1: 0, 3: 180}), KNOWLEDGE) == (
        "Misfires counted, 2.5 min idle: cylinder 3: 180, others none."
    )
    assert say(Counted(minutes={"idle": 2}, misfires={1: 0}), KNOWLEDGE) == "Misfires counted, 2 min idle: no misfire."
    found = Found(test="plug-look", place="cylinder 3", outcome="oil-wet", sure="fairly")
    test = KNOWLEDGE.tests["plug-look"]
    outcome = next(each.name for each in test.outcomes if each.id == "oil-wet")
    assert say(found, KNOWLEDGE) == f"{test.name}, cylinder 3: {outcome} (fairly sure)."
    assert say(Told(words="It shakes.", lamp="on"), KNOWLEDGE) == "Owner: “It shakes”. Lamp on."


@pytest.mark.parametrize(
    ("holder", "words"),
    [
        ("coil-3", "coil from cylinder 3"),
        ("coil-1-4", "coil from cylinder 1 and 4"),
        ("plug-new-2", "new plug 2"),
        ("coil-lent-1", "lent coil 1"),
        ("cylinder 3", "cylinder 3"),
        ("engine", "engine"),
    ],
)
def test_where_a_cause_sits(holder, words):
    assert holder_words(holder, KNOWLEDGE) == words


def test_an_opening_at_two_places_is_said_once():
    said = opening_words(("coil-cover-off", "coil-off cylinder 2", "coil-off cylinder 3"), KNOWLEDGE)
    assert said == [KNOWLEDGE.access["coil-cover-off"].name, f"{KNOWLEDGE.access['coil-off'].name} (cylinder 2, 3)"]


def test_ordinals():
    """1st, 2nd, 3rd, but 11th, 12th, 13th (English usage)."""
    assert [ordinal(n) for n in (1, 2, 3, 4, 11, 12, 13, 21, 22)] == [
        "1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd",
    ]  # fmt: skip
