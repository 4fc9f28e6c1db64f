"""Each fault of each pack has a case told as a technician would tell it that it wins, and one that it loses."""

from __future__ import annotations

from functools import cache
from itertools import combinations

import pytest
from tests.knowledge.told_cases import TellingCase, belief_in, knowledge_of, packs, table, telling_cases

RIVAL_LEADS_BY = 1.5


def kin(case: TellingCase) -> set[str]:
    """The fault, what it causes, what causes it if it is only a victim, and what the table says is told by sisters."""
    faults = knowledge_of(case.pack).faults
    fault = faults[case.fault]
    victims = {other.id for other in faults.values() if any(link.fault == fault.id for link in other.caused_by)}
    causes = {link.fault for link in fault.caused_by} if fault.kind == "victim" else set()
    return {fault.id} | victims | causes | set(table(case.pack)[fault.id].get("like", ()))


@pytest.mark.parametrize("case", telling_cases(wins=True), ids=str)
def test_it_wins_the_case_that_is_made_for_it(case: TellingCase) -> None:
    """Common practice, no source: the findings of each row are what the trade expects of that fault."""
    belief = belief_in(case)

    rivals = {name: chance for name, chance in belief.items() if name not in kin(case)}
    assert belief[case.fault] > max(rivals.values()), sorted(belief.items(), key=lambda pair: -pair[1])[:5]


@pytest.mark.parametrize("case", telling_cases(wins=False), ids=str)
def test_it_loses_the_case_that_speaks_against_it(case: TellingCase) -> None:
    """Common practice, no source: the finding named under `against` lowers it, and a sensible rival stands above."""
    belief, before = belief_in(case), belief_in(case, without=case.against)

    assert belief[case.fault] < before[case.fault]
    assert belief[case.rival] > RIVAL_LEADS_BY * belief[case.fault], sorted(belief.items(), key=lambda p: -p[1])[:5]


@pytest.mark.parametrize("pack", packs())
def test_no_fault_is_left_out(pack: str) -> None:
    """Ours: every fault that is listed by name stands in the table of its pack, and nothing else does."""
    listed = {fault.id for fault in knowledge_of(pack).faults.values() if fault.kind != "unlisted"}

    assert set(table(pack)) == listed


@pytest.mark.parametrize("pack", packs())
def test_every_row_says_why(pack: str) -> None:
    """Ours: each side of a row says in a sentence why the trade expects it, and what cannot be told apart says so."""
    for fault, row in table(pack).items():
        for side in ("wins", "loses"):
            assert len(row[side]["why"]) > 15, fault
        assert row["loses"]["against"] in row["loses"]["found"], fault
        if row.get("like"):
            assert len(row["like_why"]) > 15, fault


@cache
def chances(pack: str, fault_id: str, test_id: str) -> dict[str, float]:
    """P(outcome | this fault alone): what it shows and what stands there otherwise, the higher level on each axis."""
    fault, test = knowledge_of(pack).faults[fault_id], knowledge_of(pack).tests[test_id]
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


@pytest.mark.parametrize("pack", packs())
def test_any_two_faults_show_differently_somewhere(pack: str) -> None:
    """Two faults that no test tells apart would be repaired by the toss of a coin: total variation at least 0.3.

    Excepted are the pairs that the pack's table names as alike, with the reason.
    """
    alike = []
    told_by_others = {frozenset({one, other}) for one, row in table(pack).items() for other in row.get("like", ())}
    for one, other in combinations(sorted(table(pack)), 2):
        if frozenset({one, other}) in told_by_others:
            continue
        apart = max(
            sum(abs(chances(pack, one, test)[name] - share) for name, share in chances(pack, other, test).items()) / 2
            for test in knowledge_of(pack).tests
        )
        if apart < 0.3:
            alike.append(f"{one} and {other}: {apart:.2f}")

    assert alike == []
