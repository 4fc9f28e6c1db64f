"""Check a whole knowledge pack: every file against the schema, every entry against the others; all problems at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from firstcause.errors import KnowledgeError
from firstcause.knowledge.base import PARTS_FILE, BadEntry, read_toml
from firstcause.knowledge.complaints import complaints_of
from firstcause.knowledge.cross_checks import CROSS_CHECKS
from firstcause.knowledge.pack import Filed, Pack, Problem
from firstcause.knowledge.schema import (
    FILLER_WORDS,
    Access,
    Caution,
    FaultEntry,
    Model,
    PartKind,
    Question,
    RepairEntry,
    TestEntry,
    Triage,
)

T = TypeVar("T", bound=BaseModel)


def check_pack(folder: Path) -> list[Problem]:
    """Every problem of the pack in `folder` (which holds faults/, tests/, repairs/ and the lists), in order of files.

    An entry that cannot be read is reported once; what only follows from that is not reported as well.
    Raises KnowledgeError when there is no such folder.
    """
    if not folder.is_dir():
        raise KnowledgeError(f"There is no knowledge pack at {folder}. Nothing was checked. Name the folder of a pack.")
    problems: list[Problem] = []
    reader = _Reader(folder, problems)
    model = reader.single("model.toml", Model)
    pack = Pack(
        faults=reader.entries("faults", FaultEntry),
        tests=reader.entries("tests", TestEntry),
        repairs=reader.entries("repairs", RepairEntry),
        parts=reader.listed(PARTS_FILE, "part", PartKind) if (folder / PARTS_FILE).exists() else {},
        access=reader.listed("access.toml", "access", Access),
        questions=reader.listed("questions.toml", "question", Question),
        cautions=reader.listed("cautions.toml", "caution", Caution),
        triage=reader.listed("triage.toml", "triage", Triage),
        model=None if model is None else Filed(Path("model.toml"), "", model),
        unreadable={kind: frozenset(ids) for kind, ids in reader.unreadable.items()},
    )
    problems += reader.strays()
    for check in CROSS_CHECKS:
        problems += check(pack)
    return sorted(set(problems), key=lambda problem: (str(problem.file), problem.where, problem.message))


class _Reader:
    """Reads the files of a pack and keeps on after each complaint."""

    def __init__(self, root: Path, problems: list[Problem]) -> None:
        self.root, self.problems = root, problems
        self.seen: set[Path] = set()
        self.unreadable: defaultdict[str, set[str]] = defaultdict(set)

    def entries(self, folder: str, kind: type[T]) -> dict[str, Filed[T]]:
        """One entry a file; the file is named after the entry."""
        found: dict[str, Filed[T]] = {}
        for path in sorted((self.root / folder).rglob("*.toml")):
            entry = self.single(path.relative_to(self.root).as_posix(), kind)
            if entry is None:
                self.unreadable[folder].add(path.stem)
                continue
            file, name = path.relative_to(self.root), str(entry.id)  # type: ignore[attr-defined]
            if name != path.stem:
                self.problems.append(Problem(file, "id", f"the id is {name!r}, but the file is called {path.stem!r}"))
            if name in found:
                self.problems.append(Problem(file, "id", f"the id {name!r} is used by {found[name].file} as well"))
                continue
            found[name] = Filed(file, "", entry)
        return found

    def listed(self, name: str, key: str, kind: type[T]) -> dict[str, Filed[T]]:
        """Many entries in one file, under [[key]]."""
        found: dict[str, Filed[T]] = {}
        file = Path(name)
        raw = self._toml(file)
        for strange in sorted(set(raw) - {key}):
            self.problems.append(Problem(file, strange, f"only [[{key}]] stands in this file"))
        for number, item in enumerate(raw.get(key, []), start=1):
            where = f"{key}[{number}]"
            entry = self._valid(file, where, item, kind)
            if entry is None:
                self.unreadable[file.stem].add(str(item.get("id", "")) if isinstance(item, dict) else "")
                continue
            identifier = str(entry.id)  # type: ignore[attr-defined]
            if identifier in found:
                self.problems.append(Problem(file, where, f"the id {identifier!r} stands twice"))
            found[identifier] = Filed(file, where, entry)
        return found

    def single(self, name: str, kind: type[T]) -> T | None:
        """One file as one value; None when it cannot be read."""
        file = Path(name)
        raw = self._toml(file)
        return self._valid(file, "", raw, kind) if raw else None

    def strays(self) -> Iterator[Problem]:
        """TOML files that nobody reads."""
        for path in sorted(self.root.rglob("*.toml")):
            file = path.relative_to(self.root)
            if file not in self.seen:
                yield Problem(file, "the file", "nobody reads it here; entries stand under faults/, tests/ or repairs/")

    def _toml(self, file: Path) -> dict[str, Any]:
        self.seen.add(file)
        try:
            raw = read_toml(self.root / file)
        except BadEntry as error:
            self.problems += [Problem(file, "the file", complaint) for complaint in error.complaints]
            return {}
        if not raw:
            self.problems.append(Problem(file, "the file", "nothing stands in it"))
        for where, text in _fillers(raw):
            self.problems.append(Problem(file, where, f"{text!r} says nothing: leave it out or say it"))
        return raw

    def _valid(self, file: Path, where: str, raw: object, kind: type[T]) -> T | None:
        try:
            return kind.model_validate(raw)
        except ValidationError as error:
            for place, message in complaints_of(error, kind):
                inside = place if not where else where if place == "the entry" else f"{where}.{place}"
                self.problems.append(Problem(file, inside, message))
            return None


def _fillers(raw: object, where: str = "") -> Iterator[tuple[str, str]]:
    """Every text that is only a filler word, with its place; the schema itself refuses them in `why` and `source`."""
    if isinstance(raw, str):
        if raw.strip().lower() in FILLER_WORDS:
            yield where, raw
    elif isinstance(raw, dict):
        for key, value in raw.items():
            if key in ("why", "source"):
                continue
            yield from _fillers(value, f"{where}.{key}".removeprefix("."))
    elif isinstance(raw, list):
        for number, value in enumerate(raw, start=1):
            yield from _fillers(value, f"{where}[{number}]")
