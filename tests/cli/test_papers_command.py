"""`firstcause papers`: from a written case to papers on the disk, and what is said when the rules were not chosen."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from firstcause.casebook.written import read_case
from firstcause.cli.main import main

EXAMPLE = Path(__file__).parents[2] / "src/firstcause/casebook/examples/estimated.toml"


@pytest.fixture
def taken(tmp_path: Path) -> Path:
    book = tmp_path / "book.db"
    result = CliRunner().invoke(main, ["case", "take", str(EXAMPLE), "--casebook", str(book)])
    assert result.exit_code == 0, result.output
    return book


def said(book: Path, *more: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["papers", "c-0001", "--casebook", str(book), *more])
    return result.exit_code, result.output


def test_the_rules_are_chosen_and_never_guessed(taken: Path) -> None:
    code, output = said(taken)
    assert code != 0
    assert "us-california" in output
    (taken.with_suffix(".shop.json")).write_text('{"paper_rules": "france"}')
    assert said(taken)[0] == 0


def test_papers_are_written_and_what_they_lack_is_said(taken: Path, tmp_path: Path) -> None:
    code, output = said(taken, "--rules", "us-california", "--into", str(tmp_path / "out"))

    assert code == 0
    assert "Record the owner's consent before you begin." in output
    assert {path.suffix for path in (tmp_path / "out").iterdir()} == {".html", ".pdf"}
    assert (tmp_path / "out" / "c-0001-estimate-e2.pdf").read_bytes().startswith(b"%PDF")
    report = json.loads(said(taken, "--rules", "us-california", "--json")[1])
    states = {clause["id"]: clause["state"] for clause in report["clauses"]}
    assert states["estimate-given"] == "kept"
    assert states["authorised"] == "missing"


def test_a_draft_is_text_that_a_case_file_takes(tmp_path: Path) -> None:
    """What is printed can be pasted under the events of a written case."""
    example = EXAMPLE.with_name("counted.toml")
    book = tmp_path / "book.db"
    assert CliRunner().invoke(main, ["case", "take", str(example), "--casebook", str(book)]).exit_code == 0
    code, draft = said(book, "--draft")

    assert code == 0
    written = read_case(example.read_text() + "\n" + draft, at=datetime(2026, 3, 2, tzinfo=UTC))
    assert written.events[-1].body.kind == "estimated"
