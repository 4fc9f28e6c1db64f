"""A printed seal against the stored case, and a car that came back linked with its old case."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from tests.handover.handover_cases import CASES

from firstcause.casebook.events import Linked, Noted
from firstcause.casebook.store import CaseStore
from firstcause.cli.main import main
from firstcause.cli.output import CANNOT_BE_DONE, FOUND_WANTING

RELIEVED = CASES / "relieved_oil.toml"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def stored(book: Path) -> CaseStore:
    return CaseStore(book, clock=lambda: datetime.now(UTC))


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "book.db"
    assert run("case", "take", RELIEVED, "--casebook", path).output.strip() == "c-0001"
    return path


def later_case(book: Path, km: float, bad: int, tmp_path: Path, model: str = "") -> str:
    """The same car at this distance, with so many misfires counted on its fourth cylinder."""
    with stored(book) as store:
        car = store.case("c-0001").car
    text = f"""
    [opened]
    at = 2026-11-02T08:30:00+01:00
    [car]
    make = "{car.make}"
    model = "{model or car.model}"
    distance_km = {km}
    [car.engine]
    shape = "{car.engine.shape}"
    [[event]]
    kind = "counted"
    minutes = {{ idle = 3 }}
    rpm = 720
    misfires = {{ 1 = 0, 2 = 0, 3 = 0, 4 = {bad} }}
    """
    path = tmp_path / "later.toml"
    path.write_text(text, encoding="utf-8")
    taken = run("case", "take", path, "--casebook", book)
    assert taken.exit_code == 0, taken.output
    return taken.output.strip()


def test_the_seal_on_the_paper_is_found_again_after_the_case_has_grown(book: Path, tmp_path: Path) -> None:
    assert run("handover", "c-0001", "--casebook", book, "--into", tmp_path).exit_code == 0
    record = (tmp_path / "c-0001-record.html").read_text(encoding="utf-8")
    with stored(book) as store:
        printed, count = store.head("c-0001"), len(store.events("c-0001"))
    assert printed in record

    now = run("case", "check", "c-0001", "--casebook", book, "--head", printed)
    assert now.exit_code == 0
    assert f"all up to e{count} is as it was" in now.output
    assert "nothing came after it" in " ".join(now.output.split())

    with stored(book) as store:
        link = Linked(relation="later", case="c-0009", driven_km=5.0)
        store.append("c-0001", link, "Ada")
    by_hand = " ".join((printed[:4].upper(), printed[4:8], printed[8:16]))
    grown = json.loads(run("case", "check", "c-0001", "--casebook", book, "--head", by_hand, "--json").stdout)
    assert (grown["matches_print"], grown["printed_at"], grown["events"]) == (True, f"e{count}", count + 1)


def test_a_story_rewritten_whole_after_printing_no_longer_matches(book: Path) -> None:
    """Every later seal made anew: the chain is whole in itself, and only the printed seal gives it away."""
    with stored(book) as store:
        printed = store.head("c-0001")
        events = [
            event.model_copy(update={"body": Noted(words="nothing to see")}) if event.body.kind == "told" else event
            for event in store.events("c-0001")
        ]
        forged = store.adopt(events, {})
    told = run("case", "check", forged, "--casebook", book, "--head", printed)
    assert "whole" in told.output
    assert "no event of it has the printed seal" in told.output
    assert told.exit_code == FOUND_WANTING


def test_a_record_changed_in_the_file_is_told_with_the_event(book: Path) -> None:
    with stored(book) as store:
        printed = store.head("c-0001")
    with sqlite3.connect(book) as raw:
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            raw.execute(f"DROP TRIGGER {name}")
        raw.execute("UPDATE events SET record = replace(record, 'plug', 'coil') WHERE record LIKE '%plug%'")
    told = run("case", "check", "c-0001", "--casebook", book, "--head", printed)
    assert told.exit_code == FOUND_WANTING
    assert "broken at e" in told.output
    assert "the story was changed at e" in told.output


@pytest.mark.parametrize("printed", ["abc", "z" * 20, ""])
def test_what_cannot_be_a_seal_is_refused(book: Path, printed: str) -> None:
    told = run("case", "check", "c-0001", "--casebook", book, "--head", printed)
    assert told.exit_code == CANNOT_BE_DONE
    assert "is no seal" in told.stderr


def test_a_kept_recording_stands_in_the_record_under_its_hash(tmp_path: Path) -> None:
    """SHA-256 (FIPS 180-4) of the file's bytes, reckoned here on its own."""
    book = tmp_path / "book.db"
    run("case", "take", CASES / "declined_gasket.toml", "--casebook", book)
    with stored(book) as store:
        events = [event for event in store.events("c-0001") if event.body.kind != "closed"]
        open_case = store.adopt(events, {})
    recording = tmp_path / "visit.log"
    recording.write_bytes(b"(0.000000) can0 7DF#0201000000000000\n")
    told = run("case", "attach", open_case, recording, "--about", "bus recording", "--casebook", book)
    assert told.exit_code == 0, told.output
    run("handover", open_case, "--casebook", book, "--into", tmp_path)
    record = (tmp_path / f"{open_case}-record.html").read_text(encoding="utf-8")
    assert hashlib.sha256(recording.read_bytes()).hexdigest() in record
    assert run("case", "check", open_case, "--casebook", book).exit_code == 0


