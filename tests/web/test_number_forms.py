"""Entering a number: every test that measures has its fields, and a number with its unit is read."""

from __future__ import annotations

from starlette.datastructures import FormData

from firstcause.casebook.events import Found
from firstcause.casebook.measured import NUMBERS_UNDER
from firstcause.knowledge.base import load
from firstcause.web.forms import body_of
from firstcause.web.pages import number_fields


def found(**fields: str) -> Found:
    form = FormData({"test": "leak-down", "place": "cylinder 3", **{k.replace("_", "-"): v for k, v in fields.items()}})
    body = body_of("found", form)
    assert isinstance(body, Found)
    return body


def test_a_number_may_be_typed_with_its_unit() -> None:
    body = found(value="59,5 psi", unit="kPa", other_supply="80", circumstance_engine="cold")
    assert (body.value, body.unit, body.others) == (59.5, "psi", {"supply": 80.0})
    assert body.circumstances == {"engine": "cold"}
    assert found(value="26", unit="percent lost").unit == "percent lost"
    assert found(value="-3.5 mbar").value == -3.5


def test_what_is_left_as_described_is_not_stored() -> None:
    assert found(value="59 psi", circumstance_engine="").circumstances == {}


def test_every_number_has_its_fields() -> None:
    for test in load("misfire").tests.values():
        fields = number_fields(test)
        assert (fields is None) == (test.measures is None)
        if fields is not None and test.measures is not None:
            assert fields["units"][0] == test.measures.unit
            assert fields["by_cylinder"] or fields["asks"] or test.measures.judged_by == "reading"
            assert fields["numbers_under"] == NUMBERS_UNDER.get(test.measures.judged_by, {})
