"""What the checker works on: entries with the file they came from, and a problem with its place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel

from firstcause.knowledge.model_numbers import Model
from firstcause.knowledge.schema import Access, Caution, FaultEntry, PartKind, Question, RepairEntry, TestEntry, Triage

T = TypeVar("T", bound=BaseModel, covariant=True)


@dataclass(frozen=True, slots=True)
class Problem:
    """One complaint: the file (from the pack's folder), the place in it, one sentence; the line where it was found."""

    file: Path
    where: str
    message: str
    line: int | None = field(default=None, compare=False)

    def __str__(self) -> str:
        return f"{self.file.as_posix()}: {self.where}: {self.message}"

    def with_line(self) -> str:
        """The same with the line after the file, as editors take it: `faults/coil-dead.toml:12: …`."""
        at = "" if self.line is None else f":{self.line}"
        return f"{self.file.as_posix()}{at}: {self.where}: {self.message}"


@dataclass(frozen=True, slots=True)
class Filed(Generic[T]):
    """An entry, its file, and its place in that file (empty when it is the whole file)."""

    file: Path
    place: str
    entry: T

    def problem(self, where: str, message: str) -> Problem:
        """A complaint about this entry."""
        return Problem(self.file, f"{self.place}.{where}".removeprefix("."), message)


@dataclass(frozen=True)
class Pack:
    """All readable entries of a pack, withdrawn ones too; `unreadable`: by kind, the ids that failed by themselves."""

    faults: Mapping[str, Filed[FaultEntry]]
    tests: Mapping[str, Filed[TestEntry]]
    repairs: Mapping[str, Filed[RepairEntry]]
    parts: Mapping[str, Filed[PartKind]]
    access: Mapping[str, Filed[Access]]
    questions: Mapping[str, Filed[Question]]
    cautions: Mapping[str, Filed[Caution]]
    triage: Mapping[str, Filed[Triage]]
    model: Filed[Model] | None
    unreadable: Mapping[str, frozenset[str]]
