"""The judgement of a drive in plain workshop English."""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING

from firstcause.roadtest.conditions import Verdict
from firstcause.roadtest.rules import EMISSION_FLOOR

if TYPE_CHECKING:
    from firstcause.roadtest.judgement import DriveJudgement, HiddenRate, MinutesMore, PooledRate, TripJudgement

_MINIMUM: dict[Verdict, str] = {
    "met": "The drive met the published minimum drive.",
    "missed": "The drive did not meet the published minimum drive.",
    "undecided": "Whether the drive met the published minimum drive cannot be decided from this recording.",
    "not evaluated": "The published minimum drive could not be evaluated: a signal it needs was not recorded.",
}


def drive_sentences(judged: DriveJudgement) -> list[str]:
    """All that a technician should read, most important first; every sentence stands alone."""
    said = [*_window(judged), *_counts(judged), *_hidden(judged), *_silence(judged), _MINIMUM[judged.minimum_drive]]
    several = len(judged.trips) > 1
    if several:
        said.append(f"The recording holds {len(judged.trips)} trips; one of them must meet the minimum drive alone.")
    for trip in judged.trips:
        said.extend(_trip(trip, several))
    if judged.with_surroundings != judged.minimum_drive:
        said.append(
            f"With the temperature and altitude limits of the general denominator too: {judged.with_surroundings}."
        )
    said.extend(dict.fromkeys(forecast.sentence for forecast in judged.forecasts))
    return said


def _trip(trip: TripJudgement, several: bool) -> list[str]:
    lead = f"Trip {trip.number} ({trip.begins}): " if several else ""
    said = []
    for item in trip.minimum.items:
        line = f"{lead}{item.title}: {item.verdict}. {item.why}"
        if item.if_assumed is not None:
            line += f" It would be {item.if_assumed} if {' and '.join(item.assuming)}."
        said.append(line)
    rise, reached = trip.warm_up
    said.append(
        f"{lead}warm-up cycle: {trip.warm_up_verdict}. {rise.why}"
        + (f" {reached.why}" if reached.why != rise.why else "")
    )
    return said


def _window(judged: DriveJudgement) -> list[str]:
    frame = judged.freeze_frame
    if frame is None:
        return [
            "No freeze frame was given, so nothing can be said about coming back to the conditions in which it failed."
        ]
    where = f"{frame.rpm:.0f} rpm"
    if frame.load_percent is not None:
        where += f", {frame.load_percent:.0f} % load"
    if frame.warm is not None:
        where += ", warm" if frame.warm else ", cold"
    windows = [trip.window for trip in judged.trips if trip.window is not None]
    if judged.came_back == "met":
        return [
            f"The drive came back to the conditions in which it failed ({where}) for at least "
            f"{floor(judged.seconds_in_window)} s, {floor(judged.events_in_window)} ignition events of each cylinder."
        ]
    if judged.came_back == "undecided":
        return [
            f"The drive may have passed through the conditions in which it failed ({where}), but no reading proves it."
        ]
    if judged.came_back == "missed":
        near = min((w.nearest for w in windows if w.nearest is not None), key=lambda n: n.distance, default=None)
        tail = ""
        if near is not None:
            load = "" if near.load_percent is None else f" and {near.load_percent:.0f} % load"
            tail = f" The nearest it came was {near.rpm:.0f} rpm{load}, {near.at_s:.0f} s into the recording."
        return [
            f"The drive never came back to the conditions in which it failed ({where}); "
            f"its silence proves little.{tail}"
        ]
    missing = sorted({name for window in windows for name in window.missing})
    line = (
        f"Whether the drive came back to the conditions in which it failed ({where}) was not evaluated: "
        f"no {' and no '.join(missing)} recorded."
    )
    seconds = sum(window.seconds for window in windows)
    return [line + (f" By what was recorded it was there for {seconds:.0f} s." if seconds else "")]


