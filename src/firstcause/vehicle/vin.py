"""The vehicle identification number: its parts, its check digit, its region and its model-year code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from firstcause.errors import RequestError

Region = Literal["Africa", "Asia", "Europe", "North America", "Oceania", "South America"]
CheckDigit = Literal["right", "wrong", "not-applicable"]

LENGTH = 17
_ALPHABET = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
_LOOKALIKES = {"I": "1", "O": "0", "Q": "0"}
# Values and weights: 49 CFR part 565, Tables III and IV (read in a stored copy of the rule).
_VALUES = {digit: int(digit) for digit in "0123456789"} | {
    letter: value
    for letters, values in (("ABCDEFGH", "12345678"), ("JKLMNPR", "1234579"), ("STUVWXYZ", "23456789"))
    for letter, value in zip(letters, map(int, values), strict=True)
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
# Model-year codes in order from 1980: 49 CFR 565.15, Table VII (from memory).
_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
_FIRST_YEAR, _CYCLE_YEARS = 1980, 30
# Regions by first character: ISO 3780 (from memory). 0 is not assigned.
_REGIONS: tuple[tuple[str, Region], ...] = (
    ("ABCDEFGH", "Africa"),
    ("JKLMNPR", "Asia"),
    ("STUVWXYZ", "Europe"),
    ("12345", "North America"),
    ("67", "Oceania"),
    ("89", "South America"),
)


class BadVin(RequestError):
    """The text cannot be a VIN."""

    def __init__(self, text: str, why: str) -> None:
        self.text, self.why = text, why
        super().__init__(f"{text!r} cannot be a VIN: {why}. Nothing was recorded; read it again from the car.")


class WrongVinLength(BadVin):
    """A VIN has 17 characters, no more and no fewer."""

    def __init__(self, text: str) -> None:
        self.length = len(text)
        super().__init__(text, f"it has {len(text)} characters where 17 are due")


class BadVinCharacter(BadVin):
    """A character that no VIN contains. `position` counts from 1; `instead` is the likely misreading, if any."""

    def __init__(self, text: str, position: int) -> None:
        character = text[position - 1]
        self.position, self.character, self.instead = position, character, _LOOKALIKES.get(character)
        why = f"{character!r} at position {position} is not used in VINs"
        super().__init__(text, why + (f" (likely {self.instead})" if self.instead else ""))


@dataclass(frozen=True, slots=True)
class Vin:
    """A VIN of well-formed characters. A wrong check digit does not stop it from being one; ask `check_digit`.

    Raises WrongVinLength or BadVinCharacter. Capitals only; `Vin.read` takes text as people type it.

    Source: ISO 3779 for the sections, 49 CFR part 565 for check digit and model year.
    """

    text: str

    def __post_init__(self) -> None:
        if len(self.text) != LENGTH:
            raise WrongVinLength(self.text)
        for position, character in enumerate(self.text, start=1):
            if character not in _ALPHABET:
                raise BadVinCharacter(self.text, position)

    @classmethod
    def read(cls, typed: str) -> Vin:
        """From typed text: blanks and dashes are dropped, small letters taken as capitals."""
        return cls("".join(typed.split()).replace("-", "").upper())

    @property
    def wmi(self) -> str:
        """World manufacturer identifier, positions 1–3."""
        return self.text[:3]

    @property
    def vds(self) -> str:
        """Vehicle descriptor section, positions 4–9."""
        return self.text[3:9]

    @property
    def vis(self) -> str:
        """Vehicle identifier section, positions 10–17."""
        return self.text[9:]

    @property
    def region(self) -> Region | None:
        """The region that gave the manufacturer its identifier, or None for a first character not assigned."""
        return next((region for firsts, region in _REGIONS if self.text[0] in firsts), None)

    @property
    def computed_check_digit(self) -> str:
        """What position 9 would be if this VIN carries a check digit: 0 to 9 or X.

        Source: 49 CFR part 565: sum of value times weight, modulo 11, 10 written as X.
        """
        rest = sum(_VALUES[c] * w for c, w in zip(self.text, _WEIGHTS, strict=True)) % 11
        return "X" if rest == 10 else str(rest)

    @property
    def check_digit(self) -> CheckDigit:
        """Whether position 9 is right. Only North American identifiers must carry one; elsewhere not-applicable.

        Cars made elsewhere for the North American market carry one too: compare `computed_check_digit` by hand there.
        """
        if self.region != "North America":
            return "not-applicable"
        return "right" if self.text[8] == self.computed_check_digit else "wrong"

    def model_years(self, *, light_vehicle: bool = False) -> tuple[int, ...]:
        """The years that position 10 may stand for, oldest first; empty when it is no year code.

        The code repeats every 30 years, so there are two; only for a North American passenger car, or multipurpose
        vehicle or truck of at most 10,000 lb (`light_vehicle`), position 7 decides: digit 1980–2009, letter 2010–2039.
        Outside North America the code is not required, so the years are no more than a hint.

        Source: 49 CFR 565.15(d)(1) and Table VII (from memory; the purpose of position 7 in the Part 565 preamble).
        """
        place = _YEAR_CODES.find(self.text[9])
        if place < 0:
            return ()
        early, late = _FIRST_YEAR + place, _FIRST_YEAR + _CYCLE_YEARS + place
        if light_vehicle and self.region == "North America":
            return (early,) if self.text[6].isdigit() else (late,)
        return early, late
