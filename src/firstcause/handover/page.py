"""A page as blocks of words, lists, tables and pictures: what the HTML and the PDF templates both print."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from firstcause.handover.facts import Fact, Picture
from firstcause.tongue import language

Side = Literal["main", "side", "wide"]


@dataclass(frozen=True)
class Item:
    """Some words, with the events of the case they stand on and the ground of a number."""

    words: str
    refs: str = ""
    ground: str = ""


@dataclass(frozen=True)
class Words:
    """A paragraph."""

    item: Item
    strong: bool = False
    kind: Literal["words"] = "words"


@dataclass(frozen=True)
class Points:
    """A list of points."""

    items: tuple[Item, ...]
    kind: Literal["points"] = "points"


@dataclass(frozen=True)
class Table:
    """A table; `widths` are shares of the width, one a column."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    caption: str = ""
    kind: Literal["table"] = "table"


@dataclass(frozen=True)
class Drawing:
    """A picture; `height_mm` is the most it may take on paper, `wide` lets it take the whole width."""

    svg: str
    alt: str
    caption: str
    height_mm: float
    wide: bool = False
    kind: Literal["drawing"] = "drawing"


Block = Words | Points | Table | Drawing


@dataclass(frozen=True)
class Section:
    """A part of a page under its own heading, on the main side, beside it, or across both."""

    title: str
    side: Side
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Page:
    """A whole document. `headline` and `meaning` stand in a frame at its top."""

    title: str
    lines: tuple[str, ...]
    headline: str
    meaning: str
    sections: tuple[Section, ...]
    footer: tuple[str, ...]
    author: str
    made_at: str
    lang: str = field(default_factory=language)

    def of(self, side: Side) -> list[Section]:
        """The sections of one side, in order."""
        return [section for section in self.sections if section.side == side]


def item(fact: Fact) -> Item:
    """A fact as it is printed."""
    return Item(fact.words, ", ".join(dict.fromkeys(fact.events)), fact.ground)


def points(facts: Iterable[Fact]) -> Points:
    """Facts as a list."""
    return Points(tuple(item(fact) for fact in facts))


def words(text: str, *, strong: bool = False, ground: str = "") -> Words:
    """A paragraph of plain words."""
    return Words(Item(text, "", ground), strong)


def drawing(picture: Picture, caption: str, height_mm: float, *, wide: bool = False) -> Drawing:
    """A picture under its caption."""
    return Drawing(picture.svg, picture.alt, caption, height_mm, wide)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], widths: Sequence[float], caption: str = "") -> Table:
    """A table of words."""
    return Table(tuple(head), tuple(tuple(row) for row in rows), tuple(widths), caption)


def section(title: str, side: Side, *blocks: Block | None) -> Section | None:
    """A section, or None when nothing stands in it."""
    filled = tuple(block for block in blocks if block is not None and not _is_empty(block))
    return Section(title, side, filled) if filled else None


def _is_empty(block: Block) -> bool:
    return (isinstance(block, Points) and not block.items) or (isinstance(block, Table) and not block.rows)


def texts(page: Page) -> list[str]:
    """Every text that a reader of the page meets, in reading order; alternative texts and labels in pictures not."""
    found: list[Any] = [page.title, *page.lines, page.headline, page.meaning]
    for part in (*page.of("main"), *page.of("side"), *page.of("wide")):
        found.append(part.title)
        for block in part.blocks:
            if isinstance(block, Words):
                found.append(block.item.words)
            elif isinstance(block, Points):
                found += [each.words for each in block.items]
            elif isinstance(block, Table):
                found += [block.caption, *block.head, *(cell for row in block.rows for cell in row)]
            else:
                found.append(block.caption)
    return [text for text in (*found, *page.footer) if text]
