"""The engine from above: every layout from 2 to 12 cylinders, each part in its position, moved parts and counts."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from itertools import pairwise

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.drawing import Misfires, engine_svg, heat
from firstcause.casebook.events import Moved, Renewed
from firstcause.casebook.ledger import ledger_of
from firstcause.knowledge.base import load
from firstcause.vehicle.layout import EngineLayout, common_layout

SVG = "{http://www.w3.org/2000/svg}"
SHAPES = ["I2", "I3", "I4", "I5", "I6", "I8", "V4", "V6", "V8", "V10", "V12", "F2", "F4", "F6"]


@pytest.fixture(scope="module")
def knowledge():
    return load()


def drawn(layout: EngineLayout, *more: object, **named: object) -> ElementTree.Element:
    return ElementTree.fromstring(engine_svg(layout, *more, **named))


def texts(root: ElementTree.Element, kind: str) -> list[ElementTree.Element]:
    return [t for t in root.iter(f"{SVG}text") if t.get("class") == kind]


@pytest.mark.parametrize("shape", SHAPES)
def test_cylinders_stand_by_bank_from_front_to_rear(shape):
    """Numbers read down each column are the bank from the front; banks stand side by side, the first on the left."""
    layout = common_layout(shape)
    root = drawn(layout)

    numbers = texts(root, "e-number")
    columns: dict[float, list[tuple[float, int]]] = {}
    for number in numbers:
        columns.setdefault(float(number.get("x")), []).append((float(number.get("y")), int(number.text)))
    seen = tuple(tuple(n for _, n in sorted(columns[x])) for x in sorted(columns))

    assert seen == layout.banks
    assert "-".join(map(str, layout.firing_order)) in texts(root, "e-order")[0].text


@pytest.mark.parametrize("shape", SHAPES)
def test_banks_are_columns_of_equal_rows_and_every_part_lies_with_its_cylinder(shape, knowledge):
    """One column in line, two in a V or flat; rows equally far apart in both; a phone's finger fits."""
    case = replay(story(opened(shape)))
    layout, root = case.layout, drawn(case.layout, ledger_of(case, knowledge))
    at = {int(t.text): (float(t.get("x")), float(t.get("y"))) for t in texts(root, "e-number")}

    assert len({x for x, _ in at.values()}) == {"inline": 1, "vee": 2, "flat": 2}[layout.arrangement]
    pitch = {round(at[b][1] - at[a][1], 3) for bank in layout.banks for a, b in pairwise(bank)}
    assert len(pitch) <= 1
    assert all(row * 360 / 400 >= 44 for row in pitch)  # px on a phone 390 wide, the margins of the page taken off
    assert len({at[bank[0]][1] for bank in layout.banks}) == 1  # both begin at the front
    for cylinder in root.iter(f"{SVG}g"):
        cell = next(box for box in cylinder.iter(f"{SVG}rect") if box.get("class") == "e-cell")
        x, y, wide, high = (float(cell.get(key)) for key in ("x", "y", "width", "height"))
        chips = [box for box in cylinder.iter(f"{SVG}rect") if "e-chip" in box.get("class")]
        number = int(next(t.text for t in cylinder.iter(f"{SVG}text") if t.get("class") == "e-number"))
        assert len(chips) == sum(number in part.at for part in ledger_of(case, knowledge).sitting)
        assert all(x <= float(c.get("x")) <= x + wide - float(c.get("width")) for c in chips)
        assert all(y <= float(c.get("y")) <= y + high - float(c.get("height")) for c in chips)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_lands_between_neighbours_are_drawn_and_nothing_else(shape):
    layout = common_layout(shape)
    lands = {land.get("data-joint") for land in drawn(layout).iter(f"{SVG}line") if land.get("class") == "e-land"}
    assert lands == {f"{min(n, m)}-{max(n, m)}" for n in layout.cylinders for m in layout.neighbours(n)}


@pytest.mark.parametrize(("shape", "ignition"), [("I4", "waste-spark"), ("V8", "coil-on-plug"), ("F6", "waste-spark")])
def test_with_one_cylinder_looked_at_the_others_say_what_they_share_with_it(shape, ignition):
    layout = common_layout(shape, ignition=ignition)
    for cylinder in layout.cylinders:
        root = drawn(layout, focus=cylinder)
        said = {t.text for t in texts(root, "e-shared")}
        related = [frame for frame in root.iter(f"{SVG}rect") if frame.get("class") == "e-related"]
        assert len(related) == len(layout.related(cylinder) - {cylinder})
        assert any(f"pair of {cylinder}" in words for words in said)
        assert any(f"coil with {cylinder}" in words for words in said) == (ignition == "waste-spark")
        assert len([f for f in root.iter(f"{SVG}rect") if f.get("class") == "e-focus"]) == 1


