"""The generated catalogue: in step with the knowledge files, whole, and standing alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from firstcause.cli.knowledge import knowledge
from firstcause.handover.catalogue import Catalogue, catalogue_of, found_by
from firstcause.handover.catalogue_html import catalogue_html
from firstcause.handover.catalogue_md import catalogue_markdown
from firstcause.knowledge.base import Knowledge, load, pack_names

DOCS = Path(__file__).parent.parent.parent / "docs" / "catalogue"


@pytest.fixture(scope="module", params=pack_names())
def base(request: pytest.FixtureRequest) -> Knowledge:
    return load(request.param)


@pytest.fixture(scope="module")
def catalogue(base: Knowledge) -> Catalogue:
    return catalogue_of(base)


def test_the_docs_are_in_step_with_the_knowledge_files(catalogue: Catalogue) -> None:
    """When this fails: `firstcause knowledge catalogue --format md --out docs/catalogue`."""
    assert (DOCS / f"{catalogue.pack}.md").read_text(encoding="utf-8") == catalogue_markdown(catalogue)


def test_every_fault_stands_in_it_once_with_what_speaks_for_it(base: Knowledge, catalogue: Catalogue) -> None:
    assert sorted(leaf.id for leaf in catalogue.leaves) == sorted(base.faults)
    silent = {leaf.id for leaf in catalogue.leaves if not leaf.speaks_for}
    assert silent <= {fault.id for fault in base.faults.values() if fault.kind == "unlisted"}
    for leaf in catalogue.leaves:
        assert max(len(leaf.speaks_for), len(leaf.speaks_against)) <= 5
        assert all(line.ground.startswith(("counted", "published", "common", "judgement", "Through"))
                   for line in (*leaf.speaks_for, *leaf.speaks_against))  # fmt: skip


def test_parents_and_victims_tell_of_each_other(catalogue: Catalogue) -> None:
    leaves = {leaf.id: leaf for leaf in catalogue.leaves}
    links = [(parent.id, leaf.id) for leaf in catalogue.leaves for parent in leaf.parents]
    assert links
    for parent, victim in links:
        assert victim in {one.id for one in leaves[parent].victims}


def test_every_link_on_a_page_leads_somewhere_on_it(catalogue: Catalogue) -> None:
    text, page = catalogue_markdown(catalogue), catalogue_html(catalogue)
    assert set(re.findall(r"\]\(#([^)]+)\)", text)) <= set(re.findall(r'<a id="([^"]+)">', text))
    assert set(re.findall(r'href="#([^"]+)"', page)) <= set(re.findall(r' id="([^"]+)"', page))


def test_the_page_loads_nothing_from_anywhere(catalogue: Catalogue) -> None:
    page = catalogue_html(catalogue)
    assert not re.findall(r'(?:src|href)="(?!#)|https?:|@import|<script|<link', page)


def test_a_burnt_valve_is_spoken_against_by_a_tight_leak_down_first_of_all() -> None:
    """Misfire reference, finding 1: a tight leak-down is strong against a leak."""
    catalogue = catalogue_of(load())
    valve = next(leaf for leaf in catalogue.leaves if leaf.id == "exhaust-valve-burnt")
    against = [line.test for line in valve.speaks_against]
    assert against[0] == "Leak-down (differential pressure)"
    assert len(against) == len(set(against))
    assert [one.id for one in valve.parents] == ["valve-clearance-tight"]


def test_the_search_wants_every_word() -> None:
    catalogue = catalogue_of(load())
    assert "exhaust-valve-burnt" in {leaf.id for leaf in found_by(catalogue, "Burnt VALVE")}
    assert found_by(catalogue, "valve xylophone") == ()
    assert found_by(catalogue, " ") == catalogue.leaves


def test_the_command_writes_a_page_for_each_pack(tmp_path: Path) -> None:
    done = CliRunner().invoke(knowledge, ["catalogue", "--out", str(tmp_path / "pages")])
    assert done.exit_code == 0, done.output
    assert sorted(file.name for file in (tmp_path / "pages").iterdir()) == [f"{name}.html" for name in pack_names()]

    done = CliRunner().invoke(knowledge, ["catalogue", "--format", "md", "--pack", "no-start", "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "no-start.md").read_text(encoding="utf-8") == catalogue_markdown(catalogue_of(load("no-start")))
