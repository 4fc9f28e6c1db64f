"""The papers themselves: the same facts in HTML and PDF, tagged, one page for the owner, easy to read."""

from __future__ import annotations

import io
import subprocess
from xml.etree import ElementTree

import pikepdf
import pytest
from tests.handover.handover_cases import NAMES, report, squeezed, visible_texts
from tests.handover.reading_level import grade_level, syllables

from firstcause.handover import owner_page_html, owner_page_pdf, technician_record_html, technician_record_pdf
from firstcause.handover.owner_page import owner_page
from firstcause.handover.page import Points, Words, texts

PAPERS = {"a4": (595.3, 841.9), "us-letter": (612.0, 792.0)}
HARDEST_GRADE = 7.0  # a reader of about 12


def pdf_text(pdf: bytes) -> str:
    done = subprocess.run(["pdftotext", "-raw", "-", "-"], input=pdf, capture_output=True, check=True)
    return done.stdout.decode("utf-8")


@pytest.mark.pdf
@pytest.mark.parametrize("name", NAMES)
def test_html_and_pdf_of_the_owners_page_state_the_same_facts(name: str) -> None:
    """Every text of the HTML stands in the PDF, and every text of the page in both."""
    html = visible_texts(owner_page_html(report(name)))
    pdf = squeezed(pdf_text(owner_page_pdf(report(name))))

    assert len(html) > 30
    assert [text for text in html if squeezed(text) not in pdf] == []
    whole = squeezed(" ".join(html))
    assert [text for text in texts(owner_page(report(name))) if squeezed(text) not in whole] == []


@pytest.mark.pdf
@pytest.mark.parametrize("name", ["cured_valve", "not_found_bouts"])
def test_html_and_pdf_of_the_record_state_the_same_facts(name: str) -> None:
    """Every cell of the technician's record stands in both papers; page breaks may repeat a table's head."""
    html = visible_texts(technician_record_html(report(name)))
    pdf = squeezed(pdf_text(technician_record_pdf(report(name))))

    assert len(html) > 100
    assert [text for text in html if squeezed(text) not in pdf] == []


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", NAMES)
def test_the_owners_page_is_one_sheet(name: str, paper: str) -> None:
    """One page on A4 and on Letter, in the size of that paper (ISO 216; ANSI/ASME Y14.1)."""
    with pikepdf.open(io.BytesIO(owner_page_pdf(report(name), paper))) as pdf:  # type: ignore[arg-type]
        assert len(pdf.pages) == 1
        box = [float(edge) for edge in pdf.pages[0].mediabox]
        assert box[2:] == pytest.approx(PAPERS[paper], abs=0.5)


@pytest.mark.parametrize("make", [owner_page_pdf, technician_record_pdf])
def test_the_pdf_is_tagged(make: object) -> None:
    """
    Marked content, a structure tree with headings, lists, tables with header cells, figures that say what they show.

    ISO 32000-1, 14.7 and 14.8: /MarkInfo, /StructTreeRoot, standard structure types, /Alt. No validator was run, so
    this says tagged, not conforming.
    """
    with pikepdf.open(io.BytesIO(make(report("relieved_oil")))) as pdf:  # type: ignore[operator]
        assert bool(pdf.Root.MarkInfo.Marked)
        assert str(pdf.Root.Lang).startswith("en")
        assert pdf.docinfo["/Title"]
        kinds: dict[str, int] = {}
        undescribed = 0
        stack = [pdf.Root.StructTreeRoot]
        while stack:
            node = stack.pop()
            if isinstance(node, pikepdf.Array):
                stack.extend(node)
            elif isinstance(node, pikepdf.Dictionary):
                kind = str(node.get("/S", ""))
                kinds[kind] = kinds.get(kind, 0) + 1
                undescribed += kind == "/Figure" and not str(node.get("/Alt", ""))
                if "/K" in node:
                    stack.append(node.K)
    assert {"/H1", "/H2", "/L", "/LI", "/Table", "/TH", "/TD", "/Figure"} <= set(kinds)
    assert kinds["/Figure"] >= 2
    assert undescribed == 0


