"""The judgement of a drive in plain workshop words, in the language spoken."""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING

from firstcause.roadtest.conditions import VERDICT_WORDS, Item, Verdict, mark_words
from firstcause.roadtest.rules import EMISSION_FLOOR, WINDOW_LOAD, WINDOW_RPM
from firstcause.tongue import Said, _

if TYPE_CHECKING:
    from firstcause.roadtest.judgement import DriveJudgement, HiddenRate, MinutesMore, PooledRate, TripJudgement

_MINIMUM: Said[str] = Said({
    "met": "The drive met the published minimum drive.",
    "missed": "The drive did not meet the published minimum drive.",
    "undecided": "Whether the drive met the published minimum drive cannot be decided from this recording.",
    "not evaluated": "The published minimum drive could not be evaluated: a signal it needs was not recorded.",
})  # fmt: skip
_SOURCES: Said[str] = Said({
    "recorded counters": "recorded counters",
    "counters read by the technician": "counters read by the technician",
})  # fmt: skip


def drive_sentences(judged: DriveJudgement) -> list[str]:
    """All that a technician should read, most important first; every sentence stands alone."""
    said = [*_window(judged), *_counts(judged), *_hidden(judged), *_silence(judged), _MINIMUM[judged.minimum_drive]]
    several = len(judged.trips) > 1
    if several:
        said.append(
            _("The recording holds {n} trips; one of them must meet the minimum drive alone.", n=len(judged.trips))
        )
    for trip in judged.trips:
        said.extend(_trip(trip, several))
    if judged.with_surroundings != judged.minimum_drive:
        said.append(
            _(
                "With the temperature and altitude limits of the general denominator too: {verdict}.",
                verdict=VERDICT_WORDS[judged.with_surroundings],
            )
        )
    said.extend(dict.fromkeys(forecast.sentence for forecast in judged.forecasts))
    return said


def _trip(trip: TripJudgement, several: bool) -> list[str]:
    lead = _("Trip {number} ({begins}): ", number=trip.number, begins=trip.begins) if several else ""
    said = []
    for item in trip.minimum.items:
        line = f"{lead}{item.title}: {VERDICT_WORDS[item.verdict]}. {item.why}"
        if item.if_assumed is not None:
            line += " " + _(
                "It would be {verdict} if {assumed}.",
                verdict=VERDICT_WORDS[item.if_assumed],
                assumed=_(" and ").join(item.assuming),
            )
        said.append(line + _ground(item))
    rise, reached = trip.warm_up
    said.append(
        lead
        + _("warm-up cycle: {verdict}.", verdict=VERDICT_WORDS[trip.warm_up_verdict])
        + f" {rise.why}"
        + (f" {reached.why}" if reached.why != rise.why else "")
        + _ground(rise)
    )
    return said


def _ground(item: Item) -> str:
    """The paragraph that a number stands in, and how it was read."""
    return f" [{item.cite}; {mark_words(item.mark)}]"


def _window(judged: DriveJudgement) -> list[str]:
    frame = judged.freeze_frame
    if frame is None:
        return [
            _(
                "No freeze frame was given, so nothing can be said about coming back to the conditions in which it "
                "failed."
            )
        ]
    where = _("{rpm:.0f} rpm", rpm=frame.rpm)
    if frame.load_percent is not None:
        where += _(", {load:.0f} % load", load=frame.load_percent)
    if frame.warm is not None:
        where += _(", warm") if frame.warm else _(", cold")
    said = _how_near(judged, where)
    ground = f" [{WINDOW_RPM.cite}; {mark_words(WINDOW_RPM.mark)}]"
    return [said + ground, *_other_load_reading(judged)]


