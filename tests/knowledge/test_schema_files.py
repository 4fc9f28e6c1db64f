"""The JSON Schemas beside the data are those of the Python types, and the shipped files obey them."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from firstcause.knowledge.base import PACKS_FOLDER
from firstcause.knowledge.schema_files import SCHEMA_FOLDER, schema_texts, write_schemas


def test_the_schemas_beside_the_data_are_current() -> None:
    """Ours: after a change of the types run `python -m firstcause.knowledge.schema_files`."""
    texts = schema_texts()

    assert {path.name for path in SCHEMA_FOLDER.glob("*.json")} == set(texts)
    for name, text in texts.items():
        assert (SCHEMA_FOLDER / name).read_text(encoding="utf-8") == text, f"{name} is out of date"


def test_writing_them_makes_every_file(tmp_path: Path) -> None:
    assert {path.name for path in write_schemas(tmp_path / "schema")} == set(schema_texts())


@pytest.mark.parametrize("name", sorted(schema_texts()))
def test_each_is_a_schema(name: str) -> None:
    """JSON Schema draft 2020-12, by the reference meta-schema that jsonschema carries."""
    Draft202012Validator.check_schema(json.loads(schema_texts()[name]))


def test_every_shipped_file_obeys_the_schema_it_names() -> None:
    """What an editor checks must agree with what the loader accepts."""
    complaints = []
    for file in sorted(PACKS_FOLDER.rglob("*.toml")):
        text = file.read_text(encoding="utf-8")
        schema = file.parent / text.splitlines()[0].removeprefix("#:schema ")
        validator = Draft202012Validator(json.loads(schema.read_text(encoding="utf-8")))
        complaints += [f"{file.name}: {error.message}" for error in validator.iter_errors(tomllib.loads(text))]

    assert complaints == []


def test_an_unknown_key_is_seen_in_the_editor_too() -> None:
    raw = tomllib.loads((PACKS_FOLDER / "misfire/faults/ignition/coil-dead.toml").read_text(encoding="utf-8"))
    validator = Draft202012Validator(json.loads(schema_texts()["fault.json"]))

    assert list(validator.iter_errors(raw)) == []
    assert [error.validator for error in validator.iter_errors({**raw, "scopes": "part"})] == ["additionalProperties"]
