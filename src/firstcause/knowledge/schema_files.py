"""JSON Schemas of the knowledge files, made from the Python types and kept beside the data for editors."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from firstcause.knowledge.base import PACKS_FOLDER
from firstcause.knowledge.model_numbers import Model
from firstcause.knowledge.schema import Access, Caution, FaultEntry, PartKind, Question, RepairEntry, TestEntry, Triage

SCHEMA_FOLDER = PACKS_FOLDER / "schema"
_ONE_A_FILE: Mapping[str, type[BaseModel]] = {
    "fault": FaultEntry,
    "test": TestEntry,
    "repair": RepairEntry,
    "model": Model,
}
# file -> (key of its [[tables]], what each of them is)
_LISTS: Mapping[str, tuple[str, type[BaseModel]]] = {
    "parts": ("part", PartKind),
    "access": ("access", Access),
    "questions": ("question", Question),
    "cautions": ("caution", Caution),
    "triage": ("triage", Triage),
}
_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_texts() -> dict[str, str]:
    """File name -> JSON Schema text, as it must stand in `data/schema/`."""
    schemas = {name: kind.model_json_schema() for name, kind in _ONE_A_FILE.items()}
    schemas |= {name: _list_schema(key, kind) for name, (key, kind) in _LISTS.items()}
    return {
        f"{name}.json": json.dumps({"$schema": _DIALECT, **schema}, indent=1, ensure_ascii=False) + "\n"
        for name, schema in schemas.items()
    }


def write_schemas(folder: Path = SCHEMA_FOLDER) -> list[Path]:
    """Write every schema into `folder`; returns the files written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, text in schema_texts().items():
        (folder / name).write_text(text, encoding="utf-8")
        written.append(folder / name)
    return written


def _list_schema(key: str, kind: type[BaseModel]) -> dict[str, Any]:
    """A file in which only [[key]] tables stand."""
    entry = kind.model_json_schema(ref_template="#/$defs/{model}")
    defs = {**entry.pop("$defs", {}), kind.__name__: entry}
    return {
        "type": "object",
        "additionalProperties": False,
        "properties": {key: {"type": "array", "items": {"$ref": f"#/$defs/{kind.__name__}"}}},
        "$defs": defs,
    }


if __name__ == "__main__":
    write_schemas()