def _counts(judged: DriveJudgement) -> list[str]:
    if judged.misfires is None:
        return ["Nobody counted misfires on this drive: no counter was recorded and none was read with the tool."]
    found = {cylinder: count for cylinder, count in judged.misfires.items() if count}
    if not found:
        return [f"No misfire was counted ({judged.misfires_source})."]
    named = ", ".join(f"{count} in cylinder {cylinder}" for cylinder, count in found.items())
    return [f"Misfires were counted ({judged.misfires_source}): {named}. The repair is not proven."]


def _hidden(judged: DriveJudgement) -> list[str]:
    said = []
    for where in ("near the freeze frame", "whole drive"):
        rates = [rate for rate in judged.hidden if rate.where == where]
        if rates:
            alike = len(rates) > 1 and len({(rate.misfires, rate.events) for rate in rates}) == 1
            worst = max(rates, key=lambda rate: rate.upper_share)
            whose = "each cylinder" if alike else f"cylinder {worst.cylinder}"
            said.append(_rate_sentence(worst, whose, judged.facts.cylinders))
            # with none counted anywhere the sentence before has said it: the share of all firings is the same number
            said.extend(_pooled_sentence(pool) for pool in judged.pooled if pool.where == where and pool.misfires)
            said.extend(_more_sentence(each) for each in judged.more if each.where == where)
    return said


def _place(where: str) -> str:
    return "in the conditions in which it failed" if where != "whole drive" else "over the whole drive"


def _pooled_sentence(pool: PooledRate) -> str:
    side = "below" if 100 * pool.upper_share < EMISSION_FLOOR.value else "not below"
    return (
        f"All {pool.cylinders} counted cylinders together, {_place(pool.where)}: {_misfires(pool.misfires)} in "
        f"{pool.firings} firings, so up to {100 * pool.upper_share:.2g} % of them could still misfire "
        f"({100 * pool.confidence:.0f} % confidence), {side} the 1 % from which a monitor must care."
    )


def _more_sentence(more: MinutesMore) -> str:
    lasting = f"{more.minutes:.0f}" if more.minutes >= 2 else f"{more.minutes:.1f}"
    return (
        f"{lasting} quiet minutes more {_place(more.where)} would rule out a steady misfire of 1 in "
        f"{1 / more.share:,.0f} firings of one cylinder ({100 * more.confidence:.0f} % confidence)."
    )


def _misfires(count: int) -> str:
    return "no misfire" if count == 0 else "1 misfire" if count == 1 else f"{count} misfires"


def _rate_sentence(rate: HiddenRate, whose: str, cylinders: int | None) -> str:
    place = _place(rate.where)
    line = (
        f"With {_misfires(rate.misfires)} in {rate.events} ignition events of {whose} {place}, up to "
        f"{100 * rate.upper_share:.2g} % of its events could still misfire ({100 * rate.confidence:.0f} % confidence)."
    )
    if cylinders:
        engine = 100 * rate.upper_share / cylinders
        side = "below" if engine < EMISSION_FLOOR.value else "not below"
        line += f" That is {engine:.2g} % of all firings, {side} the 1 % from which a monitor must care."
    return line


def _silence(judged: DriveJudgement) -> list[str]:
    quiet = judged.silence
    if quiet is None or not quiet.minutes:
        return []
    said = [
        f"{quiet.minutes:.0f} quiet minutes {quiet.conditions} would have shown bouts that come more often than every "
        f"{quiet.would_have_shown_min:.0f} min."
    ]
    if quiet.spacing_min is not None and quiet.chance_of_silence is not None and quiet.minutes_needed is not None:
        said.append(
            f"If bouts still came every {quiet.spacing_min:.0f} min, {100 * quiet.chance_of_silence:.0f} of 100 such "
            f"drives would show none; {quiet.minutes_needed:.0f} min under the old conditions are needed"
            + (f", {quiet.minutes_more:.0f} min more." if quiet.minutes_more else ": that is reached.")
        )
    return said
