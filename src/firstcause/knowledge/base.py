"""The knowledge base as one value: every entry of every pack, read from its files."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from firstcause.errors import KnowledgeError
from firstcause.knowledge.complaints import complaints_of
from firstcause.knowledge.ground import Fitted
from firstcause.knowledge.layers import Layers, told_from_the_other_side
from firstcause.knowledge.model_numbers import Model
from firstcause.knowledge.schema import (
    Access,
    Caution,
    FaultEntry,
    PartKind,
    Question,
    RepairEntry,
    Shows,
    TestEntry,
    Triage,
)
from firstcause.knowledge.templates import gaps_in
from firstcause.vehicle.layout import EngineLayout

PACKS_FOLDER = Path(__file__).parent / "data"
PARTS_FILE = "parts.toml"  # the one file that a pack may do without: nothing in it can be moved or swapped
T = TypeVar("T", bound=BaseModel)


class BadEntry(KnowledgeError):
    """One knowledge file cannot be used; every complaint about it is listed."""

    def __init__(self, file: Path, complaints: list[str]) -> None:
        self.file, self.complaints = file, complaints
        super().__init__(
            f"{file.name} cannot be used: {'; '.join(complaints)}. "
            "Nothing was loaded from it. Correct the file and run 'firstcause knowledge check'."
        )


@dataclass(frozen=True)
class Knowledge:
    """All entries by id, and the hash of the files they came from."""

    pack: str
    faults: Mapping[str, FaultEntry]
    tests: Mapping[str, TestEntry]
    repairs: Mapping[str, RepairEntry]
    parts: Mapping[str, PartKind]
    access: Mapping[str, Access]
    questions: Mapping[str, Question]
    cautions: Mapping[str, Caution]
    triage: Mapping[str, Triage]
    model: Model
    version: str
    marks: Mapping[str, str] = field(default_factory=dict)
    """`faults/coil-dead` -> `own` or `overrules`, for the entries of a technician's own folder."""

    @cached_property
    def worked_out(self) -> dict[tuple[str, str], Any]:
        """What is worked out of these entries once and looked up after, by what it is and whom it is about."""
        return {}


def fits(fitted: Fitted, layout: EngineLayout) -> bool:
    """Whether an engine of this layout has the thing."""
    return all(not allowed or getattr(layout, key) in allowed for key, allowed in fitted)


def on_engine(knowledge: Knowledge, layout: EngineLayout) -> Knowledge:
    """The same knowledge for an engine of this layout: of what is said for engines built one way or another, its own.

    A block that is for such engines goes before the block for all; after this no block names its engines any more.
    """
    key = ("on engine", repr(layout))
    if key not in knowledge.worked_out:
        special = {
            f.id: f
            for f in knowledge.faults.values()
            if f.behaviour_where or any(shows.fitted.says_something() for shows in f.shows)
        }
        chosen = {name: _on_engine(fault, layout) for name, fault in special.items()}
        faults = MappingProxyType({**knowledge.faults, **chosen})
        knowledge.worked_out[key] = replace(knowledge, faults=faults) if special else knowledge
    found: Knowledge = knowledge.worked_out[key]
    return found


def _on_engine(fault: FaultEntry, layout: EngineLayout) -> FaultEntry:
    own: dict[str, Shows] = {}
    for shows in sorted(fault.shows, key=lambda shows: shows.fitted.says_something()):
        if fits(shows.fitted, layout):
            own[shows.test] = shows.model_copy(update={"fitted": Fitted()})
    behaviour = next((b for b in fault.behaviour_where if fits(b.fitted, layout)), fault.behaviour)
    return fault.model_copy(update={"shows": list(own.values()), "behaviour": behaviour, "behaviour_where": []})


def pack_names(folder: Path = PACKS_FOLDER) -> tuple[str, ...]:
    """The packs that stand in a folder, in order of the alphabet."""
    return tuple(sorted(found.parent.name for found in folder.glob("*/model.toml")))


