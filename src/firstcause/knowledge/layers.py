"""A shipped pack with a technician's own files laid over it: an own file goes before a shipped one of the same id."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from firstcause.errors import KnowledgeError
from firstcause.knowledge.schema import Cures, FaultEntry, RepairEntry, Shows, TestEntry

ENTRY_FOLDERS = ("faults", "tests", "repairs")


@dataclass(frozen=True)
class Layers:
    """The folder of a pack and, over it, the folder of own entries for that pack (None when there is none)."""

    shipped: Path
    own: Path | None = None

    @classmethod
    def of(cls, pack: str, folder: Path, own: Path | None) -> Layers:
        """The layers of a pack; `own` holds a folder named after the pack.

        Raises KnowledgeError when the folder of own entries is not there.
        """
        if own is not None and not own.is_dir():
            raise KnowledgeError(
                f"There is no folder {own} with own knowledge. Nothing was loaded. Make it with "
                "'firstcause knowledge new', or leave the setting out."
            )
        return cls(folder / pack, own / pack if own is not None and (own / pack).is_dir() else None)

    def entries(self, kind: str) -> list[Path]:
        """The files of faults, tests or repairs, shipped ones first; of an id that is in both, the own one only."""
        own = self._own(kind)
        stems = {file.stem for file in own}
        return [file for file in sorted((self.shipped / kind).rglob("*.toml")) if file.stem not in stems] + own

    def lists(self, name: str, *, optional: bool = False) -> list[Path]:
        """The files of a list such as parts.toml: shipped (an optional one only if it is there), then the own one."""
        shipped = self.shipped / name
        over = [] if self.own is None else [file for file in (self.own / name,) if file.exists()]
        return [shipped, *over] if shipped.exists() or not optional else over

    def files(self) -> Iterator[tuple[str, Path]]:
        """Every file with its name from the folder of its layer, as the hash takes them."""
        for mark, root in (("", self.shipped), ("own/", self.own)):
            for file in () if root is None else sorted(root.rglob("*.toml")):
                yield mark + file.relative_to(root or file).as_posix(), file

    def name_of(self, file: Path) -> Path:
        """A file as it is named to a reader: from the pack's folder, own ones under `own/`."""
        if self.own is not None and file.is_relative_to(self.own):
            return Path("own") / file.relative_to(self.own)
        return file.relative_to(self.shipped)

    def path_of(self, name: Path) -> Path:
        """The file behind such a name."""
        if self.own is not None and name.parts[:1] == ("own",):
            return self.own / Path(*name.parts[1:])
        return self.shipped / name

    def marks(self) -> dict[str, str]:
        """`faults/coil-dead` -> `own`, or `overrules` where the shipped pack has an entry of that id."""
        found = {}
        for kind in ENTRY_FOLDERS:
            shipped = {file.stem for file in (self.shipped / kind).rglob("*.toml")}
            for file in self._own(kind):
                found[f"{kind}/{file.stem}"] = "overrules" if file.stem in shipped else "own"
        return found

    def _own(self, kind: str) -> list[Path]:
        return [] if self.own is None else sorted((self.own / kind).rglob("*.toml"))


def told_from_the_other_side(
    faults: Mapping[str, FaultEntry], tests: Iterable[TestEntry], repairs: Mapping[str, RepairEntry]
) -> tuple[dict[str, FaultEntry], dict[str, RepairEntry]]:
    """Faults with what tests say of them under [[shown_by]], repairs with what faults say under [[cured_by]].

    So a test or a fault of one's own is one file. What the fault or repair says itself goes before; a name that is
    not there is left to the checker.
    """
    shown, cured = dict(faults), dict(repairs)
    for test in tests:
        for row in test.shown_by:
            fault = shown.get(row.fault)
            if fault is not None and all(shows.test != test.id for shows in fault.shows):
                block = Shows(test=test.id, outcomes=row.outcomes, basis=row.basis, why=row.why, source=row.source)
                shown[row.fault] = fault.model_copy(update={"shows": [*fault.shows, block]})
    for fault in faults.values():
        for link in fault.cured_by:
            repair = cured.get(link.repair)
            if repair is not None and all(cure.fault != fault.id for cure in repair.cures):
                cure = Cures(fault=fault.id, chance=link.chance, basis=link.basis, why=link.why, source=link.source)
                cured[link.repair] = repair.model_copy(update={"cures": [*repair.cures, cure]})
    return shown, cured
