"""Oil fouling by dose: held to the medians of the project's reference on misfire, section on oil (judgement itself)."""

from __future__ import annotations

import numpy as np
import pytest

from firstcause.errors import RequestError
from firstcause.outlook.oil_dose import HOT_SHARE, KM_PER_MILE, fouled_after_km, span_by_dose

# Median miles without the spread between drivers, by mg in a cycle; in town, mixed, highway.
MEDIANS = {0.14: (28_000, 32_000, 34_000), 0.27: (10_800, 15_300, 16_400), 1.1: (350, 1_310, 2_460)}


@pytest.mark.parametrize("mg", MEDIANS)
def test_medians_are_those_of_the_table(mg: float) -> None:
    """Within 6 % of the printed medians: the table does not say how long trips vary, nor from how many draws it is."""
    found = [np.quantile(fouled_after_km(mg, share, 1000, 0.0), 0.5) / KM_PER_MILE for share in HOT_SHARE.values()]
    assert found == pytest.approx(MEDIANS[mg], rel=0.06)


def test_a_quart_in_a_thousand_miles() -> None:
    """0.55 mg in a cycle: in town within its printed span 1,200 to 2,000 miles, mixed 5,400 to 6,200, highway 7,000."""
    town, mixed, highway = (
        float(np.quantile(fouled_after_km(0.55, share, 1000, 0.0), 0.5)) / KM_PER_MILE for share in HOT_SHARE.values()
    )
    assert 1_200 <= town <= 2_000
    assert 5_400 <= mixed <= 6_200
    assert highway == pytest.approx(7_000, rel=0.06)


@pytest.mark.parametrize("share", HOT_SHARE.values())
def test_a_little_oil_never_fouls(share: float) -> None:
    """The threshold of the table: at 0.03 to 0.07 mg never within 60,000 miles."""
    assert fouled_after_km(0.05, share, 300, 0.0)[0] > 60_000 * KM_PER_MILE


def test_more_oil_and_more_town_come_back_sooner() -> None:
    little, much = span_by_dose(0.3, "mixed"), span_by_dose(0.6, "mixed")
    town, highway = span_by_dose(0.6, "city"), span_by_dose(0.6, "highway")
    assert None not in (little, much, town, highway)
    assert much < little  # type: ignore[operator]
    assert town < highway  # type: ignore[operator]
    assert span_by_dose(0.02, "city") is None


@pytest.mark.parametrize(("mg", "share"), [(-0.1, 0.5), (0.5, 1.2), (float("nan"), 0.5)])
def test_what_cannot_be_is_refused(mg: float, share: float) -> None:
    with pytest.raises(RequestError, match="cannot be"):
        fouled_after_km(mg, share)
