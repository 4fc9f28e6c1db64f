"""Why a suspect stands where it stands: what each finding did to it, in decibans that add up. Decision 0016.

The scale is Turing's and Good's deciban: ten times the decimal logarithm of the odds. 10 dB make the odds ten times as
high, 3 dB twice. Findings overlap, so each gets its fair share (Shapley 1953): what it adds to the odds, averaged over
every order in which the findings could have come. The shares add up to the whole way from the start to now.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, combinations
from math import factorial, inf, log10

from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Contradiction, Engine, rough_engine
from firstcause.reasoning.history import TOLD_OF_THE_CAR
from firstcause.reasoning.network import Cause, Network

MOST_DECIBANS = 60.0
MOST_NAMED = 5
WORTH_NAMING = 0.5

Happenings = frozenset[str]


@dataclass(frozen=True)
class Piece:
    """What one happening did (or several that are only told together): decibans, positive for the suspect.

    `without`: the probability at which the suspect would stand had just these not been found.
    """

    happenings: tuple[str, ...]
    decibans: float
    without: float


@dataclass(frozen=True)
class Reasons:
    """The way of one suspect from `start` (probability before any finding) to `now`; pieces in order of the story."""

    cause: str
    start: float
    now: float
    pieces: tuple[Piece, ...]

    @property
    def start_decibans(self) -> float:
        """Odds before any finding, in decibans."""
        return log_odds(self.start)

    @property
    def now_decibans(self) -> float:
        """Odds now, in decibans: the start and all pieces added."""
        return log_odds(self.now)


def log_odds(probability: float) -> float:
    """Ten times the decimal logarithm of the odds, in decibans; held within 60 either way (one in a million)."""
    if probability <= 0.0 or probability >= 1.0:
        return MOST_DECIBANS if probability >= 1.0 else -MOST_DECIBANS
    return max(-MOST_DECIBANS, min(MOST_DECIBANS, 10.0 * log10(probability / (1.0 - probability))))


def reasons_for(
    model: Model,
    belief: Mapping[str, float],
    causes: Sequence[str],
    *,
    engine: Callable[[Network], Engine] = rough_engine,
) -> dict[str, Reasons]:
    """For each cause the way from its start to `belief`, which must be the model's posterior.

    The happenings that move none of these causes by half a deciban stand together as one piece, and with them all but
    the `MOST_NAMED` strongest. What was told of the car (answers that change how frequent a fault is) is a happening
    like any other; swaps, renewals and repairs are not: the start is that of the car with its parts as they sit now.
    Sets of findings are weighed roughly (`engine`): a piece may be off by some tenths of a deciban, their sum is not.
    """
    return reasons_from(WeighedSets(model, belief, causes, engine))


def reasons_from(weighed: WeighedSets) -> dict[str, Reasons]:
    """As `reasons_for`, from sets of findings that are weighed already or will be."""
    belief = weighed.belief
    named = _named(weighed)
    rest = tuple(h for h in weighed.happenings if h not in named)
    players = [*((h,) for h in weighed.happenings if h in named), *([rest] if rest else [])]
    if len(rest) == 1:
        players.sort(key=lambda player: weighed.happenings.index(player[0]))
    shares = fair_shares(players, lambda some: weighed.decibans(chain.from_iterable(some)))
    everything, start = frozenset(weighed.happenings), weighed.probability(())
    found = {}
    for at, cause in enumerate(weighed.causes):
        pieces = tuple(
            Piece(player, shares[player][at], weighed.probability(everything - set(player))[cause])
            for player in players
        )
        found[cause] = Reasons(cause, start[cause], belief[cause], pieces)
    return found


def fair_shares(
    players: Sequence[tuple[str, ...]], value: Callable[[frozenset[tuple[str, ...]]], Sequence[float]]
) -> dict[tuple[str, ...], list[float]]:
    """The share of each player in value(all) - value(none), for each of the numbers that `value` gives.

    The mean over all orders of what a player adds to those before it; 2 ** players sets are asked for.
    Source: L. S. Shapley, A value for n-person games (1953).
    """
    count = len(players)
    size = len(value(frozenset()))
    shares = {player: [0.0] * size for player in players}
    for player in players:
        others = [other for other in players if other != player]
        for before in _subsets(others):
            weight = factorial(len(before)) * factorial(count - len(before) - 1) / factorial(count)
            having, lacking = value(frozenset((*before, player))), value(frozenset(before))
            for at in range(size):
                shares[player][at] += weight * (having[at] - lacking[at])
    return shares


def _subsets(items: Sequence[tuple[str, ...]]) -> Iterable[tuple[tuple[str, ...], ...]]:
    return chain.from_iterable(combinations(items, size) for size in range(len(items) + 1))


class WeighedSets:
    """The probabilities of some causes, and of the findings, under any set of the happenings; each is weighed once.

    `belief` and `log_evidence` are what is known of all of them already.
    """

    def __init__(
        self,
        model: Model,
        belief: Mapping[str, float],
        causes: Sequence[str],
        engine: Callable[[Network], Engine] = rough_engine,
        log_evidence: float | None = None,
    ) -> None:
        self._model, self.belief, self.causes, self._engine = model, belief, tuple(causes), engine
        self._answers = {h.id for h in model.history if isinstance(h, TOLD_OF_THE_CAR)}
        self._findings: dict[str, list[str]] = {}
        for finding, happening in model.happening_of.items():
            self._findings.setdefault(happening, []).append(finding)
        told = [h.id for h in model.history]
        self.happenings = tuple(h for h in dict.fromkeys(told) if h in self._answers or h in self._findings)
        self._networks: dict[Happenings, tuple[Cause, ...]] = {frozenset(self._answers): model.network.causes}
        everything = frozenset(self.happenings)
        self._known: dict[Happenings, Mapping[str, float]] = {everything: {cause: belief[cause] for cause in causes}}
        self._log_evidence: dict[Happenings, float] = {} if log_evidence is None else {everything: log_evidence}

    def probability(self, happenings: Iterable[str]) -> Mapping[str, float]:
        """Of each cause, had only these happenings been found."""
        some = frozenset(happenings)
        if some not in self._known:
            self._weigh(some)
        return self._known[some]

    def log_evidence(self, findings: Iterable[str]) -> float:
        """Log of the probability of these findings, all that was told of the car beside them; minus infinity where
        they exclude each other."""
        some = frozenset(findings) | self._answers
        if not some - self._answers:
            return 0.0
        if some not in self._log_evidence:
            try:
                self._weigh(some)
            except Contradiction:
                self._log_evidence[some] = -inf
        return self._log_evidence[some]

    def _weigh(self, some: Happenings) -> None:
        kept = {finding for happening in some for finding in self._findings.get(happening, ())}
        findings = tuple(f for f in self._model.network.findings if f.id in kept)
        network = concerning(Network(self._causes_under(some & self._answers), findings), self.causes)
        posterior = self._engine(network).posterior()
        self._known.setdefault(some, {cause: posterior.probability[cause] for cause in self.causes})
        self._log_evidence[some] = posterior.log_evidence

    def decibans(self, happenings: Iterable[str]) -> list[float]:
        """The odds of the causes, in their order."""
        known = self.probability(happenings)
        return [log_odds(known[cause]) for cause in self.causes]

    def _causes_under(self, answers: Happenings) -> tuple[Cause, ...]:
        """The causes with their frequencies, had only these answers been given."""
        if answers not in self._networks:
            model = self._model
            history = tuple(h for h in model.history if not isinstance(h, TOLD_OF_THE_CAR) or h.id in answers)
            self._networks[answers] = compile_model(model.knowledge, model.car, history).network.causes
        return self._networks[answers]


def _named(weighed: WeighedSets) -> frozenset[str]:
    """The happenings that get a piece of their own: those that move the causes most when first or last."""
    happenings = weighed.happenings
    none, everything = weighed.decibans(()), weighed.decibans(happenings)
    moved = {}
    for happening in happenings:
        first, last = weighed.decibans((happening,)), weighed.decibans(h for h in happenings if h != happening)
        pairs = zip(first, none, everything, last, strict=True)
        moved[happening] = max((max(abs(a - b), abs(c - d)) for a, b, c, d in pairs), default=0.0)
    strong = sorted((h for h in happenings if moved[h] >= WORTH_NAMING), key=lambda h: -moved[h])
    return frozenset(strong[:MOST_NAMED])


def concerning(network: Network, causes: Iterable[str]) -> Network:
    """The part of a network that can matter to these causes: what its findings see, and all that stands behind."""
    wanted = {name for finding in network.findings for name, _ in finding.causes} | set(causes)
    kept = []
    for cause in reversed(network.causes):
        if cause.id in wanted:
            kept.append(cause)
            wanted.update(parent for parent, _ in cause.parents)
    return Network(tuple(reversed(kept)), network.findings)