def test_misfires_are_hatched_the_denser_the_more_there_are():
    """Not by colour only: the line of the hatching grows with the share, and there is none without misfires."""
    assert [heat(share) for share in (0.0, 0.01, 0.03, 0.2, 0.9)] == [0, 1, 2, 3, 4]
    root = drawn(common_layout("I5"), None, Misfires({1: 0, 2: 8, 3: 30, 4: 200, 5: 900}, 1000))
    bores = [c for c in root.iter(f"{SVG}circle") if c.get("data-heat")]
    assert [c.get("data-heat") for c in bores] == ["0", "1", "2", "3", "4"]
    lines = {p.get("id"): float(list(p)[1].get("width")) for p in root.iter(f"{SVG}pattern")}
    drawn_lines = [lines[c.get("fill")[5:-1]] for c in bores[1:]]
    assert drawn_lines == sorted(set(drawn_lines))


@pytest.mark.parametrize("shape", SHAPES)
def test_everything_stays_inside_the_drawing_and_nothing_lies_on_another(shape, knowledge):
    case = replay(story(opened(shape), Moved(part="plug", first=1, second=2), Renewed(part="injector", cylinder=2)))
    root = drawn(case.layout, ledger_of(case, knowledge), Misfires({1: 3, 2: 180}, 720), complaint=frozenset({2}))
    _, _, width, height = map(float, root.get("viewBox").split())

    chips = []
    for box in root.iter(f"{SVG}rect"):
        if box.get("x") is None:
            continue  # the ground of a pattern
        x, y, wide, high = (float(box.get(key)) for key in ("x", "y", "width", "height"))
        assert x >= 0
        assert y >= 0
        assert x + wide <= width
        assert y + high <= height
        if "e-chip" in box.get("class"):
            chips.append((x, y, x + wide, y + high))
    for at, (x1, y1, x2, y2) in enumerate(chips):
        assert not any(x1 < b2 and a1 < x2 and y1 < d2 and c1 < y2 for a1, c1, b2, d2 in chips[at + 1 :])
    assert len(chips) == sum(len(p.at) for p in ledger_of(case, knowledge).sitting)


def test_a_moved_part_says_where_it_came_from_and_a_new_one_that_it_is_new(knowledge):
    case = replay(story(opened("V6"), Moved(part="coil", first=3, second=2), Renewed(part="plug", cylinder=3)))
    root = drawn(case.layout, ledger_of(case, knowledge))

    moved = sorted(t.text for t in texts(root, "e-label e-label-moved"))
    new = [t.text for t in texts(root, "e-label e-label-new")]
    looks = {
        box.get("class").split()[1]: dict(box.items())
        for box in root.iter(f"{SVG}rect")
        if "e-chip" in box.get("class")
    }
    assert looks["e-moved"]["fill"] != looks["e-home"]["fill"]
    assert "stroke-dasharray" in looks["e-new"]
    assert "stroke-dasharray" not in looks["e-home"]
    assert moved == ["coil ← 2", "coil ← 3"]
    assert new == ["new plug"]
    told = root.find(f"{SVG}desc").text
    assert "Cylinder 3, fires 3rd, coil came from cylinder 2, new plug." in told


def test_a_shared_coil_names_its_other_cylinder(knowledge):
    """Waste spark: the coil of 1 also fires its companion 4 in the order 1-3-4-2 (common practice, no source)."""
    case = replay(story(opened("I4", ignition="waste-spark")))
    labels = [t.text for t in texts(drawn(case.layout, ledger_of(case, knowledge)), "e-label e-label-home")]
    assert [label for label in labels if label.startswith("coil")] == ["coil +4", "coil +3", "coil +2", "coil +1"]


def test_the_ring_is_as_long_as_the_share_that_missed():
    root = drawn(common_layout("I4"), None, Misfires({1: 0, 2: 180, 3: 720}, 720))
    rings = [c for c in root.iter(f"{SVG}circle") if c.get("class") == "e-missed"]

    shares = [float(c.get("stroke-dasharray").split()[0]) / float(c.get("stroke-dasharray").split()[1]) for c in rings]
    assert shares == pytest.approx([0.25, 1.0], abs=0.002)
    assert [t.text for t in texts(root, "e-count")] == ["0 missed", "180 missed", "720 missed", "not read"]


def test_without_a_number_of_events_the_worst_cylinder_fills_its_ring():
    assert Misfires({1: 5, 2: 10}).share(1) == 0.5
    assert Misfires({1: 0}).share(1) == 0.0
    assert Misfires({}).share(4) == 0.0


def test_a_cylinder_can_be_a_link_and_words_are_escaped():
    text = engine_svg(common_layout("I2"), link=lambda n: f'/x?a=1&b="{n}"')
    root = ElementTree.fromstring(text)
    assert [a.get("href") for a in root.iter(f"{SVG}a")] == ['/x?a=1&b="1"', '/x?a=1&b="2"']


def test_it_is_labelled_for_those_who_do_not_see_it():
    root = drawn(common_layout("F4"), None, Misfires({1: 2}, 100), complaint=frozenset({3}), name="one")
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "one-title one-desc"
    assert root.find(f"{SVG}title").text == "Engine, flat 4 seen from above"
    told = root.find(f"{SVG}desc").text
    assert "bank 2 from the front: 2, 4" in told
    assert "Cylinder 3, fires 2nd, the complaint is here." in told
    assert "2 of 100 ignitions missed" in told
