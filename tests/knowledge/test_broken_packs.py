"""One thing broken in a copy of the shipped pack gives exactly one clear sentence, at its place."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from firstcause.errors import KnowledgeError
from firstcause.knowledge.base import PACKS_FOLDER, BadEntry, load
from firstcause.knowledge.check import check_pack
from firstcause.knowledge.lines import line_of

TRIMS = "tests/fuel/trims-by-region.toml"
COIL = "faults/ignition/coil-dead.toml"
LEAK = "tests/mechanical/leak-down.toml"
FIT_COIL = "repairs/ignition/fit-coil.toml"


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    shutil.copytree(PACKS_FOLDER / "misfire", tmp_path / "misfire")
    return tmp_path / "misfire"


def change(pack: Path, file: str, old: str, new: str) -> None:
    """Replace the first `old` in a file, which must be there."""
    path = pack / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def said(pack: Path) -> list[str]:
    return [str(problem) for problem in check_pack(pack)]


BROKEN = {
    "strength does not close": (
        COIL,
        "strength = { heavy = 0.08, dead = 0.92 }",
        "strength = { heavy = 0.3, dead = 0.92 }",
        f"{COIL}: behaviour: strength adds up to 1.22, not 1",
    ),
    "a condition that the pack does not have": (
        COIL,
        "load = ",
        "uphill = 0.5, load = ",
        f"{COIL}: behaviour.acts: this pack has no condition uphill",
    ),
    "a strength that the pack does not have": (
        COIL,
        "strength = { heavy = 0.08, dead = 0.92 }",
        "strength = { never = 0.08, dead = 0.92 }",
        f"{COIL}: behaviour.strength: this pack has no strength never, but light, heavy, dead",
    ),
    "a code that shows a test that is not there": (
        "model.toml",
        '{ code = "P0300" }',
        '{ code = "P0300", test = "code-look", outcome = "stored" }',
        "model.toml: complaint.codes.meaning[1]: there is no test 'code-look'",
    ),
    "a code that shows an outcome that is not there": (
        "model.toml",
        '{ code = "P0300" }',
        '{ code = "P0300", test = "system-voltage", outcome = "stored" }',
        "model.toml: complaint.codes.meaning[1]: the test 'system-voltage' has no outcome 'stored'",
    ),
    "a watch for each condition": (
        "model.toml",
        'again_for = ["idle"]',
        "again_for = []",
        "model.toml: complaint: each condition stands under again_for of exactly one watch",
    ),
    "a part's price outside its class": (
        "model.toml",
        "B = [20, 80]",
        "B = [20, 40]",
        "model.toml: money: the price 50 of class B lies outside its span",
    ),
    "a way back that ends before it begins": (
        "faults/wiring/contact-loose-coil.toml",
        "after_km = [50, 8000]",
        "after_km = [8000, 50]",
        "faults/wiring/contact-loose-coil.toml: returns: the first distance lies before the second",
    ),
    "otherwise does not close": (
        LEAK,
        "outcomes = { tight = 0.78, fair = 0.19, leaks = 0.03 }",
        "outcomes = { tight = 0.78, fair = 0.19, leaks = 0.3 }",
        f"{LEAK}: the entry: otherwise adds up to 1.27, not 1",
    ),
    "two rules for one combination": (
        TRIMS,
        'at = { load = "lean", rich = "yes" }',
        'at = { load = "lean" }',
        f"{TRIMS}: the entry: together[2] speaks for idle as-it-should, load lean, rich no, "
        "of which something else speaks",
    ),
    "no rule for a combination": (
        TRIMS,
        'levels = ["no", "yes"]',
        'levels = ["no", "yes", "flooded"]',
        f"{TRIMS}: the entry: nothing says what one sees at idle as-it-should, load as-it-should, rich flooded: "
        "add it to [[together]]",
    ),
    "a block for an engine that cannot have the fault": (
        "faults/fuel/high-pressure-pump-weak.toml",
        'test = "trims-by-region"',
        'test = "trims-by-region"\nfitted = { injection = ["port"] }',
        "faults/fuel/high-pressure-pump-weak.toml: shows[1].fitted: no engine that can have 'high-pressure-pump-weak' "
        "is fitted so; leave the block out",
    ),
    "a level that no axis has": (
        TRIMS,
        'at = { rich = "yes" }',
        'at = { rich = "a-little" }',
        f"{TRIMS}: the entry: the outcome 'negative' names the level 'a-little'; 'rich' has no, yes",
    ),
    "shows more than everything": (
        COIL,
        "outcomes = { fuel-wet = 0.45, dry-carbon = 0.15 }",
        "outcomes = { fuel-wet = 0.9, dry-carbon = 0.15 }",
        f"{COIL}: shows[1]: the outcomes of 'plug-look' add up to 1.05, more than 1",
    ),
    "minutes below nothing": (
        FIT_COIL,
        "minutes = 8",
        "minutes = -8",
        f"{FIT_COIL}: minutes: -8 is below 0",
    ),
    "chance above 1": (
        COIL,
        "acts = { cold-start = 1.0,",
        "acts = { cold-start = 1.3,",
        f"{COIL}: behaviour.acts.cold-start: 1.3 is above 1",
    ),
    "unknown key": (
        COIL,
        'scope = "part"',
        'scope = "part"\nscopes = "part"',
        f"{COIL}: scopes: this key is not known here; 'scope' is",
    ),
    "bad id": (
        COIL,
        'part = "coil"',
        'part = "The Coil"',
        f"{COIL}: part: 'The Coil' is not an id: lower case, words joined by '-'",
    ),
    "missing key": (
        FIT_COIL,
        'parts_class = "C"\n',
        "",
        f"{FIT_COIL}: parts_class: is missing",
    ),
    "a word that is not one of the words": (
        COIL,
        'scope = "part"',
        'scope = "engine"',
        f"{COIL}: scope: 'engine' is not one of 'part', 'place', 'joint', 'bank' or 'shared'",
    ),
    "source named but nowhere listed": (
        LEAK,
        'basis = "judgement"\nwhy = "Sound',
        'basis = "published"\nsource = "grandfather-1950"\nwhy = "Sound',
        f"{LEAK}: otherwise: the source 'grandfather-1950' is not listed under [[sources]]",
    ),
    "published without a source": (
        LEAK,
        'basis = "judgement"\nwhy = "Sound',
        'basis = "published"\nwhy = "Sound',
        f"{LEAK}: otherwise: basis 'published' needs a source (an id from [[sources]])",
    ),
    "filler instead of a name": (
        LEAK,
        'name = "Leak-down (differential pressure)"',
        'name = "TBD"',
        f"{LEAK}: name: 'TBD' says nothing: leave it out or say it",
    ),
    "judgement without a why": (
        COIL,
        'why = "No spark is no spark, whatever the speed or load."\n',
        "",
        f"{COIL}: behaviour: a judgement says why",
    ),
    "test that is nowhere": (
        COIL,
        'test = "spark-at-gap"',
        'test = "spark-at-gasp"',
        f"{COIL}: shows[2].test: there is no test 'spark-at-gasp'; 'spark-at-gap' is",
    ),
    "outcome that the test has not": (
        COIL,
        "outcomes = { out-of-family = 0.5 }",
        "outcomes = { out-of-kin = 0.5 }",
        f"{COIL}: shows[3]: the test 'coil-resistance' has no outcome 'out-of-kin'; it has in-family, out-of-family",
    ),
    "caution that is nowhere": (
        LEAK,
        'cautions = ["crank-may-spin"',
        'cautions = ["crank-may-dance"',
        f"{LEAK}: cautions: there is no caution 'crank-may-dance'; 'crank-may-spin' is",
    ),
    "access in a circle": (
        "access.toml",
        'needs = ["coil-cover-off"]\n\n[[access]]\nid = "plug-out"',
        'needs = ["plug-out"]\n\n[[access]]\nid = "plug-out"',
        "access.toml: access[3].needs: the access goes round in a circle: coil-off needs plug-out needs coil-off",
    ),
    "the same id twice in a list": (
        "questions.toml",
        'id = "tank-ran-dry"',
        'id = "tank-just-filled"',
        "questions.toml: question[5]: the id 'tank-just-filled' stands twice",
    ),
    "repair that cannot reach": (
        "repairs/valves/set-valve-timing.toml",
        'on = "bank"',
        'on = "cylinder"',
        "repairs/valves/set-valve-timing.toml: cures[1].fault: "
        "a repair on the cylinder does not reach 'valve-timing-off', whose scope is 'bank'",
    ),
    "new part with another part's fault": (
        "parts.toml",
        'fault = "coil-dead"',
        'fault = "injector-dead"',
        "parts.toml: part[1].new_part.fault: 'injector-dead' is not a fault of the part 'coil'",
    ),
    "engines that never meet": (
        "tests/fuel/rail-pressure-record.toml",
        'injection = ["direct"]',
        'injection = ["port"]',
        "faults/fuel/high-pressure-pump-weak.toml: shows[4].test: "
        "'high-pressure-pump-weak' and 'rail-pressure-record' are never in one engine: their injection differs",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_one_break_one_sentence(pack: Path, name: str) -> None:
    """Ours: what a technician who edits the file needs to read, and nothing beside it."""
    file, old, new, message = BROKEN[name]
    change(pack, file, old, new)

    found = said(pack)
    if name == "the same id twice in a list":  # and its own name is now missing
        assert message in found
        assert all("there is no question 'tank-ran-dry'" in line for line in found if line != message)
    else:
        assert found == [message]


def test_a_file_that_is_no_toml_is_named_and_the_rest_is_checked(pack: Path) -> None:
    change(pack, FIT_COIL, 'name = "New ignition coil"', 'name = "New ignition coil')
    change(pack, LEAK, 'name = "Leak-down', 'nane = "Leak-down')

    found = said(pack)

    assert any(line.startswith(f"{FIT_COIL}: the file: not readable as TOML") for line in found)
    assert f"{LEAK}: name: is missing" in found
    assert f"{LEAK}: nane: this key is not known here; 'name' is" in found


def test_without_its_repair_a_fault_is_reported(pack: Path) -> None:
    (pack / "repairs/exhaust/clear-the-exhaust.toml").unlink()

    assert said(pack) == ["faults/exhaust/exhaust-restricted.toml: id: no repair acts on 'exhaust-restricted'"]


def test_a_test_that_tells_nothing_is_reported(pack: Path) -> None:
    fault = pack / "faults/cylinder/rod-bent.toml"
    text = fault.read_text(encoding="utf-8")
    before, _, after = text.partition('[[shows]]\ntest = "piston-height"')
    assert after
    fault.write_text(before + "".join(after.partition("[[")[1:]), encoding="utf-8")

    assert said(pack) == [
        "tests/mechanical/piston-height.toml: id: "
        "no fault shows anything on 'piston-height', so doing it would tell nothing"
    ]


def test_causes_in_a_circle_are_written_once(pack: Path) -> None:
    fault = pack / "faults/oil/valve-guide-worn.toml"
    fault.write_text(
        fault.read_text(encoding="utf-8")
        + '\n[[caused_by]]\nfault = "stem-seal-leaks"\nchance = 0.1\n'
        + 'basis = "judgement"\nwhy = "Only to close the circle."\n',
        encoding="utf-8",
    )

    assert said(pack) == [
        "faults/oil/stem-seal-leaks.toml: caused_by: "
        "the causes go round in a circle: stem-seal-leaks from valve-guide-worn from stem-seal-leaks"
    ]


def test_a_withdrawn_entry_stays_valid_but_may_not_be_used(pack: Path) -> None:
    change(pack, "tests/mechanical/piston-height.toml", 'status = "reviewed"', 'status = "withdrawn"')

    found = said(pack)

    assert len(found) == 1
    assert found[0].startswith("faults/cylinder/rod-bent.toml: shows[")
    assert found[0].endswith("the test 'piston-height' is withdrawn")


def test_a_stray_file_and_a_wrong_name_are_named(pack: Path) -> None:
    (pack / "faulty.toml").write_text('id = "x"\n', encoding="utf-8")
    (pack / COIL).rename(pack / "faults/ignition/coil-died.toml")

    assert said(pack) == [
        "faults/ignition/coil-died.toml: id: the id is 'coil-dead', but the file is called 'coil-died'",
        "faulty.toml: the file: nobody reads it here; entries stand under faults/, tests/ or repairs/",
    ]


def test_several_files_broken_are_all_reported_at_once(pack: Path) -> None:
    for file, old, new, _ in (
        BROKEN["strength does not close"],
        BROKEN["otherwise does not close"],
        BROKEN["missing key"],
    ):
        change(pack, file, old, new)

    assert said(pack) == [
        f"{COIL}: behaviour: strength adds up to 1.22, not 1",
        f"{FIT_COIL}: parts_class: is missing",
        f"{LEAK}: the entry: otherwise adds up to 1.27, not 1",
    ]


def test_loading_a_broken_file_says_the_same_and_what_to_do(pack: Path) -> None:
    change(pack, *BROKEN["strength does not close"][:3])

    with pytest.raises(BadEntry) as caught:
        load("misfire", pack.parent)

    assert caught.value.complaints == ["behaviour: strength adds up to 1.22, not 1"]
    assert "Correct the file and run 'firstcause knowledge check'" in str(caught.value)


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(KnowledgeError, match="Nothing was checked"):
        check_pack(tmp_path / "nowhere")


PLACES = """\
id = "x"
name = "A"

