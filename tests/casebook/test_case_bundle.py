"""A case out of one casebook and into another: whole, once, or not at all."""

from __future__ import annotations

import json
import os
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.casebook.case_values import MORNING, minute_clock, opened
from tests.casebook.test_case_store import tamper

import firstcause.casebook.bundle as bundle_module
from firstcause.casebook.blobs import NotKept
from firstcause.casebook.bundle import BadBundle, DamagedCase, Imported, export_case, import_case
from firstcause.casebook.events import Noted
from firstcause.casebook.people import Person
from firstcause.casebook.store import CaseStore, DifferentHistory
from firstcause.casebook.written import read_case
from firstcause.errors import CaseError


@pytest.fixture
def here(tmp_path: Path) -> Iterator[CaseStore]:
    with CaseStore(tmp_path / "here.db", clock=minute_clock()) as store:
        yield store


@pytest.fixture
def there(tmp_path: Path) -> Iterator[CaseStore]:
    with CaseStore(tmp_path / "there.db", clock=minute_clock()) as store:
        yield store


@pytest.fixture
def case_id(here: CaseStore) -> str:
    case_id = here.open_case(opened(), by="Ada", people={"owner": Person(name="Quirina Xylander")})
    here.append(case_id, Noted(words="Öl am Kerzenloch"), by="Ada")
    here.attach(case_id, b"photo" * 1000, "plug.jpg", "image/jpeg", by="Ada")
    return case_id


def files_of(store: CaseStore) -> list[Path]:
    return [file for file in store.blobs.folder.rglob("*") if file.is_file()]