def load(pack: str = "misfire", folder: Path = PACKS_FOLDER, own: Path | None = None) -> Knowledge:
    """Read one pack of the knowledge base, with a technician's own files over it.

    `own` is a folder that holds a folder named after the pack, laid out like a pack; an entry there goes before a
    shipped one of the same id, and one that is withdrawn there is gone.

    Raises BadEntry for the first file that cannot be used, KnowledgeError when the pack or the folder is not there.
    """
    if not (folder / pack).is_dir():
        known = ", ".join(pack_names(folder)) or "none"
        why = f"There is no knowledge pack {pack!r} in {folder.name}/, only {known}"
        raise KnowledgeError(f"{why}. Nothing was loaded.")
    layers = Layers.of(pack, folder, own)
    digest = hashlib.sha256()
    for name, file in layers.files():
        digest.update(name.encode() + b"\0" + file.read_bytes() + b"\0")
    tests = _entries(layers.entries("tests"), TestEntry)
    faults, repairs = told_from_the_other_side(
        _entries(layers.entries("faults"), FaultEntry), tests.values(), _entries(layers.entries("repairs"), RepairEntry)
    )
    return Knowledge(
        pack=pack,
        faults=MappingProxyType(faults),
        tests=tests,
        repairs=MappingProxyType(repairs),
        parts=_listed(layers.lists(PARTS_FILE, optional=True), "part", PartKind),
        access=_listed(layers.lists("access.toml"), "access", Access),
        questions=_listed(layers.lists("questions.toml"), "question", Question),
        cautions=_listed(layers.lists("cautions.toml"), "caution", Caution),
        triage=_listed(layers.lists("triage.toml"), "triage", Triage),
        model=read_as(layers.lists("model.toml")[-1], Model),
        version=digest.hexdigest()[:16],
        marks=MappingProxyType(layers.marks()),
    )


def read_toml(file: Path) -> dict[str, Any]:
    """One TOML file; raises BadEntry when it is missing or not TOML."""
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise BadEntry(file, ["the file is not there"]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadEntry(file, [f"not readable as TOML ({error})"]) from error


def read_as(file: Path, kind: type[T]) -> T:
    """One TOML file as one value of the schema; raises BadEntry with every complaint at once."""
    return _validated(file, kind, read_toml(file))


def _validated(file: Path, kind: type[T], raw: object) -> T:
    if gaps := [f"{where} {what}" for where, what in gaps_in(raw)]:
        raise BadEntry(file, gaps)
    try:
        return kind.model_validate(raw)
    except ValidationError as error:
        raise BadEntry(file, [f"{where}: {what}" for where, what in complaints_of(error, kind)]) from error


def _entries(files: Sequence[Path], kind: type[T]) -> Mapping[str, T]:
    found: dict[str, T] = {}
    for file in files:
        entry = read_as(file, kind)
        identifier = entry.id  # type: ignore[attr-defined]
        if identifier != file.stem:
            raise BadEntry(file, [f"its id is {identifier!r}; an entry has the name of its file"])
        if identifier in found:
            raise BadEntry(file, [f"the id {identifier!r} is used by another file"])
        if entry.status != "withdrawn":  # type: ignore[attr-defined]
            found[identifier] = entry
    return MappingProxyType(found)


def _listed(files: Sequence[Path], key: str, kind: type[T]) -> Mapping[str, T]:
    found: dict[str, T] = {}
    for file in files:
        raw = read_toml(file)
        strange = set(raw) - {key}
        if strange:
            raise BadEntry(file, [f"unexpected key(s) {', '.join(sorted(strange))}; only [[{key}]] stands here"])
        values = [_validated(file, kind, item) for item in raw.get(key, [])]
        found |= {value.id: value for value in values}  # type: ignore[attr-defined]
    return MappingProxyType(found)
