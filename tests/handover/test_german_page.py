"""The owner's page in German: its own language, no English of ours, and words an owner can read."""

from __future__ import annotations

import re

import pytest
from tests.handover import handover_cases as cases
from tests.handover.handover_cases import HEAD, NAMES, NOW, knowledge, written
from tests.handover.reading_level import german_grade, german_syllables, lix

from firstcause.casebook.case import replay
from firstcause.casebook.weighing import weigh_case
from firstcause.handover import Report, build_report, owner_page_html
from firstcause.handover.owner_page import owner_page
from firstcause.handover.page import Points, Words, texts
from firstcause.knowledge.spoken import as_spoken
from firstcause.tongue import catalogue, speaking

HARDEST_YEAR, HARDEST_LIX = 8.0, 42.0
"""The eighth school year, as for the English page; LIX below about 40 is called light. Source of the limits: ours."""


def german(name: str) -> Report:
    with speaking("de"):
        weighed = weigh_case(replay(written(name).events), as_spoken(knowledge()))
        return build_report(weighed, head=HEAD, now=NOW, people=written(name).people)


def said_in(report: Report) -> list[str]:
    with speaking("de"):
        return texts(owner_page(report))


@pytest.mark.parametrize("name", NAMES)
def test_no_english_of_ours_is_left(name):
    """No text that the catalogue translates stands there in English; what people wrote into the case stays theirs."""
    english = {text for text, said in catalogue("de").items() if said != text and len(text) > 3}
    assert [text for text in said_in(german(name)) if text in english] == []
    assert '<html lang="de">' in owner_page_html(german(name))


def test_the_same_case_is_told_in_both():
    """Numbers, places and events are the same; only the words differ."""
    told, plain = german("cured_valve"), cases.report("cured_valve")
    assert told.cause is not None
    assert plain.cause is not None
    assert told.cause.cause == plain.cause.cause
    assert told.cause.chance == pytest.approx(plain.cause.chance, rel=1e-6)  # the exact sum is taken in another order
    assert told.headline == "Die Ursache ist weg, und das ist nachgewiesen."
    assert plain.headline == "The cause is gone, and this was proven."
    assert told.date == "9. Juni 2026"


@pytest.mark.parametrize("name", NAMES)
def test_german_owners_can_read_it(name):
    with speaking("de"):
        page = owner_page(german(name))
    running = [page.headline, page.meaning]
    for part in page.sections:
        for block in part.blocks:
            if isinstance(block, Points):
                running += [each.words for each in block.items]
            elif isinstance(block, Words):
                running.append(block.item.words)
    running = [re.sub(r"“[^”]*”|„[^“]*“", "", text) for text in running]
    year, light = german_grade(running), lix(running)
    assert year <= HARDEST_YEAR
    assert light <= HARDEST_LIX


def test_the_vienna_formula_worked_by_hand():
    """Six words in two sentences, one of three syllables (Zylinder), that one longer than six letters, four of one."""
    assert german_grade(["Der Zylinder ist heiß. Motor aus."]) == pytest.approx(
        0.1935 * 100 / 6 + 0.1672 * 3 + 0.1297 * 100 / 6 - 0.0327 * 400 / 6 - 0.875
    )


@pytest.mark.parametrize(
    ("word", "count"), [("Zündkerze", 3), ("Motor", 2), ("heiß", 1), ("Auslassventil", 4), ("Öl", 1)]
)
def test_syllables(word, count):
    assert german_syllables(word) == count


def test_lix_against_an_independent_count():
    """The package readability counts the same text; it wants one sentence a line, words parted by blanks."""
    readability = pytest.importorskip("readability")
    text = ["Der Motor läuft nicht gut.", "Wir haben die Zündkerze erneuert."]
    theirs = readability.getmeasures("\n".join(each.replace(".", " .") for each in text), lang="de")
    assert lix(text) == pytest.approx(theirs["readability grades"]["LIX"])
