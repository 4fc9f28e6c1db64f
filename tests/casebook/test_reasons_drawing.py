"""The pictures of an explanation: side and sign, nothing by colour alone, words inside the frame, told for ears too."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.casebook.reasons_drawing import Ray, fan_svg, way_svg
from firstcause.casebook.svg import LETTER
from firstcause.reasoning.because import Piece, Reasons, log_odds

SVG = "{http://www.w3.org/2000/svg}"
WIDTH = 360.0


def label(happenings: tuple[str, ...]) -> str:
    return " and ".join(happenings)


def drawn(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def odds(decibans: float) -> float:
    return 1.0 / (1.0 + 10.0 ** (-decibans / 10.0))


def reasons(start: float, *weights: float) -> Reasons:
    pieces = tuple(Piece((f"e{n}",), weight, 0.5) for n, weight in enumerate(weights, start=3))
    return Reasons("fault@place", odds(start), odds(start + sum(weights)), pieces)


def corners(polygon: ElementTree.Element) -> list[tuple[float, float]]:
    return [tuple(map(float, pair.split(","))) for pair in polygon.attrib["points"].split()]  # type: ignore[misc]


def test_each_arrow_points_to_its_side_and_joins_the_one_before() -> None:
    picture = drawn(way_svg("What moved it", reasons(-25.0, 12.0, -4.0, 9.0), label))
    arrows = picture.findall(f"{SVG}polygon")
    assert [arrow.attrib["class"] for arrow in arrows] == ["w-for", "w-against", "w-for"]
    begins, tips = [corners(a)[0][0] for a in arrows], [corners(a)[2][0] for a in arrows]
    assert [tip > begin for begin, tip in zip(begins, tips, strict=True)] == [True, False, True]
    necks = [corners(a)[1][0] for a in arrows]
    assert all(min(b, t) < neck < max(b, t) for b, neck, t in zip(begins, necks, tips, strict=True))  # no barbs
    assert begins[1:] == pytest.approx(tips[:-1])
    lengths = [abs(tip - begin) for begin, tip in zip(begins, tips, strict=True)]
    assert lengths[0] / lengths[1] == pytest.approx(12.0 / 4.0, rel=0.01)
    assert lengths[2] / lengths[1] == pytest.approx(9.0 / 4.0, rel=0.01)


def test_for_and_against_differ_without_colour() -> None:
    """Use of colour: WCAG 2.2, 1.4.1. The side, the filling (solid or hatched) and the word each say it."""
    picture = drawn(way_svg("What moved it", reasons(-10.0, 6.0, -5.0), label))
    fills = {arrow.attrib["class"]: arrow.attrib["fill"] for arrow in picture.findall(f"{SVG}polygon")}
    assert fills == {"w-for": "#111", "w-against": "url(#way-hatch)"}
    said = [each.text for each in picture.findall(f"{SVG}text")]
    assert "+6 dB for" in said
    assert "-5 dB against" in said


def test_the_picture_is_told_in_words() -> None:
    picture = drawn(way_svg("What moved it", reasons(-26.0, 12.0, 0.01, -4.0), label, name="w1"))
    assert picture.attrib["role"] == "img"
    assert picture.attrib["aria-labelledby"] == "w1-title w1-desc"
    told = picture.findtext(f"{SVG}desc")
    assert picture.findtext(f"{SVG}title") == "What moved it"
    assert told == ("Before any finding 1 in 400. e3: +12 dB for. e4: 0 dB. e5: -4 dB against. Now 2 %.")
    assert len(picture.findall(f"{SVG}polygon")) == 2  # what rounds to nothing is told, not drawn


@given(st.floats(-55, 15), st.lists(st.floats(-25, 25), max_size=6))
def test_nothing_leaves_the_frame(start: float, weights: list[float]) -> None:
    way = reasons(start, *weights)
    if not -55 < log_odds(way.now) < 35:
        return
    picture = drawn(way_svg("What moved it", way, lambda happenings: "words of a finding that goes on and on " * 4))
    height = float(picture.attrib["viewBox"].split()[3])
    for each in picture.iter(f"{SVG}polygon"):
        assert all(0 <= x <= WIDTH and 0 <= y <= height for x, y in corners(each))
    for each in picture.iter(f"{SVG}text"):
        wide = LETTER * float(each.attrib["font-size"]) * len(each.text or "")
        x, anchor = float(each.attrib["x"]), each.attrib["text-anchor"]
        left = {"start": x, "middle": x - wide / 2, "end": x - wide}[anchor]
        assert left >= -1, each.text
        assert left + wide <= WIDTH + 1, each.text
        assert float(each.attrib["y"]) <= height


RAYS = [
    Ray(0.62, "Steady breath", ("Air leak (cylinder 3) 11 % → 15 %",), "about 905 USD to go"),
    Ray(
        0.23,
        "A puff in a rhythm",
        ("Coil dead (coil 3) 7 % → 20 %", "Valve burnt (cylinder 3) 13 % → 14 %"),
        "about 951 USD to go",
    ),
    Ray(0.15, "The strip is sucked back & held", ("Valve burnt (cylinder 3) 13 % → 51 %",), ""),
]


def test_a_fan_is_as_thick_as_its_outcomes_are_likely() -> None:
    picture = drawn(fan_svg("What may come out", RAYS))
    thick = []
    for path in picture.findall(f"{SVG}path"):
        numbers = [float(number) for number in re.findall(r"-?\d+\.?\d*", path.attrib["d"])]
        thick.append(abs(numbers[-1] - numbers[1]))
    assert [each / sum(thick) for each in thick] == pytest.approx([ray.chance for ray in RAYS], abs=0.01)


def test_a_fan_says_chance_suspect_and_cost_to_eye_and_ear() -> None:
    picture = drawn(fan_svg("What may come out", RAYS))
    seen = " ".join(each.text or "" for each in picture.findall(f"{SVG}text")).replace("\u00a0", " ")
    told = picture.findtext(f"{SVG}desc") or ""
    for ray in RAYS:
        for words in (f"{ray.chance * 100:.0f} %: {ray.name}", *ray.then, ray.cost):
            assert words in seen
            assert words.lower() in told.lower()


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=9))
def test_no_fan_calls_an_outcome_certain_or_impossible(chances: list[float]) -> None:
    picture = fan_svg("Fan", [Ray(chance, "it", ("x",), "") for chance in chances])
    assert not re.search(r"(?<![\d.])(100|0)[ \u00a0]%", picture)
