"""A whole case as one file: events with their seals, photos and recordings, and a copy to read; out and in again."""

from __future__ import annotations

import hashlib
import json
import os
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError

from firstcause.casebook.blobs import CHUNK, NotKept, sync_folder
from firstcause.casebook.chain import Link, event_of, first_break, linked
from firstcause.casebook.events import Count, Strict
from firstcause.casebook.people import Person
from firstcause.casebook.store import CaseStore, attachments_of
from firstcause.casebook.written import write_case
from firstcause.errors import CaseError

FORMAT = 1
LARGEST_BYTES = 4 << 30  # unpacked, all together; a case with hours of recordings stays far below
LARGEST_TEXT_BYTES = 256 << 20
_EVENTS, _MANIFEST, _TEXT, _PEOPLE = "events.jsonl", "manifest.json", "case.toml", "people.json"
_ALLOWED = re.compile(r"(events\.jsonl|manifest\.json|case\.toml|people\.json|blobs/[0-9a-f]{64})")
_FIXED_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest a zip can hold: the same case gives the same bytes


class BadBundle(CaseError):
    """A case file to import is damaged, cut off, or not one of ours."""

    def __init__(self, name: str, why: str) -> None:
        self.name, self.why = name, why
        super().__init__(
            f"{name} was not imported: {why}. Nothing was taken in. Fetch the file again from where it came."
        )


class DamagedCase(CaseError):
    """A case to export does not hold together any more."""

    def __init__(self, case_id: str, event: str, why: str) -> None:
        self.case_id, self.event, self.why = case_id, event, why
        super().__init__(
            f"{case_id} was not exported: {event} does not hold, {why}. The case here is kept as it is. "
            "Import it from an earlier export, or write it out as text and compare."
        )


class Manifest(Strict):
    """What a bundle says about itself; `lost` are attachments that were gone already when it was made."""

    format: int
    case_id: Annotated[str, Field(pattern=r"^c-[0-9]{4,9}$")]
    title: str
    origin: str
    head: str
    events: Count
    lost: tuple[str, ...] = ()


@dataclass(frozen=True)
class Imported:
    """The id of the case here, and how many events were new; 0 when all of it was here already."""

    case_id: str
    new_events: int


def export_case(store: CaseStore, case_id: str, target: Path, *, with_people: bool = False) -> Manifest:
    """Write a case as one zip file; the file is whole or it is not there.

    Holds `events.jsonl` (the sealed records), `case.toml` (to read; not used by the import), `blobs/` and
    `manifest.json` with the head hash; `people.json` only when asked for. The same case gives the same bytes.

    Raises NoSuchCase, DamagedCase when a record here was changed, NotKept when the disk refuses.
    """
    links = store.links(case_id)
    broken = first_break(store.origin(case_id), links)
    if broken is not None:
        raise DamagedCase(case_id, broken.event, broken.why)
    events = tuple(event_of(link.record, f"e{n}") for n, link in enumerate(links, start=1))
    people = store.people(case_id) if with_people else {}
    attached = attachments_of(events)
    lost = tuple(sha256 for sha256 in attached if not store.blobs.is_whole(sha256))
    manifest = Manifest(
        format=FORMAT,
        case_id=case_id,
        title=next(line.title for line in store.cases() if line.case_id == case_id),
        origin=store.origin(case_id),
        head=links[-1].hash,
        events=len(links),
        lost=lost,
    )
    texts = {
        _MANIFEST: manifest.model_dump_json(indent=1) + "\n",
        _EVENTS: "".join(f"{link.record}\n" for link in links),
        _TEXT: write_case(events, people),
    }
    if with_people:
        texts[_PEOPLE] = json.dumps({ref: person.model_dump() for ref, person in people.items()}, ensure_ascii=False)
    try:
        handle, name = tempfile.mkstemp(prefix=".coming-", dir=target.parent)
    except OSError as error:
        raise NotKept(error) from error
    coming = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            with zipfile.ZipFile(file, "w") as bundle:
                for inside, text in texts.items():
                    bundle.writestr(_entry(inside), text.encode())
                for sha256 in attached:
                    if sha256 not in lost:
                        with bundle.open(_entry(f"blobs/{sha256}"), "w", force_zip64=True) as blob:
                            for chunk in store.blobs.chunks(sha256):
                                blob.write(chunk)
            file.flush()
            os.fsync(file.fileno())
        os.replace(coming, target)
        sync_folder(target.parent)
    except OSError as error:
        raise NotKept(error) from error
    finally:
        coming.unlink(missing_ok=True)
    return manifest


def import_case(store: CaseStore, source: Path) -> Imported:
    """Take in an exported case: all of it, or what is new of it, or nothing.

    Every seal, every attachment and the case itself are checked before the first byte is kept; attachments are on disk
    before the events are. The case keeps its id when that is free here. Importing twice changes nothing.

    Raises BadBundle for a damaged, cut, oversized or foreign file, DifferentHistory when the case went on differently
    here, an EventRefused when its events make no case.
    """
    try:
        with zipfile.ZipFile(source) as bundle:
            return _Import(bundle, source.name).into(store)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise BadBundle(source.name, f"it is damaged or cut off ({error})") from error
    except OSError as error:
        raise BadBundle(source.name, f"it cannot be read ({error.strerror or error})") from error


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _FIXED_TIME)
    entry.compress_type = zipfile.ZIP_STORED if name.startswith("blobs/") else zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    return entry


