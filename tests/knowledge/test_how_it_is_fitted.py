"""What a fault shows may depend on how the engine is built: a leak that the metering sees is fuelled."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from firstcause.knowledge.base import load, on_engine
from firstcause.knowledge.schema import FaultEntry
from firstcause.vehicle.layout import common_layout

KNOWLEDGE = load("misfire")
BY_FLOW = on_engine(KNOWLEDGE, common_layout("I4", metering="air-flow-meter"))
BY_PRESSURE = on_engine(KNOWLEDGE, common_layout("I4", metering="manifold-pressure"))


def shown(fault: FaultEntry, test: str) -> dict[str, float]:
    (block,) = (shows for shows in fault.shows if shows.test == test)
    return dict(block.outcomes)


@pytest.mark.parametrize("leak", ["vacuum-leak", "crankcase-ventilation-torn"])
def test_a_shared_leak_moves_the_trims_only_where_air_is_measured_by_flow(leak: str) -> None:
    """Common practice, no source: manifold pressure sees the leaked air, so it is fuelled: trim about 0."""
    assert shown(BY_FLOW.faults[leak], "trims-by-region")["lean-at-idle-falling"] > 0.5
    assert shown(BY_PRESSURE.faults[leak], "trims-by-region")["lean-at-idle-falling"] < 0.1
    by_flow, by_pressure = BY_FLOW.faults[leak].behaviour, BY_PRESSURE.faults[leak].behaviour
    assert by_flow is not None
    assert by_pressure is not None
    assert by_pressure.acts["idle"] < 0.5 * by_flow.acts["idle"]


def test_what_is_chosen_names_no_engine_any_more() -> None:
    """Ours: choosing twice changes nothing, and a block that was for some engines stands for this one now."""
    for chosen, metering in ((BY_FLOW, "air-flow-meter"), (BY_PRESSURE, "manifold-pressure")):
        assert on_engine(chosen, common_layout("I4", metering=metering)) is chosen
        for fault in chosen.faults.values():
            tests = [shows.test for shows in fault.shows]
            assert len(tests) == len(set(tests))


LEAK = KNOWLEDGE.faults["vacuum-leak"].model_dump()
PRESSURE = {"metering": ["manifold-pressure"]}


def test_two_blocks_for_one_engine_are_refused() -> None:
    """Ours: nothing would tell which of the two counts."""
    twice = [*LEAK["shows"], {**LEAK["shows"][0], "fitted": {"induction": ["turbo"]}}]
    with pytest.raises(ValidationError, match=r"'plug-look' stands twice under .* that one engine can have both of"):
        FaultEntry.model_validate({**LEAK, "shows": twice})
    with pytest.raises(ValidationError, match="nothing tells which of them counts"):
        FaultEntry.model_validate({**LEAK, "shows": [*LEAK["shows"], {**LEAK["shows"][0], "fitted": {}}]})
    with pytest.raises(ValidationError, match="says under `fitted` for which engines"):
        FaultEntry.model_validate({**LEAK, "behaviour_where": [{**LEAK["behaviour"], "fitted": {}}]})
