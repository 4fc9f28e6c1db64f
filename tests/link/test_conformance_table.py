"""The table of conformance names tests; each of them exists, and each row says yes, in part or no."""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).parent.parent
TABLE = TESTS.parent / "docs" / "link-conformance.md"


def rows() -> list[list[str]]:
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if line.startswith("| ")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return [row for row in cells if row[0] not in ("What", "---")]


def test_each_row_that_is_covered_names_a_test_that_exists():
    assert len(rows()) > 50
    for what, covered, how, shown in rows():
        assert covered in ("yes", "in part", "no"), what
        assert how or covered == "yes", f"{what}: no reason is given"
        assert shown or covered == "no", f"{what}: nothing shows it"
        for file, name in re.findall(r"`([\w/]+\.py)::(\w+)`", shown):
            assert f"\ndef {name}(" in (TESTS / file).read_text(encoding="utf-8"), f"{what}: {file}::{name}"
        assert not shown or re.fullmatch(r"`[\w/]+\.py::\w+`", shown), what