def rewrite(source: Path, target: Path, change: dict[str, bytes | None]) -> Path:
    """The same zip with some files inside replaced, added or (None) left out."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        held = {name: old.read(name) for name in old.namelist()}
        for name, data in {**held, **change}.items():
            if data is not None:
                new.writestr(name, data)
    return target


def test_a_case_arrives_whole_with_its_seals_and_photos(
    tmp_path: Path, here: CaseStore, there: CaseStore, case_id: str
):
    there.open_case(opened("V6"), by="Bela")
    manifest = export_case(here, case_id, tmp_path / "case.zip")
    assert manifest.head == here.head(case_id)
    assert import_case(there, tmp_path / "case.zip") == Imported("c-0002", 3)
    assert there.links("c-0002") == here.links(case_id)
    assert there.check("c-0002").is_whole
    photo = there.case("c-0002").attachments[0]
    assert there.blobs.read(photo.sha256) == b"photo" * 1000
    assert there.people("c-0002") == {}


def test_people_travel_only_when_asked(tmp_path: Path, here: CaseStore, there: CaseStore, case_id: str):
    export_case(here, case_id, tmp_path / "case.zip")
    for name, data in ((n, zipfile.ZipFile(tmp_path / "case.zip").read(n)) for n in ("case.toml", "events.jsonl")):
        assert b"Xylander" not in data, name
    export_case(here, case_id, tmp_path / "with.zip", with_people=True)
    import_case(there, tmp_path / "with.zip")
    assert there.people(case_id)["owner"].name == "Quirina Xylander"
    there.forget_person(case_id, "owner")
    import_case(there, tmp_path / "with.zip")
    assert there.people(case_id) == {}


def test_the_copy_to_read_inside_is_the_case(tmp_path: Path, here: CaseStore, case_id: str):
    export_case(here, case_id, tmp_path / "case.zip")
    with zipfile.ZipFile(tmp_path / "case.zip") as bundle:
        text = bundle.read("case.toml").decode()
    assert read_case(text, at=MORNING).events == here.events(case_id)


def test_importing_twice_does_not_double_and_a_later_copy_brings_the_rest(
    tmp_path: Path, here: CaseStore, there: CaseStore, case_id: str
):
    early, late = tmp_path / "early.zip", tmp_path / "late.zip"
    export_case(here, case_id, early)
    assert import_case(there, early).new_events == 3
    assert import_case(there, early) == Imported(case_id, 0)
    here.append(case_id, Noted(words="later"), by="Ada")
    export_case(here, case_id, late)
    assert import_case(there, late) == Imported(case_id, 1)
    assert import_case(there, early) == Imported(case_id, 0)
    assert there.links(case_id) == here.links(case_id)
    assert len(there.cases()) == 1
    there.append(case_id, Noted(words="theirs"), by="Bela")
    here.append(case_id, Noted(words="ours"), by="Ada")
    export_case(here, case_id, late)
    with pytest.raises(DifferentHistory):
        import_case(there, late)


def test_the_same_case_gives_the_same_bytes(tmp_path: Path, here: CaseStore, case_id: str):
    for name in ("a.zip", "b.zip"):
        export_case(here, case_id, tmp_path / name)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_a_file_cut_anywhere_or_with_any_byte_changed_is_refused_whole(
    tmp_path: Path, here: CaseStore, there: CaseStore, case_id: str
):
    """Every eleventh length, and every seventh byte turned over: refused with nothing kept, or the very same case."""
    export_case(here, case_id, tmp_path / "case.zip")
    whole = (tmp_path / "case.zip").read_bytes()
    broken = tmp_path / "broken.zip"
    refusals = []
    variants = [whole[:length] for length in range(0, len(whole) - 1, 11)]
    variants += [whole[:n] + bytes([whole[n] ^ 0xFF]) + whole[n + 1 :] for n in range(0, len(whole), 7)]
    for data in variants:
        broken.write_bytes(data)
        try:
            import_case(there, broken)
        except CaseError as error:
            refusals.append(str(error))
        assert not there.cases() or there.links(case_id) == here.links(case_id)
    assert there.check(case_id).is_whole  # some changed bytes mean nothing, such as those of a date
    assert len(refusals) > 0.8 * len(variants)
    assert all("Nothing was taken in" in refusal for refusal in refusals)


def test_a_refused_file_leaves_nothing_behind(tmp_path: Path, here: CaseStore, there: CaseStore, case_id: str):
    export_case(here, case_id, tmp_path / "case.zip")
    with zipfile.ZipFile(tmp_path / "case.zip") as bundle:
        names = bundle.namelist()
        records = bundle.read("events.jsonl")
        manifest = json.loads(bundle.read("manifest.json"))
    blob = next(name for name in names if name.startswith("blobs/"))
    cases: list[tuple[dict[str, bytes | None], str]] = [
        ({"../evil.txt": b"x"}, "does not belong"),
        ({"/etc/evil": b"x"}, "does not belong"),
        ({"blobs/../../evil": b"x"}, "does not belong"),
        ({"case.toml\n": b"x"}, "does not belong"),
        ({"manifest.json": None}, "no manifest"),
        ({"events.jsonl": None}, "no events"),
        ({"manifest.json": b"{}"}, "manifest cannot be read"),
        ({"manifest.json": json.dumps({**manifest, "format": 2}).encode()}, "format 2"),
        ({"manifest.json": json.dumps({**manifest, "head": "0" * 64}).encode()}, "changed after"),
        ({"events.jsonl": records.replace(b"Kerzenloch", b"Kurzenloch")}, "changed after"),
        ({"events.jsonl": records[: len(records) // 2]}, "events"),
        ({"events.jsonl": b"\xff" + records}, "no text"),
        ({blob: None}, "missing"),
        ({blob: b"other"}, "not what its name says"),
        ({"blobs/" + "0" * 64: b"x"}, "no event speaks"),
        ({"people.json": b"[1]"}, "personal data"),
    ]
    for change, why in cases:
        with pytest.raises(BadBundle, match=why):
            import_case(there, rewrite(tmp_path / "case.zip", tmp_path / "changed.zip", change))
        assert there.cases() == ()
        assert files_of(there) == []
    assert not (tmp_path.parent / "evil.txt").exists()
    with pytest.raises(BadBundle, match="cannot be read"):
        import_case(there, tmp_path / "not there.zip")


def test_an_oversized_file_is_refused_before_it_is_unpacked(
    tmp_path: Path, here: CaseStore, there: CaseStore, case_id: str, monkeypatch: pytest.MonkeyPatch
):
    export_case(here, case_id, tmp_path / "case.zip")
    monkeypatch.setattr(bundle_module, "LARGEST_BYTES", 4000)
    with pytest.raises(BadBundle, match="unpacks to more"):
        import_case(there, tmp_path / "case.zip")
    monkeypatch.undo()
    monkeypatch.setattr(bundle_module, "LARGEST_TEXT_BYTES", 100)
    with pytest.raises(BadBundle, match="larger than"):
        import_case(there, tmp_path / "case.zip")
    assert there.cases() == ()


def test_an_export_that_the_disk_refuses_leaves_the_earlier_one(
    tmp_path: Path, here: CaseStore, case_id: str, monkeypatch: pytest.MonkeyPatch
):
    target = tmp_path / "out" / "case.zip"
    target.parent.mkdir()
    export_case(here, case_id, target)
    before = target.read_bytes()
    here.append(case_id, Noted(words="later"), by="Ada")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(NotKept, match="No space left"):
        export_case(here, case_id, target)
    assert target.read_bytes() == before
    assert list(target.parent.iterdir()) == [target]


def test_a_lost_photo_does_not_hold_back_the_rest_of_the_case(
    tmp_path: Path, here: CaseStore, there: CaseStore, case_id: str
):
    files_of(here)[0].unlink()
    manifest = export_case(here, case_id, tmp_path / "case.zip")
    import_case(there, tmp_path / "case.zip")
    assert there.check(case_id).lost_attachments == manifest.lost
    assert len(manifest.lost) == 1


def test_a_changed_record_is_not_exported_as_if_it_were_sound(tmp_path: Path, here: CaseStore, case_id: str):
    tamper(here.path, "UPDATE events SET record = replace(record, 'Kerzenloch', 'Kurzenloch') WHERE seq = 2")
    with pytest.raises(DamagedCase, match="e2"):
        export_case(here, case_id, tmp_path / "case.zip")
    assert not (tmp_path / "case.zip").exists()