def test_the_pdf_carries_its_fonts_and_is_the_same_each_time() -> None:
    """Every font is embedded; the same report makes the same bytes."""
    made = owner_page_pdf(report("cured_valve"))

    assert made == owner_page_pdf(report("cured_valve"))
    with pikepdf.open(io.BytesIO(made)) as pdf:
        fonts = [each for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and each.get("/Type") == "/Font"]
        described = [each.FontDescriptor for each in fonts if "/FontDescriptor" in each]
        assert described
        assert all({"/FontFile2", "/FontFile3"} & set(each.keys()) for each in described)
        assert all("Liberation" in str(each.FontName) for each in described)


@pytest.mark.parametrize("name", NAMES)
def test_the_papers_carry_the_seal_and_defer(name: str) -> None:
    """The head of the event chain can be read off both papers, and neither gives legal advice."""
    for html in (owner_page_html(report(name)), technician_record_html(report(name))):
        assert report(name).head in html
        assert "It is no legal advice. The maker&#39;s service information and the law where you live go first." in html


def test_what_the_owner_wrote_cannot_break_the_page() -> None:
    """Words are escaped in the page and in the pictures; typst takes them as words, not as markup."""
    from dataclasses import replace

    nasty = "<script>alert(1)</script> #panic() *x* $y$ \\"
    spoilt = replace(report("cured_valve"), owner=nasty, words_at_closing=nasty)

    assert "<script>" not in owner_page_html(spoilt)
    assert nasty in visible_texts(owner_page_html(spoilt))[1]
    assert owner_page_pdf(spoilt)[:5] == b"%PDF-"
    assert technician_record_pdf(spoilt)[:5] == b"%PDF-"


@pytest.mark.parametrize("name", NAMES)
def test_the_pictures_are_sound_svg_that_say_what_they_show(name: str) -> None:
    """Both pictures are well-formed, titled and described (SVG 1.1, 5.4: title and desc)."""
    facts = report(name)
    pictures = [facts.engine, *([facts.evidence] if facts.evidence is not None else [])]

    assert (facts.evidence is None) == (name == "not_found_bouts")
    for picture in pictures:
        root = ElementTree.fromstring(picture.svg)
        names = [child.tag.rpartition("}")[2] for child in root]
        assert names[:2] == ["title", "desc"]
        assert picture.alt


@pytest.mark.parametrize("name", NAMES)
def test_the_owners_page_reads_easily(name: str) -> None:
    """
    Running text of the owner's page at or below US grade 7 by the Flesch-Kincaid formula.

    Formula and source: see reading_level. The syllables are counted by rule, checked below on known words.
    """
    page = owner_page(report(name))
    blocks = [block for section in page.sections for block in section.blocks]
    running = [page.headline, page.meaning]
    for block in blocks:
        if isinstance(block, Words):
            running.append(block.item.words)
        elif isinstance(block, Points):
            running += [each.words for each in block.items]

    assert len(running) > 12
    assert grade_level(running) <= HARDEST_GRADE


def test_syllables_and_grade_by_hand() -> None:
    """Syllables as any dictionary splits them; the grade of two sentences worked out by hand."""
    known = {
        "cylinder": 3, "engine": 2, "valve": 1, "plug": 1, "oil": 1, "misfire": 2, "repair": 2, "missed": 1,
        "needle": 2, "places": 2, "heated": 2, "wires": 1, "leaks": 1, "burnt": 1, "warning": 2, "catalyst": 3,
    }  # fmt: skip

    assert {word: syllables(word) for word in known} == known
    # 6 words, 2 sentences, 9 syllables: 0.39 x 3 + 11.8 x 1.5 - 15.59
    assert grade_level(["The engine runs. The cylinder leaks."]) == pytest.approx(0.39 * 3 + 11.8 * 1.5 - 15.59)
