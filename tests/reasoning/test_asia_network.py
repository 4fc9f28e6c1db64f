"""The Asia network, written with what the engine has: noisy-OR links, and a finding with weights on its outcomes."""

from __future__ import annotations

import pytest

from firstcause.reasoning.exact import Engine
from firstcause.reasoning.network import Cause, Finding, Network

HALF_LAST_DIGIT = 5e-7


def link(leak: float, with_parent: float) -> float:
    """Chance of a noisy-OR link that brings the leak up to what the table says with the parent present."""
    return 1.0 - (1.0 - with_parent) / (1.0 - leak)


def asia() -> tuple[Cause, ...]:
    """Tables of Lauritzen & Spiegelhalter, J. R. Statist. Soc. B 50 (1988): all but dyspnoea are noisy-OR."""
    return (
        Cause("asia", 0.01),
        Cause("smoke", 0.5),
        Cause("tub", 0.01, (("asia", link(0.01, 0.05)),)),
        Cause("lung", 0.01, (("smoke", link(0.01, 0.10)),)),
        Cause("bronc", 0.30, (("smoke", link(0.30, 0.60)),)),
        Cause("either", 0.0, (("tub", 1.0), ("lung", 1.0))),
    )


# P(dyspnoea | neither, either, bronchitis, both) = .1, .7, .8, .9 is no noisy-OR (that would give .933 for both). As
# a noisy-MAX of three outcomes seen through weights it is exact: .4/2 + 1/2 = .7, .4/3 + 2/3 = .8, .4/6 + 5/6 = .9.
DYSPNOEA = Finding(
    "dyspnoea", (1.0, 1.0, 1.0), (("either", (0.0, 1 / 2, 1.0)), ("bronc", (0.0, 1 / 3, 1.0))), (0.1, 0.4, 1.0)
)
FROM_ASIA = Finding("from asia", (1.0, 1.0), (("asia", (0.0, 1.0)),), (0.0, 1.0))


def test_t9_a_traveller_who_is_short_of_breath() -> None:
    """P(e) = 0.00450137; tub .087751, lung .099525, bronc .811402: two general libraries (reference notes, T9)."""
    posterior = Engine(Network(asia(), (FROM_ASIA, DYSPNOEA)), 0.0).posterior()

    assert posterior.evidence == pytest.approx(0.00450137, abs=5.1e-9)  # it is 0.004501375: half the last digit away
    assert posterior.probability["tub"] == pytest.approx(0.087751, abs=HALF_LAST_DIGIT)
    assert posterior.probability["lung"] == pytest.approx(0.099525, abs=HALF_LAST_DIGIT)
    assert posterior.probability["bronc"] == pytest.approx(0.811402, abs=HALF_LAST_DIGIT)


def test_without_findings_the_network_says_its_own_tables() -> None:
    """Lauritzen & Spiegelhalter (1988): P(tub) = .01 * .05 + .99 * .01, P(lung) = .055, P(bronc) = .45."""
    probability = Engine(Network(asia()), 0.0).posterior().probability

    assert probability["tub"] == pytest.approx(0.0104)
    assert probability["lung"] == pytest.approx(0.055)
    assert probability["bronc"] == pytest.approx(0.45)
    assert probability["either"] == pytest.approx(0.0104 + 0.055 - 0.0104 * 0.055)
