"""Check a whole knowledge pack: every file against the schema, every entry against the others; all problems at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from firstcause.errors import KnowledgeError
from firstcause.knowledge.base import PARTS_FILE, BadEntry, read_toml
from firstcause.knowledge.complaints import complaints_of
from firstcause.knowledge.cross_checks import CROSS_CHECKS
from firstcause.knowledge.ground import FILLER_WORDS
from firstcause.knowledge.layers import Layers, told_from_the_other_side
from firstcause.knowledge.lines import line_in_message, line_of
from firstcause.knowledge.model_numbers import Model
from firstcause.knowledge.pack import Filed, Pack, Problem
from firstcause.knowledge.schema import Access, Caution, FaultEntry, PartKind, Question, RepairEntry, TestEntry, Triage
from firstcause.knowledge.templates import gaps_in

T = TypeVar("T", bound=BaseModel)


def check_pack(folder: Path, own: Path | None = None) -> list[Problem]:
    """Every problem of the pack in `folder` (which holds faults/, tests/, repairs/ and the lists), in order of files.

    `own`: a folder with a technician's own files of this pack; they are named under `own/`. An entry that cannot be
    read is reported once; what only follows from that is not reported as well.
    Raises KnowledgeError when there is no such folder.
    """
    if not folder.is_dir():
        raise KnowledgeError(f"There is no knowledge pack at {folder}. Nothing was checked. Name the folder of a pack.")
    problems: list[Problem] = []
    reader = _Reader(Layers(folder, own), problems)
    model = reader.single(reader.layers.lists("model.toml")[-1], Model)
    faults, tests = reader.entries("faults", FaultEntry), reader.entries("tests", TestEntry)
    repairs = reader.entries("repairs", RepairEntry)
    problems += other_side_known(faults, tests, repairs)
    shown, cured = told_from_the_other_side(
        {name: filed.entry for name, filed in faults.items()},
        [filed.entry for filed in tests.values()],
        {name: filed.entry for name, filed in repairs.items()},
    )
    pack = Pack(
        faults={name: Filed(filed.file, filed.place, shown[name]) for name, filed in faults.items()},
        tests=tests,
        repairs={name: Filed(filed.file, filed.place, cured[name]) for name, filed in repairs.items()},
        parts=reader.listed(PARTS_FILE, "part", PartKind, optional=True),
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
    found = sorted(set(problems), key=lambda problem: (str(problem.file), problem.where, problem.message))
    return [replace(problem, line=_line(reader.layers.path_of(problem.file), problem)) for problem in found]


def _line(path: Path, problem: Problem) -> int | None:
    said = line_in_message(problem.message) if problem.where == "the file" else None
    try:
        return said or line_of(path.read_text(encoding="utf-8"), problem.where)
    except (OSError, UnicodeDecodeError):
        return None


def other_side_known(
    faults: Mapping[str, Filed[FaultEntry]],
    tests: Mapping[str, Filed[TestEntry]],
    repairs: Mapping[str, Filed[RepairEntry]],
) -> Iterator[Problem]:
    """What [[shown_by]] and [[cured_by]] name is there and says nothing of it itself; the outcomes are the test's."""
    for test in tests.values():
        ids = {outcome.id for outcome in test.entry.outcomes}
        for n, row in enumerate(test.entry.shown_by, start=1):
            where, fault = f"shown_by[{n}]", faults.get(row.fault)
            if fault is None:
                yield test.problem(where, f"there is no fault {row.fault!r}")
            elif any(shows.test == test.entry.id for shows in fault.entry.shows):
                yield test.problem(where, f"{row.fault!r} says itself what it shows here; change it there")
            for strange in sorted(set(row.outcomes) - ids):
                yield test.problem(where, f"the test has no outcome {strange!r}; it has {', '.join(sorted(ids))}")
            if sum(row.outcomes.values()) > 1.0 + 1e-6:
                yield test.problem(where, "the outcomes add up to more than 1")
    for filed in faults.values():
        for n, link in enumerate(filed.entry.cured_by, start=1):
            if link.repair not in repairs:
                yield filed.problem(f"cured_by[{n}]", f"there is no repair {link.repair!r}")