def _how_near(judged: DriveJudgement, where: str) -> str:
    windows = [trip.window for trip in judged.trips if trip.window is not None]
    if judged.came_back == "met":
        return _(
            "The drive came back to the conditions in which it failed ({where}) for at least {seconds} s, {events} "
            "ignition events of each cylinder.",
            where=where, seconds=floor(judged.seconds_in_window), events=floor(judged.events_in_window),
        )  # fmt: skip
    if judged.came_back == "undecided":
        return _(
            "The drive may have passed through the conditions in which it failed ({where}), but no reading proves it.",
            where=where,
        )
    if judged.came_back == "missed":
        near = min((w.nearest for w in windows if w.nearest is not None), key=lambda n: n.distance, default=None)
        tail = ""
        if near is not None:
            load = "" if near.load_percent is None else _(" and {load:.0f} % load", load=near.load_percent)
            tail = " " + _(
                "The nearest it came was {rpm:.0f} rpm{load}, {at_s:.0f} s into the recording.",
                rpm=near.rpm, load=load, at_s=near.at_s,
            )  # fmt: skip
        return (
            _(
                "The drive never came back to the conditions in which it failed ({where}); its silence proves little.",
                where=where,
            )
            + tail
        )
    missing = sorted({name for window in windows for name in window.missing})
    line = _(
        "Whether the drive came back to the conditions in which it failed ({where}) was not evaluated: no {signals} "
        "recorded.",
        where=where, signals=_(" and no ").join(_SIGNALS[name] for name in missing),
    )  # fmt: skip
    seconds = sum(window.seconds for window in windows)
    return line + (
        " " + _("By what was recorded it was there for {seconds:.0f} s.", seconds=seconds) if seconds else ""
    )


_SIGNALS: Said[str] = Said({
    "engine speed": "engine speed", "load": "load", "coolant temperature": "coolant temperature",
})  # fmt: skip


def _other_load_reading(judged: DriveJudgement) -> list[str]:
    """The other way to read "within 20 percent", where it changes what was reached."""
    frame = judged.freeze_frame
    others = [trip.other_window for trip in judged.trips if trip.other_window is not None]
    if frame is None or frame.load_percent is None or not others:
        return []
    from firstcause.roadtest.judgement import best

    verdict: Verdict = best([window.verdict for window in others])
    seconds = sum(window.seconds for window in others)
    if verdict == judged.came_back and floor(seconds) == floor(judged.seconds_in_window):
        return []
    band = frame.load_band(others[0].load_reading)
    assert band is not None
    return [
        _(
            "The rule is open here: similar load read as {reading} ({low:.0f} to {high:.0f} %) it is {verdict}, with "
            "{seconds} s there. [{cite}; {mark}]",
            reading=_LOAD_READINGS[others[0].load_reading],
            low=max(band[0], 0.0),
            high=min(band[1], 100.0),
            verdict=VERDICT_WORDS[verdict],
            seconds=floor(seconds),
            cite=WINDOW_LOAD.cite,
            mark=mark_words(WINDOW_LOAD.mark),
        )
    ]


_LOAD_READINGS: Said[str] = Said({
    "points": "within 20 points of calculated load", "relative": "within 20 % of the stored load",
})  # fmt: skip


def _counts(judged: DriveJudgement) -> list[str]:
    if judged.misfires is None:
        return [_("Nobody counted misfires on this drive: no counter was recorded and none was read with the tool.")]
    found = {cylinder: count for cylinder, count in judged.misfires.items() if count}
    source = _SOURCES[judged.misfires_source]
    if not found:
        return [_("No misfire was counted ({source}).", source=source)]
    named = ", ".join(_("{count} in cylinder {cylinder}", count=count, cylinder=at) for at, count in found.items())
    return [
        _("Misfires were counted ({source}): {named}. The repair is not proven.", source=source, named=named)
    ]  # fmt: skip


def _hidden(judged: DriveJudgement) -> list[str]:
    said = []
    for where in ("near the freeze frame", "whole drive"):
        rates = [rate for rate in judged.hidden if rate.where == where]
        if rates:
            alike = len(rates) > 1 and len({(rate.misfires, rate.events) for rate in rates}) == 1
            worst = max(rates, key=lambda rate: rate.upper_share)
            whose = _("each cylinder") if alike else _("cylinder {n}", n=worst.cylinder)
            said.append(_rate_sentence(worst, whose, judged.facts.cylinders))
            # with none counted anywhere the sentence before has said it: the share of all firings is the same number
            said.extend(_pooled_sentence(pool) for pool in judged.pooled if pool.where == where and pool.misfires)
            said.extend(_more_sentence(each) for each in judged.more if each.where == where)
    return said


