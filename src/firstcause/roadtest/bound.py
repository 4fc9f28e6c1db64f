"""What misfire rate could still hide behind a quiet drive, exactly, and how long a drive must be."""

from __future__ import annotations

from math import ceil, exp, expm1, isfinite, log, log1p

from firstcause.errors import RequestError

DEFAULT_CONFIDENCE = 0.95


class ImpossibleCount(RequestError):
    """Counts or shares that cannot be."""

    def __init__(self, what: str) -> None:
        self.what = what
        super().__init__(f"No bound can be given for {what}. Nothing was changed; correct the numbers.")


def _alpha(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise ImpossibleCount(f"a confidence of {confidence:g} (it lies between 0 and 1)")
    return 1 - confidence


def _check(misfires: int, events: int) -> None:
    if misfires < 0 or events < 1 or misfires > events:
        raise ImpossibleCount(f"{misfires} misfires in {events} ignition events")


def upper_rate(misfires: int, events: int, confidence: float = DEFAULT_CONFIDENCE) -> float:
    """The largest misfire rate, as a share of ignition events, that such a count still allows (one-sided, exact).

    With no misfire: 1 - alpha^(1/n), close to 3/n at 95 % (the rule of three).

    Raises ImpossibleCount for more misfires than events, no events, or a confidence outside 0 to 1.

    Source: Clopper & Pearson, Biometrika 26 (1934) 404: quantile of Beta(k + 1, n - k).
    """
    alpha = _alpha(confidence)
    _check(misfires, events)
    if misfires == events:
        return 1.0
    if misfires == 0:
        return -expm1(log(alpha) / events)
    from scipy.special import betaincinv

    return float(betaincinv(misfires + 1, events - misfires, confidence))


def lower_rate(misfires: int, events: int, confidence: float = DEFAULT_CONFIDENCE) -> float:
    """The smallest misfire rate that such a count still allows (one-sided, exact); 0.0 when none was counted.

    Source and refusals as `upper_rate`: quantile of Beta(k, n - k + 1).
    """
    alpha = _alpha(confidence)
    _check(misfires, events)
    if misfires == 0:
        return 0.0
    if misfires == events:
        return exp(log(alpha) / events)
    from scipy.special import betaincinv

    return float(betaincinv(misfires, events - misfires + 1, alpha))


def upper_mean(count: int, confidence: float = DEFAULT_CONFIDENCE) -> float:
    """The largest expected number of rare events that a count of them still allows (Poisson, one-sided, exact).

    With none counted: -ln(alpha), 2.996 at 95 %.

    Source: Garwood, Biometrika 28 (1936) 437: quantile of Gamma(k + 1).
    """
    alpha = _alpha(confidence)
    if count < 0:
        raise ImpossibleCount(f"a count of {count}")
    if count == 0:
        return -log(alpha)
    from scipy.special import gammaincinv

    return float(gammaincinv(count + 1, confidence))


def events_needed(rate: float, confidence: float = DEFAULT_CONFIDENCE) -> int:
    """Ignition events without a misfire that would rule out `rate` (a share above 0 and below 1) or more."""
    alpha = _alpha(confidence)
    if not 0 < rate < 1:
        raise ImpossibleCount(f"a misfire rate of {rate:g} (it lies between 0 and 1)")
    return ceil(log(alpha) / log1p(-rate) - 1e-9)


def ignition_events(rpm: float, minutes: float) -> float:
    """Ignition events of one cylinder of a four-stroke: half a turn count. 1,500 rpm for 18 min: 13,500."""
    return rpm / 2 * minutes


def quiet_probability(minutes: float, mean_spacing_min: float) -> float:
    """Probability that no bout falls into a drive of `minutes` when bouts come at random, `mean_spacing_min` apart.

    Raises ImpossibleCount for a negative time or a spacing that is not above 0.

    Source: exponential waiting time, exp(-t / tau).
    """
    if minutes < 0 or not mean_spacing_min > 0 or not isfinite(mean_spacing_min):
        raise ImpossibleCount(f"{minutes:g} min of drive and bouts {mean_spacing_min:g} min apart")
    return exp(-minutes / mean_spacing_min)


def minutes_needed(mean_spacing_min: float, confidence: float = DEFAULT_CONFIDENCE) -> float:
    """Minutes of quiet drive, under the old conditions, that would mean something: about 3 spacings at 95 %."""
    quiet_probability(0.0, mean_spacing_min)
    return -log(_alpha(confidence)) * mean_spacing_min


def shortest_spacing_min(quiet_minutes: float, confidence: float = DEFAULT_CONFIDENCE) -> float:
    """Bouts that come more often than this would have shown in `quiet_minutes` with the stated confidence."""
    return quiet_minutes / -log(_alpha(confidence))