class _Reader:
    """Reads the files of a pack and keeps on after each complaint."""

    def __init__(self, layers: Layers, problems: list[Problem]) -> None:
        self.layers, self.problems = layers, problems
        self.seen: set[Path] = set()
        self.unreadable: defaultdict[str, set[str]] = defaultdict(set)

    def entries(self, folder: str, kind: type[T]) -> dict[str, Filed[T]]:
        """One entry a file; the file is named after the entry."""
        found: dict[str, Filed[T]] = {}
        for path in self.layers.entries(folder):
            entry = self.single(path, kind)
            if entry is None:
                self.unreadable[folder].add(path.stem)
                continue
            file, name = self.layers.name_of(path), str(entry.id)  # type: ignore[attr-defined]
            if name != path.stem:
                self.problems.append(Problem(file, "id", f"the id is {name!r}, but the file is called {path.stem!r}"))
            if name in found:
                self.problems.append(Problem(file, "id", f"the id {name!r} is used by {found[name].file} as well"))
                continue
            found[name] = Filed(file, "", entry)
        return found

    def listed(self, name: str, key: str, kind: type[T], *, optional: bool = False) -> dict[str, Filed[T]]:
        """Many entries in one file, under [[key]]; own ones go before shipped ones of the same id."""
        found: dict[str, Filed[T]] = {}
        for path in self.layers.lists(name, optional=optional):
            found |= self._one_list(path, key, kind)
        return found

    def _one_list(self, path: Path, key: str, kind: type[T]) -> dict[str, Filed[T]]:
        found: dict[str, Filed[T]] = {}
        file = self.layers.name_of(path)
        raw = self._toml(path)
        for strange in sorted(set(raw) - {key}):
            self.problems.append(Problem(file, strange, f"only [[{key}]] stands in this file"))
        for number, item in enumerate(raw.get(key, []), start=1):
            where = f"{key}[{number}]"
            entry = self._valid(file, where, item, kind)
            if entry is None:
                self.unreadable[path.stem].add(str(item.get("id", "")) if isinstance(item, dict) else "")
                continue
            identifier = str(entry.id)  # type: ignore[attr-defined]
            if identifier in found:
                self.problems.append(Problem(file, where, f"the id {identifier!r} stands twice"))
            found[identifier] = Filed(file, where, entry)
        return found

    def single(self, path: Path, kind: type[T]) -> T | None:
        """One file as one value; None when it cannot be read."""
        raw = self._toml(path)
        return self._valid(self.layers.name_of(path), "", raw, kind) if raw else None

    def strays(self) -> Iterator[Problem]:
        """TOML files that nobody reads; a shipped file that an own one overrules is read by nobody on purpose."""
        overruled = {name for name, mark in self.layers.marks().items() if mark == "overrules"}
        for _, path in self.layers.files():
            name = self.layers.name_of(path)
            kind = f"{name.parts[0]}/{path.stem}"
            if path not in self.seen and kind not in overruled and name.name != "model.toml":
                yield Problem(name, "the file", "nobody reads it here; entries stand under faults/, tests/ or repairs/")

    def _toml(self, path: Path) -> dict[str, Any]:
        self.seen.add(path)
        file = self.layers.name_of(path)
        try:
            raw = read_toml(path)
        except BadEntry as error:
            self.problems += [Problem(file, "the file", complaint) for complaint in error.complaints]
            return {}
        if not raw:
            self.problems.append(Problem(file, "the file", "nothing stands in it"))
        for where, text in _fillers(raw):
            self.problems.append(Problem(file, where, f"{text!r} says nothing: leave it out or say it"))
        return raw

    def _valid(self, file: Path, where: str, raw: object, kind: type[T]) -> T | None:
        gaps = [Problem(file, place, message) for place, message in gaps_in(raw, where)]
        if gaps:  # what else is wrong with the file is told when it is filled in
            self.problems += gaps
            return None
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