[behaviour]
acts = { idle = 1 }  # = no key

[[shows]]
test = "one"

[[shows]]
test = "two"
outcomes = { a = 1 }

[[part]]
[part.new_part]
chance = 1
"""


@pytest.mark.parametrize(
    ("where", "line"),
    [
        ("name", 2), ("behaviour.acts", 5), ("behaviour.acts.idle", 5), ("behaviour.strength", 4), ("shows", 7),
        ("shows[2]", 10), ("shows[2].test", 11), ("shows[2].outcomes.a", 12), ("part[1].new_part.chance", 16),
        ("part[1].id", 14), ("the entry", None), ("", None),
    ],
)  # fmt: skip
def test_a_place_is_found_in_its_line(where: str, line: int | None) -> None:
    assert line_of(PLACES, where) == line


def test_each_complaint_names_the_line_that_a_technician_opens(pack: Path) -> None:
    change(pack, *BROKEN["test that is nowhere"][:3])
    change(pack, FIT_COIL, 'name = "New ignition coil"', 'name = "New ignition coil')
    lines = (pack / COIL).read_text(encoding="utf-8").splitlines()

    found = {problem.file.as_posix(): problem for problem in check_pack(pack)}

    assert lines[(found[COIL].line or 0) - 1] == 'test = "spark-at-gasp"'
    assert found[COIL].with_line().startswith(f"{COIL}:{found[COIL].line}: shows[2].test: ")
    assert found[FIT_COIL].line == 1 + (pack / FIT_COIL).read_text(encoding="utf-8").splitlines().index(
        'name = "New ignition coil'
    )