def _place(where: str) -> str:
    return _("in the conditions in which it failed") if where != "whole drive" else _("over the whole drive")


def _side(percent: float) -> str:
    """Which side of the regulation's floor: 13 CCR 1968.2(e)(3.2.2), see rules.EMISSION_FLOOR."""
    return _("below") if percent < EMISSION_FLOOR.value else _("not below")


def _pooled_sentence(pool: PooledRate) -> str:
    return _(
        "All {cylinders} counted cylinders together, {place}: {misfires} in {firings} firings, so up to {percent:.2g} "
        "% of them could still misfire ({confidence:.0f} % confidence), {side} the 1 % from which a monitor must care.",
        cylinders=pool.cylinders, place=_place(pool.where), misfires=_misfires(pool.misfires), firings=pool.firings,
        percent=100 * pool.upper_share, confidence=100 * pool.confidence, side=_side(100 * pool.upper_share),
    )  # fmt: skip


def _more_sentence(more: MinutesMore) -> str:
    values = {"place": _place(more.where), "one_in": 1 / more.share, "confidence": 100 * more.confidence}
    if more.minutes >= 2:
        return _(
            "{minutes:.0f} quiet minutes more {place} would rule out a steady misfire of 1 in {one_in:,.0f} firings of "
            "one cylinder ({confidence:.0f} % confidence).",
            minutes=more.minutes, **values,
        )  # fmt: skip
    return _(
        "{minutes:.1f} quiet minutes more {place} would rule out a steady misfire of 1 in {one_in:,.0f} firings of one "
        "cylinder ({confidence:.0f} % confidence).",
        minutes=more.minutes, **values,
    )  # fmt: skip


def _misfires(count: int) -> str:
    return _("no misfire") if count == 0 else _("1 misfire") if count == 1 else _("{n} misfires", n=count)


def _rate_sentence(rate: HiddenRate, whose: str, cylinders: int | None) -> str:
    line = _(
        "With {misfires} in {events} ignition events of {whose} {place}, up to {percent:.2g} % of its events could "
        "still misfire ({confidence:.0f} % confidence).",
        misfires=_misfires(rate.misfires), events=rate.events, whose=whose, place=_place(rate.where),
        percent=100 * rate.upper_share, confidence=100 * rate.confidence,
    )  # fmt: skip
    if cylinders:
        engine = 100 * rate.upper_share / cylinders
        line += " " + _(
            "That is {percent:.2g} % of all firings, {side} the 1 % from which a monitor must care.",
            percent=engine, side=_side(engine),
        )  # fmt: skip
    return line


_CONDITIONS: Said[str] = Said({
    "near the freeze frame": "near the freeze frame", "of the whole drive": "of the whole drive",
})  # fmt: skip


def _silence(judged: DriveJudgement) -> list[str]:
    quiet = judged.silence
    if quiet is None or not quiet.minutes:
        return []
    said = [
        _(
            "{minutes:.0f} quiet minutes {conditions} would have shown bouts that come more often than every "
            "{spacing:.0f} min.",
            minutes=quiet.minutes,
            conditions=_CONDITIONS[quiet.conditions],
            spacing=quiet.would_have_shown_min,
        )
    ]
    if quiet.spacing_min is not None and quiet.chance_of_silence is not None and quiet.minutes_needed is not None:
        said.append(
            _(
                "If bouts still came every {spacing:.0f} min, {of_100:.0f} of 100 such drives would show none; "
                "{needed:.0f} min under the old conditions are needed",
                spacing=quiet.spacing_min, of_100=100 * quiet.chance_of_silence, needed=quiet.minutes_needed,
            )
            + (
                _(", {minutes:.0f} min more.", minutes=quiet.minutes_more)
                if quiet.minutes_more
                else _(": that is reached.")
            )
        )  # fmt: skip
    return said