class _Import:
    """One bundle, checked to the last byte before anything of it is kept."""

    def __init__(self, bundle: zipfile.ZipFile, name: str) -> None:
        self._bundle, self._name = bundle, name

    def into(self, store: CaseStore) -> Imported:
        self._check_names()
        manifest = self._manifest()
        links = self._links(manifest)
        self._check_attachments(manifest, links)
        people = self._people()
        here = store.find_origin(manifest.origin)
        before = 0 if here is None else len(store.links(here))
        for name in self._blobs():
            kept = store.blobs.keep(self._chunks(name))
            if kept.sha256 != name.removeprefix("blobs/"):
                raise BadBundle(self._name, f"{name} is not what its name says")
        case_id = store.adopt_records([link.record for link in links], manifest.origin, people, manifest.case_id)
        return Imported(case_id, max(len(links) - before, 0))

    def _check_names(self) -> None:
        names = [entry.filename for entry in self._bundle.infolist()]
        for name in names:
            if not _ALLOWED.fullmatch(name):
                raise BadBundle(self._name, f"it holds {name!r}, which does not belong into a case")
        if len(set(names)) != len(names):
            raise BadBundle(self._name, "it holds a name twice")
        if sum(entry.file_size for entry in self._bundle.infolist()) > LARGEST_BYTES:
            raise BadBundle(self._name, f"it unpacks to more than {LARGEST_BYTES >> 30} GiB")
        for name in (_MANIFEST, _EVENTS):
            if name not in names:
                raise BadBundle(self._name, f"it has no {name}")

    def _manifest(self) -> Manifest:
        try:
            manifest = Manifest.model_validate_json(self._text(_MANIFEST))
        except ValidationError as error:
            raise BadBundle(self._name, "its manifest cannot be read") from error
        if manifest.format != FORMAT:
            why = f"it is of format {manifest.format}, and this tool reads format {FORMAT}"
            raise BadBundle(self._name, why)
        return manifest

    def _links(self, manifest: Manifest) -> tuple[Link, ...]:
        records = self._text(_EVENTS).split("\n")
        if records.pop() != "" or len(records) != manifest.events:
            raise BadBundle(self._name, f"its manifest says {manifest.events} events, {len(records)} are there")
        links = tuple(linked(manifest.origin, records))
        broken = first_break(manifest.origin, links)
        if broken is not None:
            raise BadBundle(self._name, f"{broken.event} cannot stand: {broken.why}")
        if not links or links[-1].hash != manifest.head:
            raise BadBundle(self._name, "its events were changed after they were sealed")
        return links

    def _check_attachments(self, manifest: Manifest, links: tuple[Link, ...]) -> None:
        attached = set(attachments_of(event_of(link.record, "") for link in links))
        held = {name.removeprefix("blobs/") for name in self._blobs()}
        missing = attached - held - set(manifest.lost)
        if missing:
            raise BadBundle(self._name, f"the attachment {min(missing)[:12]}… is missing")
        if held - attached:
            raise BadBundle(self._name, f"no event speaks of its file {min(held - attached)[:12]}…")
        for name in self._blobs():
            digest = hashlib.sha256()
            for chunk in self._chunks(name):
                digest.update(chunk)
            if digest.hexdigest() != name.removeprefix("blobs/"):
                raise BadBundle(self._name, f"{name} is not what its name says")

    def _people(self) -> dict[str, Person]:
        if _PEOPLE not in self._bundle.namelist():
            return {}
        try:
            return {ref: Person.model_validate(data) for ref, data in json.loads(self._text(_PEOPLE)).items()}
        except (ValueError, AttributeError) as error:
            raise BadBundle(self._name, "its personal data cannot be read") from error

    def _blobs(self) -> list[str]:
        return [name for name in self._bundle.namelist() if name.startswith("blobs/")]

    def _text(self, name: str) -> str:
        if self._bundle.getinfo(name).file_size > LARGEST_TEXT_BYTES:
            raise BadBundle(self._name, f"{name} is larger than {LARGEST_TEXT_BYTES >> 20} MiB")
        try:
            return b"".join(self._chunks(name)).decode()
        except UnicodeDecodeError as error:
            raise BadBundle(self._name, f"{name} is no text") from error

    def _chunks(self, name: str) -> Iterator[bytes]:
        """The bytes of one file inside, never more than it announced."""
        left = self._bundle.getinfo(name).file_size
        with self._bundle.open(name) as file:
            while chunk := file.read(CHUNK):
                left -= len(chunk)
                if left < 0:
                    raise BadBundle(self._name, f"{name} is larger than it says")
                yield chunk
