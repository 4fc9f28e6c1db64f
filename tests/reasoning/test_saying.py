"""How a probability is said: never 0 and never 100, and never two digits more than are known."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.reasoning import saying
from firstcause.reasoning.saying import decibans, drawn, in_words, one_in, percent, share

CERTAIN = re.compile(r"(?<![\d,.])(0|100)( %| in 100)")


@given(st.floats(0.0, 1.0))
def test_nothing_is_said_to_be_certain(probability: float) -> None:
    for say in (in_words, percent, one_in, share):
        assert not CERTAIN.search(say(probability)), say
        assert "1 in 0" not in say(probability)
    assert 0.0 < drawn(probability) < 1.0


@given(st.floats(0.0051, 0.9949))
def test_what_is_said_is_right_to_half_a_percent(probability: float) -> None:
    assert abs(int(percent(probability).split()[0]) - 100 * probability) <= 0.5 + 1e-9
    assert percent(probability).split()[0] == in_words(probability).split()[0]


@given(st.floats(1e-6, 0.0099))
def test_a_small_share_is_said_in_two_digits(probability: float) -> None:
    many = int(one_in(probability).removeprefix("1 in ").replace(",", ""))
    assert many * probability == pytest.approx(1.0, rel=0.051)
    assert len(str(many).rstrip("0")) <= 2


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.0, "under 1 %"), (0.004, "under 1 %"), (0.006, "1 %"), (0.994, "99 %"), (0.996, "over 99 %"),
        (1.0, "over 99 %"), (0.472, "47 %"),
    ],
)  # fmt: skip
def test_the_ends_are_open(probability: float, said: str) -> None:
    assert percent(probability) == said


def test_small_shares_and_weights() -> None:
    assert (one_in(0.00251), one_in(0.0), share(0.002), share(0.2)) == (
        "1 in 400",
        "under 1 in 1,000,000",
        "1 in 500",
        "20 %",
    )
    assert (decibans(11.4), decibans(-3.6), decibans(0.4), decibans(-0.4)) == ("+11 dB", "-4 dB", "0 dB", "0 dB")


def test_every_face_says_a_chance_by_these_words() -> None:
    """A plain `:.0%` would print 0 % and 100 %. Only the catalogue prints its own round numbers so."""
    source = Path(saying.__file__).parents[1]
    plain = [
        f"{path.relative_to(source)}:{number}"
        for package in ("reasoning", "casebook", "handover", "web", "cli")
        for path in sorted((source / package).rglob("*.py"))
        if path.name not in ("knowledge.py", "catalogue.py")  # they print what the files say, zero and all
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if re.search(r":[.]\d%", line)
    ]
    assert plain == []
