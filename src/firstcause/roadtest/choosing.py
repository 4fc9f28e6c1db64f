"""Which column of a log gives which signal: the guess, what the caller says, and why the rest is left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from firstcause.errors import LogError
from firstcause.roadtest.headings import BY_KEY, guess_meaning
from firstcause.tongue import _
from firstcause.units import find_unit


class NoTime(LogError):
    """The file has no usable clock."""

    def __init__(self, why: str, headings: Sequence[str]) -> None:
        self.why, self.headings = why, tuple(headings)
        super().__init__(
            f"This drive cannot be judged: {why}. Nothing was kept. Columns found: {', '.join(headings)}. "
            "Export it with a time column, or name the column that holds the time."
        )


class UnknownColumn(LogError):
    """The caller named a column or a signal that does not exist."""

    def __init__(self, what: str, known: Sequence[str]) -> None:
        self.what, self.known = what, tuple(known)
        super().__init__(f"{what}. Nothing was read. Known: {', '.join(known)}.")


@dataclass(frozen=True, slots=True)
class Choice:
    """A column that will be used: where it stands, what it holds, in which unit (None: not named)."""

    index: int
    heading: str
    key: str
    unit: str | None


def choose_columns(
    headings: Sequence[str], units: Sequence[str | None], mapping: Mapping[str, str]
) -> tuple[list[Choice], list[tuple[str, str]], list[str]]:
    """Which column gives which signal; the rest is ignored, each with a reason."""
    for heading, target in mapping.items():
        key = target.partition("@")[0]
        if heading not in headings:
            raise UnknownColumn(f"There is no column {heading!r}", headings)
        if key != "ignore" and key not in BY_KEY and not (key.startswith("misfires:") and key[9:].isdigit()):
            raise UnknownColumn(f"{key!r} is not a signal", ["ignore", *BY_KEY, "misfires:N"])
        named = target.partition("@")[2]
        fits = key in BY_KEY and (found := find_unit(named)) is not None and found.quantity == BY_KEY[key].quantity
        if named and not fits:
            raise UnknownColumn(
                f"{named!r} is not a unit of {key}", ["km/h", "mph", "m/s", "degC", "degF", "s", "ms", "%"]
            )
    ignored: list[tuple[str, str]] = []
    notes: list[str] = []
    ranked: list[tuple[int, int, Choice]] = []
    for index, (heading, unit_below) in enumerate(zip(headings, units, strict=True)):
        if heading in mapping:
            key, _at, named = mapping[heading].partition("@")
            if key == "ignore":
                ignored.append((heading, _("you asked to ignore it")))
            else:
                ranked.append((-1, index, Choice(index, heading, key, named or unit_below)))
            continue
        guess = guess_meaning(heading)
        if guess is None:
            ignored.append((heading, _("its meaning is not known")))
        elif guess.key == "group":
            ignored.append((heading, _("it names the driver or trip, not a signal; ask to split by it")))
        else:
            unit = guess.unit.symbol if guess.unit else unit_below
            ranked.append((guess.rank, index, Choice(index, heading, guess.key, unit)))
    chosen: dict[str, Choice] = {}
    clocks: list[Choice] = []
    for _rank, _index, choice in sorted(ranked, key=lambda item: item[:2]):
        if choice.key == "time_s":
            clocks.append(choice)
        elif choice.key in chosen:
            ignored.append((choice.heading, already_given(chosen[choice.key].heading, choice.key)))
        else:
            chosen[choice.key] = choice
    for heading in {h for h in headings if h and headings.count(h) > 1}:
        notes.append(
            _(
                "the heading {heading!r} stands {n} times; the first was used",
                heading=heading,
                n=headings.count(heading),
            )
        )
    return clocks + sorted(chosen.values(), key=lambda c: c.index), ignored, notes


def already_given(heading: str, signal: str) -> str:
    """Why a second column for one signal is not used."""
    return _("{heading!r} already gives {signal}", heading=heading, signal=signal)


def does_not_fit(unit: str, signal: str) -> str:
    """Why a column is not used whose unit belongs to another quantity."""
    return _("its unit ({unit}) does not fit {signal}", unit=unit, signal=signal)


def choose_clock(choices: Sequence[Choice], headings: Sequence[str]) -> Choice:
    """The best clock: one with a unit of time in its heading first, then by the order of the synonyms."""
    clocks = [c for c in choices if c.key == "time_s"]
    if not clocks:
        raise NoTime("no column is a clock", headings)
    return min(clocks, key=lambda c: c.unit is None)
