"""For every fault there are findings that put it on top, and findings that do not: none stands there for show."""

from __future__ import annotations

from functools import cache
from itertools import combinations

import pytest

from firstcause.knowledge.base import load
from firstcause.knowledge.schema import FaultEntry

KNOWLEDGE = load("misfire")
AT_160_000_KM = 1
# One plug or valve and a whole set of them look alike at one cylinder: the sisters tell them apart, which is no test.
TOLD_BY_THE_SISTERS = {
    frozenset({"plug-worn", "plug-set-worn"}),
    frozenset({"plug-carbon-fouled", "plug-set-sooted"}),
    frozenset({"intake-valve-deposits", "intake-valves-all-coked"}),
}


def of_several(fault: FaultEntry) -> bool:
    """Whether its weight counts among the causes in several cylinders."""
    return fault.scope in ("bank", "shared")


@cache
def chances(fault_id: str, test_id: str) -> dict[str, float]:
    """P(outcome | this fault alone): what it shows and what stands there otherwise, the higher level on each axis."""
    fault, test = KNOWLEDGE.faults[fault_id], KNOWLEDGE.tests[test_id]
    ids = [outcome.id for outcome in test.outcomes]
    own = next((dict(shows.outcomes) for shows in fault.shows if shows.test == test_id), {})
    own[ids[0]] = 1.0 - sum(chance for outcome, chance in own.items() if outcome != ids[0])
    if test.axes:
        level = {outcome.id: test.levels_of(outcome) for outcome in test.outcomes}
        seen = test.outcome_shares()
    else:
        level = {name: (at,) for at, name in enumerate(ids)}
        seen = {(at,): {name: 1.0} for at, name in enumerate(ids)}
    result = dict.fromkeys(ids, 0.0)
    for one, chance in own.items():
        for other, by_itself in test.otherwise.outcomes.items():
            reached = tuple(max(pair) for pair in zip(level[one], level[other], strict=True))
            for outcome, share in seen[reached].items():
                result[outcome] += chance * by_itself * share
    return result


def weight(fault: FaultEntry) -> float:
    """Its weight at 160,000 km; a victim has what its causes give it."""
    if fault.kind == "victim":
        return sum(weight(KNOWLEDGE.faults[link.fault]) * link.chance for link in fault.caused_by)
    return fault.prior.weight[AT_160_000_KM]


def share_after(fault: FaultEntry, findings: dict[str, str]) -> dict[str, float]:
    """One cause only, among the causes of its kind of complaint: shares after these findings."""
    rivals = [other for other in KNOWLEDGE.faults.values() if of_several(other) == of_several(fault)]
    shares = {other.id: weight(other) for other in rivals}
    for test, outcome in findings.items():
        shares = {name: share * chances(name, test)[outcome] for name, share in shares.items()}
    total = sum(shares.values())
    return {name: share / total for name, share in shares.items()}


def most_telling(fault: FaultEntry, count: int = 3) -> dict[str, str]:
    """The findings, each at least two in five likely when the fault is there, that speak most for it."""
    findings: dict[str, str] = {}
    for _ in range(count):
        candidates = [
            {**findings, test: outcome}
            for test in KNOWLEDGE.tests
            if test not in findings
            for outcome, chance in chances(fault.id, test).items()
            if chance >= 0.4
        ]
        findings = max(candidates, key=lambda found: share_after(fault, found)[fault.id])
    return findings


LISTED = sorted(fault.id for fault in KNOWLEDGE.faults.values() if fault.kind != "unlisted")


@pytest.mark.parametrize("name", LISTED)
def test_it_can_win(name: str) -> None:
    """Ours, on the pack's own numbers: three likely findings put it on top of its kind of complaint."""
    fault = KNOWLEDGE.faults[name]

    shares = share_after(fault, most_telling(fault))

    assert max(shares, key=lambda other: shares[other]) == name


@pytest.mark.parametrize("name", LISTED)
def test_it_can_lose(name: str) -> None:
    """Ours: the passes of the three tests that would speak most for it leave it with less than it had."""
    fault = KNOWLEDGE.faults[name]
    passed = {test: KNOWLEDGE.tests[test].outcomes[0].id for test in _telling_tests(fault)}

    assert share_after(fault, passed)[name] < 0.6 * share_after(fault, {})[name]


def _telling_tests(fault: FaultEntry) -> list[str]:
    def striking(test: str) -> float:
        return 1.0 - chances(fault.id, test)[KNOWLEDGE.tests[test].outcomes[0].id]

    return sorted((shows.test for shows in fault.shows), key=striking, reverse=True)[:3]


def test_any_two_faults_show_differently_somewhere() -> None:
    """Two faults that no test tells apart would be repaired by the toss of a coin: total variation at least 0.3."""
    alike = []
    for one, other in combinations(LISTED, 2):
        if frozenset({one, other}) in TOLD_BY_THE_SISTERS:
            continue
        apart = max(
            sum(abs(chances(one, test)[outcome] - chances(other, test)[outcome]) for outcome in chances(one, test)) / 2
            for test in KNOWLEDGE.tests
        )
        if apart < 0.3:
            alike.append(f"{one} and {other}: {apart:.2f}")

    assert alike == []
