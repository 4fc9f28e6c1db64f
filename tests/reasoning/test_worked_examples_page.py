"""The page of worked examples says what the code says, and each figure of ours rounds to the one given."""

from __future__ import annotations

import pytest
from tests.reasoning.worked_examples import PAGE, figures, page, t5_best, t6

EXAMPLES = ("T1", "T2", "T3", "T4", "T5", "T6", "T7", "T9", "T10")


@pytest.mark.parametrize("example", EXAMPLES)
def test_ours_rounds_to_the_figure_given(example: str) -> None:
    """Each figure with its source: tests/reasoning/worked_examples.py and docs/worked-examples.md."""
    found = [figure for figure in figures() if figure.example == example]

    assert found
    for figure in found:
        assert figure.ours == pytest.approx(float(figure.given), abs=figure.room), f"{figure.what} ({figure.source})"


def test_every_example_is_here_but_t8() -> None:
    """T8: the network and its prices are not known; the page says so."""
    assert {figure.example for figure in figures()} == set(EXAMPLES)
    assert "T8, a car that does not start" in page()


def test_the_page_is_what_the_code_writes() -> None:
    """Ours: `python -m tests.reasoning.worked_examples` writes it again."""
    assert PAGE.read_text(encoding="utf-8") == page()


def test_the_orders_behind_the_figures() -> None:
    """T5: the order itself. T6: a rule that is never better than plain P/C would show nothing."""
    assert t5_best() == ("A1", "A2", "A3", "A4")
    assert t6(300)[1] > 60
