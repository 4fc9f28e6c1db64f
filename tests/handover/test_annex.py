"""The annex of the owner's page: every word of the trade explained, costs over time, what is not proven, photos."""

from __future__ import annotations

import io
import re
import struct
import subprocess
import warnings
import zlib
from functools import cache

import pikepdf
import pytest
from tests.handover.handover_cases import HEAD, NAMES, NOW, knowledge, report, squeezed, visible_texts, weighed, written
from tests.handover.reading_level import german_grade, grade_level

from firstcause.casebook.case import replay
from firstcause.casebook.events import Reported
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.handover import (
    AnnexFacts,
    Report,
    annex_facts,
    annex_telling,
    build_report,
    owner_annex_html,
    owner_annex_pdf,
    owner_page_pdf,
)
from firstcause.handover.annex import annex_page
from firstcause.handover.glossary import explained
from firstcause.handover.owner_page import owner_page
from firstcause.handover.page import Page, Points, Table, Words, texts
from firstcause.knowledge.spoken import as_spoken
from firstcause.tongue import speaking

with warnings.catch_warnings():  # its word lists hold escapes that Python warns of when it first compiles them
    warnings.simplefilter("ignore")
    import readability

HARDEST_GRADE = 7.0  # US school grade of a reader of about 12
# Words of the trade that owners ask about (common practice, no source): form in the text, entry that must explain it.
TRADE = {
    "misfire": "misfire", "cylinder": "cylinder", "catalyst": "catalyst", "crankcase": "crankcase", "piston": "piston",
    "valve": "valve", "stem seal": "stem seal", "coil": "ignition coil", "injector": "injector", "gasket": "gasket",
    "compression": "compression", "leak-down": "leak-down", "P030": "code", "permanent": "permanent record",
    "combustion chamber": "combustion chamber", "idle": "idle", "bank 1": "bank", "plug": "spark plug",
    "Clopper": "bound", "ignition event": "ignition event", "fouled": "fouled", "coked": "coked",
}  # fmt: skip


@cache
def more(name: str) -> AnnexFacts:
    return annex_facts(weighed(name), NOW.date())


def running_texts(page: Page) -> list[str]:
    """Sentences of a page: headline, paragraphs, points, and meanings in the list of words."""
    found = [page.headline, page.meaning]
    for block in (block for part in page.sections for block in part.blocks):
        if isinstance(block, Words):
            found.append(block.item.words)
        elif isinstance(block, Points):
            found += [each.words for each in block.items]
        elif isinstance(block, Table) and len(block.head) == 2:
            found += [row[-1] for row in block.rows]
    return found


def kincaid_by_library(sentences: list[str]) -> float:
    """The same formula by the package readability, with its own way to count syllables."""
    parts = [part for text in sentences for part in re.split(r"(?<=[.!?])\s+", text)]
    words = [re.findall(r"[A-Za-z][A-Za-z'’-]*", part) for part in parts]
    told = [" ".join([*each, "."]) for each in words if each]
    return float(readability.getmeasures(told, lang="en")["readability grades"]["Kincaid"])


@pytest.mark.parametrize("name", NAMES)
def test_page_and_annex_read_easily_by_two_counts(name: str) -> None:
    """Flesch-Kincaid (1975, see reading_level) by our own syllables, and by the library's."""
    for page in (owner_page(report(name)), annex_page(report(name), more(name))):
        assert grade_level(running_texts(page)) <= HARDEST_GRADE
        assert kincaid_by_library(running_texts(page)) <= HARDEST_GRADE


@cache
def german(name: str) -> tuple[Report, AnnexFacts]:
    with speaking("de"):
        case = weigh_case(replay(written(name).events), as_spoken(knowledge()))
        facts = build_report(case, head=HEAD, now=NOW, people=written(name).people)
        return facts, annex_facts(case, NOW.date())