def test_a_car_that_came_back_teaches_both_cases(book: Path, tmp_path: Path) -> None:
    """The plug was renewed in the first case; 5,000 km on, the misfire is counted again: its life there has ended."""
    with stored(book) as store:
        ended_km = store.case("c-0001").car.distance_km
    later = later_case(book, ended_km + 5_000, 240, tmp_path)

    told = run("case", "link", "c-0001", later, "--casebook", book, "--by", "Ada")
    assert told.exit_code == 0, told.output
    assert "The car came back" in told.output
    assert "The car was here before" in told.output
    assert "the complaint is back" in told.output
    with stored(book) as store:
        first, second = (store.case(name).bodies(Linked) for name in ("c-0001", later))
        assert [(each.relation, each.case, each.complaint) for each in first] == [("later", later, "back")]
        assert [(each.relation, each.case, each.complaint) for each in second] == [("earlier", "c-0001", "back")]
        assert {(life.part, life.ended) for life in second[0].lives if life.cylinder == 4} == {("plug", True)}
    again = run("case", "link", "c-0001", later, "--casebook", book)
    assert "were linked before" in again.output
    with stored(book) as store:
        assert len(store.case("c-0001").bodies(Linked)) == 1

    shown = run("handover", "c-0001", "--casebook", book, "--json")
    facts = json.loads(shown.stdout)
    assert "came back" in facts["headline"]
    assert any("the car came back with it" in each["words"] for each in facts["against_closing"])


def test_a_return_in_which_nothing_is_counted_again_leaves_the_part_running(book: Path, tmp_path: Path) -> None:
    with stored(book) as store:
        ended_km = store.case("c-0001").car.distance_km
    later = later_case(book, ended_km + 9_000, 0, tmp_path)
    run("case", "link", "c-0001", later, "--casebook", book)
    with stored(book) as store:
        (link,) = store.case(later).bodies(Linked)
    assert link.complaint == "gone"
    assert not any(life.ended for life in link.lives)


@pytest.mark.parametrize(
    ("km", "model", "why"),
    [(1_000, "", "begins at 1,000 km"), (900_000, "Other", "the other a"), (0, "same", "one and the same case")],
)
def test_two_cases_that_cannot_be_one_car_are_not_linked(
    book: Path, tmp_path: Path, km: float, model: str, why: str
) -> None:
    later = "c-0001" if model == "same" else later_case(book, km, 0, tmp_path, model)
    told = run("case", "link", "c-0001", later, "--casebook", book)
    assert told.exit_code == CANNOT_BE_DONE
    assert why in " ".join(told.stderr.split())
    with stored(book) as store:
        assert store.case("c-0001").bodies(Linked) == ()
