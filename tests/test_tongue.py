"""The second language: every catalogue is whole, its places agree, and a pack said in it keeps every id and number."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from firstcause.knowledge.base import load
from firstcause.knowledge.spoken import as_spoken, texts_of
from firstcause.tongue import _, catalogue, language, languages, number, small, speaking

sys.path.insert(0, str(Path(__file__).parent.parent / "tools"))
import tongues

OTHERS = [name for name in languages() if name != "en"]


def test_german_is_there():
    assert "de" in OTHERS


def test_without_a_word_said_it_is_english():
    assert language() == "en"
    assert _("No such text {n:,.1f}", n=1234.5) == "No such text 1,234.5"
    assert number(1234.5, ",.1f") == "1,234.5"
    assert small("Spark plug") == "spark plug"


def test_numbers_follow_the_language_and_come_back():
    """Decimal comma and grouping point, as DIN 1333 and CLDR have it for German."""
    with speaking("de"):
        assert _("No such text {n:,.1f} {name}", n=1234.5, name="1,5 a.b") == "No such text 1.234,5 1,5 a.b"
        assert small("Zündkerze") == "Zündkerze"
    assert number(1234.5, ",.1f") == "1,234.5"


def test_a_language_without_catalogues_is_english():
    with speaking("xx"):
        assert _("The engine") == "The engine"
        assert number(1.5, ".1f") == "1.5"


@pytest.mark.parametrize("name", OTHERS)
def test_the_catalogues_hold_what_the_program_says_now(name):
    """A text that was added or changed stands in the catalogues, translated or not; one that is gone does not."""
    for catalogue_name, texts in tongues.wanted().items():
        held = tongues.ids_in(tongues.TONGUES / name / f"{catalogue_name}.po")
        new, gone = [text for text in texts if text not in held], [text for text in held if text not in set(texts)]
        assert (new, gone) == ([], []), f"{catalogue_name}: run {tongues.REFRESH}, then translate what is empty"


@pytest.mark.parametrize("name", OTHERS)
def test_every_text_is_translated(name):
    """What is missing would be said in English."""
    missing = {where: texts for where, texts in tongues.missing(name).items() if texts}
    assert missing == {}, f"run {tongues.REFRESH}, then fill in what is empty in src/firstcause/tongues/{name}/"


@pytest.mark.parametrize("name", OTHERS)
def test_places_agree(name):
    """What is put into a text stands in its translation too, with the same format."""
    wrong = [(text, said) for text, said in catalogue(name).items() if tongues.places(text) != tongues.places(said)]
    assert wrong == []


def test_a_lost_place_is_seen():
    assert tongues.places("{a:.1f} of {b}") != tongues.places("{a} von {b}")
    assert tongues.places("%(a)s") != tongues.places("a")


def test_a_pack_in_another_language_is_the_same_pack():
    """Ids, numbers and grounds stay; only what is said changes."""
    english = load("misfire")
    with speaking("de"):
        german = as_spoken(english)
        assert as_spoken(english) is german
    assert as_spoken(english) is english
    assert list(german.faults) == list(english.faults)
    assert german.version == english.version
    for known in english.faults:
        assert german.faults[known].prior == english.faults[known].prior
        assert german.faults[known].shows == english.faults[known].shows
    assert [each.id for each in german.tests["compression-dry"].outcomes] == [
        each.id for each in english.tests["compression-dry"].outcomes
    ]
    assert len(list(texts_of(german))) == len(list(texts_of(english)))


def test_the_texts_of_a_module_and_a_template_are_found(tmp_path):
    module = tmp_path / "m.py"
    module.write_text('a = _("One {x}", x=1)\nb = Said({"k": "Two"})\nc = N_(("Three", 4))\nd = "not this"\n')
    template = tmp_path / "t.html"
    template.write_text('{{ _("Four") }}{% trans n=1 %}\n  Five {{ n }}\n{% endtrans %} not this')
    assert list(tongues.in_python(module)) == ["One {x}", "Two", "Three"]
    assert sorted(tongues.in_template(template)) == ["Five %(n)s", "Four"]