@pytest.mark.parametrize("name", NAMES)
def test_the_german_pages_read_easily_and_the_page_is_one_sheet(name: str) -> None:
    """Grade 8 at most by the first Wiener Sachtextformel (see reading_level): German names of parts are long."""
    facts, further = german(name)
    with speaking("de"):
        for page in (owner_page(facts), annex_page(facts, further)):
            assert german_grade(running_texts(page)) <= 8.0
        for paper in ("a4", "us-letter"):
            with pikepdf.open(io.BytesIO(owner_page_pdf(facts, paper))) as pdf:  # type: ignore[arg-type]
                assert len(pdf.pages) == 1
                assert str(pdf.Root.Lang).startswith("de")


def test_the_german_grade_by_hand() -> None:
    """5 words in one sentence: 2 of three syllables and more, 2 of more than six letters, 2 of one syllable."""
    said = german_grade(["Der Zylinder hat keine Kompression."])
    assert said == pytest.approx(0.1935 * 40 + 0.1672 * 5 + 0.1297 * 40 - 0.0327 * 40 - 0.875)


def test_the_library_finds_hard_words_hard() -> None:
    """Ours and theirs climb together: a sentence of an engineer's paper is far above the limit by both."""
    hard = ["Intermittent misfire attributable to insufficient insulation necessitates comprehensive instrumentation."]
    assert kincaid_by_library(hard) > 15
    assert grade_level(hard) > 15


@pytest.mark.parametrize("name", NAMES)
def test_no_word_of_the_trade_goes_without_its_explanation(name: str) -> None:
    """Words, grounds and labels in pictures, of the page and of the annex, as the HTML shows them."""
    from firstcause.handover import owner_page_html

    html = owner_page_html(report(name)) + owner_annex_html(report(name), more(name))
    shown = re.sub("<[^>]*>", " ", re.sub(r"(?s)<style>.*?</style>", " ", html))
    sections = annex_page(report(name), more(name)).sections
    (table,) = next(part.blocks for part in sections if part.title == "Words on these pages")
    assert isinstance(table, Table)
    explained_here = {row[0] for row in table.rows}
    used = {entry for form, entry in TRADE.items() if form.lower() in shown.lower()}
    assert used
    assert used <= explained_here


def test_a_word_used_in_an_explanation_is_explained_too() -> None:
    assert [term for term, _ in explained(["the stem seal"])] == ["cylinder", "stem seal", "valve"]


def test_what_is_not_there_is_not_explained() -> None:
    assert [term for term, _ in explained(["The sensor is good.", "recoiled"])] == ["sensor"]
    assert explained(["All is well."]) == ()


@pytest.mark.parametrize("name", NAMES)
def test_not_proven_is_said_plainly(name: str) -> None:
    """Only the case closed as cured may say proven; all others say what is not, on the first part of the annex."""
    first = annex_page(report(name), more(name)).sections[0]
    said = " ".join(item.words for block in first.blocks if isinstance(block, Points) for item in block.items)
    assert ("Proven: the cause was found and removed" in said) == (name == "cured_valve")
    assert ("Not proven: that" in said) == (name != "cured_valve")
    if name == "relieved_oil":
        assert "not proven" in " ".join(texts(owner_page(report(name))))


def test_costs_over_time_stand_side_by_side_with_their_spread() -> None:
    facts = more("relieved_oil")
    assert {"Drive on and watch", "Sell it as it is, and say so"} <= {row.what for row in facts.choices}
    for row in facts.choices[:-1]:
        assert re.search(r"8 in 10: [\d,]+ to [\d,]+", row.in_the_end), row
        assert " in 100" in row.back
        assert row.unknown
    assert facts.prices is not None
    assert facts.prices.svg.count('class="band"') == len(facts.choices)
    assert more("cured_valve").choices == ()


@pytest.mark.pdf
@pytest.mark.parametrize("name", NAMES)
def test_html_and_pdf_of_the_annex_state_the_same_facts(name: str) -> None:
    html = visible_texts(owner_annex_html(report(name), more(name)))
    raw = owner_annex_pdf(report(name), more(name))
    pdf = squeezed(
        subprocess.run(["pdftotext", "-raw", "-", "-"], input=raw, capture_output=True, check=True).stdout.decode()
    )
    assert len(html) > 30
    assert [text for text in html if squeezed(text) not in pdf] == []


