"""Real public records (US government work, samples of 2014) taken in, refreshed, searched; damaged lines set aside."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from firstcause.bulletins import store as store_module
from firstcause.bulletins.records import Damaged
from firstcause.bulletins.store import Collection
from firstcause.errors import RequestError

DATA = Path(__file__).parent.parent / "data" / "recalls"
RECALLS, BULLETINS = DATA / "recalls.sample.txt", DATA / "service_bulletins.sample.txt"
TODAY = date(2026, 11, 25)


@pytest.fixture
def collection(tmp_path: Path) -> Collection:
    return Collection(tmp_path / "public.sqlite")


def test_every_line_of_the_real_files_is_a_record_or_set_aside(collection: Collection) -> None:
    for path, kind in ((RECALLS, "recall"), (BULLETINS, "bulletin")):
        lines = sum(1 for line in path.read_bytes().splitlines() if line.strip())
        before = len(collection)
        told = collection.take_in(path, kind, TODAY)  # type: ignore[arg-type]
        assert told.new + told.changed + told.set_aside == lines
        assert told.changed == 0
        assert len(collection) - before == told.new
        assert told.set_aside == 0, collection.set_aside()


def test_the_first_real_recall_reads_as_it_stands(collection: Collection) -> None:
    """Typed from the file by hand: record 1, campaign 02V288000."""
    collection.take_in(RECALLS, "recall", TODAY)
    first = next(each for each in collection.of_car("ford", "focus") if each.key == "1")
    assert first.number == "02V288000"
    assert first.years == (2001, 2001)
    assert first.component == "ELECTRICAL SYSTEM:BATTERY:CABLES"
    assert first.built == (date(1999, 7, 19), date(2001, 5, 31))
    assert first.units == 291_854
    assert first.published == date(2002, 11, 6)
    assert first.text.startswith("CERTAIN PASSENGER VEHICLES EQUIPPED WITH ZETEC ENGINES")
    assert '"CHECK ENGINE" LIGHT' in first.text, "bare quotes mean nothing in this form"


def test_year_9999_is_no_year(collection: Collection) -> None:
    collection.take_in(BULLETINS, "bulletin", TODAY)
    chain = next(each for each in collection.of_car("MERCEDES BENZ", "300") if each.number == "05/91")
    assert chain.years is None
    assert "STRETCHED TIMING CHAIN" in chain.text


def test_a_refresh_doubles_nothing_and_renews_what_changed(collection: Collection, tmp_path: Path) -> None:
    collection.take_in(RECALLS, "recall", TODAY)
    count = len(collection)
    assert collection.take_in(RECALLS, "recall", TODAY).known_already
    lines = RECALLS.read_bytes().split(b"\r\n" if b"\r\n" in RECALLS.read_bytes() else b"\n")
    lines[0] = lines[0].replace(b"291854", b"291900")
    newer = tmp_path / "newer.txt"
    newer.write_bytes(b"\n".join([*lines[:-1], lines[0].replace(b"1\t", b"999999\t", 1)]) + b"\n")
    told = collection.take_in(newer, "recall", TODAY)
    assert (told.new, told.changed) == (1, 1)
    assert len(collection) == count + 1
    assert next(each for each in collection.of_car("FORD", "FOCUS") if each.key == "1").units == 291_900


def test_damaged_lines_are_kept_with_their_reason(collection: Collection, tmp_path: Path) -> None:
    good = RECALLS.read_text("cp1252").splitlines()[0]
    cells = good.split("\t")
    short = "\t".join(cells[:7])
    bad_day = "\t".join([*cells[:8], "20011399", *cells[9:]])
    bad_year = "\t".join([*cells[:4], "20O1", *cells[5:]])
    path = tmp_path / "damaged.txt"
    path.write_text("\n".join([short, good, bad_day, bad_year, ""]), "utf-8")
    told = collection.take_in(path, "recall", TODAY)
    assert (told.new, told.set_aside) == (1, 3)
    assert collection.set_aside() == [
        ("damaged.txt", Damaged(1, "7 fields where 24 to 29 belong", short)),
        ("damaged.txt", Damaged(3, "begin of manufacture '20011399' is no date", bad_day)),
        ("damaged.txt", Damaged(4, "year '20O1' is no whole number", bad_year)),
    ]


def test_a_kill_in_the_middle_goes_on_where_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, collection: Collection
) -> None:
    """The process dies after the second batch: what was read stays, and the same call reads only the rest."""
    monkeypatch.setattr(store_module, "BATCH", 20)

    class Killed(BaseException):
        pass

    seen = []

    def dies(done: int, _: int) -> None:
        seen.append(done)
        if len(seen) == 2:
            raise Killed

    with pytest.raises(Killed):
        collection.take_in(RECALLS, "recall", TODAY, dies)
    assert len(collection) == 40
    collection.close()
    with Collection(tmp_path / "public.sqlite") as again:
        told = again.take_in(RECALLS, "recall", TODAY)
        assert told.lines == 58
        assert len(again) == 98
        assert again.search("battery cables")


def test_search_finds_words_from_their_start_and_narrows_by_component(collection: Collection) -> None:
    collection.take_in(RECALLS, "recall", TODAY)
    collection.take_in(BULLETINS, "bulletin", TODAY)
    hits = collection.search("stretch timing chain")
    assert [hit.record.number for hit in hits] == ["05/91"]
    assert "[STRETCHED]" in hits[0].excerpt
    assert collection.search("stretch timing chain", component="brakes") == []
    assert all(hit.record.kind == "recall" for hit in collection.search("fire", kind="recall"))
    assert collection.search("") == []
    assert collection.search('"*; drop table record') == []
    assert len(collection) > 100


def test_a_plain_table_of_another_country(collection: Collection, tmp_path: Path) -> None:
    path = tmp_path / "notices.csv"
    path.write_text(
        "\ufeffkind;number;make;model;year_from;year_to;engine;component;text;published;until;until_km\n"
        "recall;R-1;Norvik;Halden;2014;2017;NK20;Ignition;Coil may crack; misfire;2018-03-01;;\n"
        'bulletin;B-7;Norvik;Halden;2014;2017;NK20;Ignition;"Coil may crack; misfire";2018-03-01;2026-01-31;160000\n'
        "rumour;B-8;Norvik;Halden;2014;2017;NK20;Ignition;Something;;;\n",
        "utf-8",
    )
    told = collection.take_in(path, None, TODAY)
    assert (told.new, told.set_aside) == (1, 2)
    assert [bad.why for _, bad in collection.set_aside()] == [
        "13 cells under 12 headings",
        "kind 'rumour' is none of recall, bulletin, complaint, investigation",
    ]
    (found,) = collection.of_car("norvik", "halden")
    assert (found.years, found.engine) == ((2014, 2017), "NK20")
    assert (found.until, found.until_km) == (date(2026, 1, 31), 160_000.0)


def test_a_table_without_its_headings_is_refused_whole(collection: Collection, tmp_path: Path) -> None:
    path = tmp_path / "no_heading.csv"
    path.write_text("recall,R-1,Norvik,Halden,Coil may crack\n", "utf-8")
    with pytest.raises(RequestError, match="has no column kind, number, make, model, text"):
        collection.take_in(path, None, TODAY)
    assert len(collection) == 0


def flat(count: int, filled: dict[int, str]) -> str:
    """A line of a flat file with these cells, counted from 1 as the layouts do."""
    return "\t".join(filled.get(at, "") for at in range(1, count + 1))


def test_complaints_and_investigations_are_read_by_their_layouts(collection: Collection, tmp_path: Path) -> None:
    """The regulator's layouts of its complaint file (49 fields) and its investigation file (11 fields), from memory.

    No real sample was at hand: the lines are invented, the numbers of the fields are not checked from outside.
    """
    said = {1: "77", 2: "1055123", 4: "NORVIK", 5: "HALDEN", 6: "2016", 8: "20190301", 12: "ENGINE", 18: "52000",
            20: "IT MISFIRES WHEN COLD."}  # fmt: skip
    complaints, inquiries = tmp_path / "complaints.txt", tmp_path / "inquiries.txt"
    complaints.write_text(flat(49, said) + "\n" + flat(49, said | {1: "78", 18: "far"}) + "\n", "utf-8")
    asked = {1: "PE19001", 2: "NORVIK", 3: "HALDEN", 4: "2016", 5: "ENGINE", 7: "20190415", 10: "STALLING",
             11: "LOSS OF POWER"}  # fmt: skip
    inquiries.write_text(flat(11, asked) + "\n", "utf-8")

    told = collection.take_in(complaints, "complaint", TODAY)
    collection.take_in(inquiries, "investigation", TODAY)

    assert (told.new, told.set_aside) == (1, 1)
    by_kind = {record.kind: record for record in collection.of_car("NORVIK", "HALDEN")}
    complaint, inquiry = by_kind["complaint"], by_kind["investigation"]
    assert (complaint.number, complaint.published) == ("1055123", date(2019, 3, 1))
    assert complaint.distance_km == pytest.approx(52_000 * 1.609344)
    assert (inquiry.number, inquiry.text) == ("PE19001", "STALLING LOSS OF POWER")
    assert collection.complaints_by_year("NORVIK", "HALDEN") == {2016: 1}
