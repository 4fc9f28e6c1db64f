"""A compiled model handed to a general Bayesian-network library (pyagrum), which knows nothing of ours."""

from __future__ import annotations

import warnings
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.network import Finding, Network

with warnings.catch_warnings():
    # Its wrapper types warn while it is imported; turned into errors (as our tests do) that ends the interpreter.
    warnings.simplefilter("ignore", DeprecationWarning)
    import pyagrum as gum


def as_bayes_net(network: Network) -> tuple[gum.BayesNet, Mapping[str, list[float]]]:
    """The same model with the library's own noisy-OR nodes; and the evidence, by node.

    A finding is a noisy-MAX, decomposed as a chain: after each cause the most striking outcome so far. Its last link
    carries the weights as likelihood evidence.
    """
    bn = gum.BayesNet()
    evidence: dict[str, list[float]] = {}
    for cause in network.causes:
        bn.addNoisyORNet(gum.LabelizedVariable(cause.id, "", 2), cause.leak)
        for parent, chance in cause.parents:
            bn.addWeightedArc(parent, cause.id, chance)
    for finding in map(_without_idle_outcomes, network.findings):
        evidence[_add_chain(bn, network, finding)] = [weight / max(finding.weights) for weight in finding.weights]
    return bn, evidence


def _without_idle_outcomes(finding: Finding) -> Finding:
    """Neighbouring outcomes of equal weight become one: the library has smaller tables, the answer is the same."""
    if finding.axes:
        return finding
    ends = [m for m, w in enumerate(finding.weights) if m + 1 == len(finding.weights) or finding.weights[m + 1] != w]

    def cut(values: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(values[m] for m in ends)

    causes = tuple((cause, cut(values)) for cause, values in finding.causes)
    return Finding(finding.id, cut(finding.leak), causes, cut(finding.weights))


def _add_chain(bn: gum.BayesNet, network: Network, finding: Finding) -> str:
    """Private causes first, then shared ones in one order for all findings: the library needs that to cope."""

    def private_first(coupling: tuple[str, tuple[float, ...]]) -> tuple[bool, int]:
        at = network.index[coupling[0]]
        return network.causes[at].block is None, at

    outcomes = len(finding.leak)
    levels = np.indices(finding.axes or (outcomes,)).reshape(-1, outcomes)
    before = f"{finding.id}|0"
    bn.add(gum.LabelizedVariable(before, "", outcomes))
    bn.cpt(before)[:] = _shares(np.array(finding.leak), finding.axes)
    for at, (cause, cumulative) in enumerate(sorted(finding.causes, key=private_first), start=1):
        name = f"{finding.id}|{at}"
        bn.add(gum.LabelizedVariable(name, "", outcomes))
        bn.addArc(before, name)
        bn.addArc(cause, name)
        for so_far in range(outcomes):
            for present in (0, 1):
                own = np.array(cumulative) if present else np.ones(outcomes)
                at_most = np.where((levels >= levels[:, [so_far]]).all(axis=0), own, 0.0)
                bn.cpt(name)[{before: so_far, cause: present}] = _shares(at_most, finding.axes)
        before = name
    return before


def _shares(at_most: NDArray[np.float64], axes: tuple[int, ...]) -> list[float]:
    """What each outcome (each combination of levels) has for itself."""
    shares = at_most.reshape(axes or at_most.shape)
    for axis in range(shares.ndim):
        shares = np.diff(shares, axis=axis, prepend=0.0)
    return [float(share) for share in np.clip(shares, 0.0, 1.0).ravel()]


def library_posterior(network: Network) -> dict[str, float]:
    """P(present) of every cause by lazy propagation, which is exact."""
    bn, evidence = as_bayes_net(network)
    inference = gum.LazyPropagation(bn)
    inference.setEvidence(dict(evidence))
    inference.setTargets({cause.id for cause in network.causes})
    inference.makeInference()
    return {cause.id: float(inference.posterior(cause.id)[1]) for cause in network.causes}