def test_the_annex_is_tagged_and_carries_its_fonts() -> None:
    """ISO 32000-1, 14.7 and 14.8, and 9.9: structure tree, every figure described, every font embedded."""
    with pikepdf.open(io.BytesIO(owner_annex_pdf(report("relieved_oil"), more("relieved_oil")))) as pdf:
        assert bool(pdf.Root.MarkInfo.Marked)
        objects = [each for each in pdf.objects if isinstance(each, pikepdf.Dictionary)]
        figures = [each for each in objects if each.get("/S") == "/Figure"]
        assert len(figures) >= 4
        assert all(str(each.get("/Alt", "")) for each in figures)
        described = [
            each.FontDescriptor for each in objects if each.get("/Type") == "/Font" and "/FontDescriptor" in each
        ]
        assert described
        assert all({"/FontFile2", "/FontFile3"} & set(each.keys()) for each in described)


def small_png() -> bytes:
    """Four by three grey points, made by hand (PNG, ISO/IEC 15948)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = b"".join(b"\0" + bytes([40 * row + 30 * column for column in range(4)]) for row in range(3))
    head = struct.pack(">IIBBBBB", 4, 3, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def test_what_we_saw_is_printed_in_both() -> None:
    photos = [("image/png", small_png(), "The old plug <wet>"), ("image/heic", b"x", "nobody can print it")]
    facts = annex_facts(weighed("cured_valve"), NOW.date(), photos=photos)
    html = owner_annex_html(report("cured_valve"), facts)
    assert html.count("data:image/png;base64,") == 1
    assert "The old plug &lt;wet&gt;" in html
    with pikepdf.open(io.BytesIO(owner_annex_pdf(report("cured_valve"), facts))) as pdf:
        images = [each for each in pdf.objects if isinstance(each, pikepdf.Stream) and each.get("/Subtype") == "/Image"]
        assert [(int(each.Width), int(each.Height)) for each in images] == [(4, 3)]
    assert "photos" not in facts.to_dict()


def test_a_grey_print_keeps_the_lines_apart() -> None:
    """Each line of the picture of costs has a dash of its own, so that no colour is needed to tell them apart."""
    prices = more("relieved_oil").prices
    assert prices is not None
    curves = re.findall(r"<polyline [^>]*stroke-linejoin[^>]*>", prices.svg)
    dashes = [re.search(r'stroke-dasharray="([^"]*)"', curve) for curve in curves]
    kinds = [None if dash is None else dash[1] for dash in dashes]
    assert len(kinds) == len(more("relieved_oil").choices)
    assert len(set(kinds)) == len(kinds)


def test_the_follow_up_stands_on_the_one_page_and_with_days_in_the_annex() -> None:
    said = [fact.words for fact in report("relieved_oil").look_again]
    assert "Look at the oil level: after 500, 1,000, 2,000 and 3,000 km." in said
    with pikepdf.open(io.BytesIO(owner_page_pdf(report("relieved_oil"), "us-letter"))) as pdf:
        assert len(pdf.pages) == 1
    html = owner_annex_html(report("relieved_oil"), more("relieved_oil"))
    assert all(look.on.isoformat() in html for look in more("relieved_oil").looks)


def test_what_others_have_seen_is_told_and_proves_nothing() -> None:
    record = Reported(
        source="bulletin", number="VB-14-22", about="oil rings may stick", verdict="applies",
        faults=("oil-rings-stuck",), likelihood_ratio=2.0, decision="accepted",
    )  # fmt: skip
    written_events = written("declined_gasket").events
    events = [*written_events[:-1], written_events[-1].model_copy(update={"body": record})]
    (said,) = annex_facts(weigh_case(replay(events), knowledge()), NOW.date()).seen_by_others
    assert said.words == (
        "Note to workshops VB-14-22: oil rings may stick. It is about such a car. We let it count a little. "
        "It proves nothing for your car."
    )


def test_a_cured_case_needs_no_reckoning(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("nothing is left to choose")

    monkeypatch.setattr(annex_telling, "look_ahead", never)
    cured: WeighedCase = weighed("cured_valve")
    assert annex_facts(cured, NOW.date()).pays == ()
