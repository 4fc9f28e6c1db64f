"""Who is who on the bus: identifiers of the tester and of the control units, 11 and 29 bits wide."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from firstcause.errors import RequestError

Width = Literal[11, 29]


@dataclass(frozen=True, slots=True, order=True)
class Unit:
    """One control unit: the identifier it answers with, and how wide that is."""

    response_id: int
    width: Width

    def __post_init__(self) -> None:
        if not ADDRESSINGS[self.width].is_response_id(self.response_id):
            raise RequestError(
                f"{self.response_id:X} is no {self.width}-bit identifier that a control unit answers with. "
                "Nothing was sent; take the unit from the list of those that answered."
            )

    @property
    def request_id(self) -> int:
        """The identifier that only this unit listens to; its flow control goes here too."""
        if self.width == 11:
            return self.response_id - 8
        return 0x18DA00F1 | (self.response_id & 0xFF) << 8

    def __str__(self) -> str:
        return f"{self.response_id:03X}" if self.width == 11 else f"{self.response_id:08X}"


@dataclass(frozen=True, slots=True)
class Addressing:
    """The identifiers of one width.

    Source: ISO 15765-4 (from memory; reference/regulation-and-protocol 2.1): 7DF, 7E0–7E7, 7E8–7EF; 18DB33F1,
    18DAxxF1, 18DAF1xx.
    """

    width: Width
    functional_id: int

    @property
    def is_extended(self) -> bool:
        return self.width == 29

    def is_response_id(self, identifier: int) -> bool:
        """Whether a control unit answers the tester with this identifier."""
        if self.width == 11:
            return 0x7E8 <= identifier <= 0x7EF
        return identifier & 0xFFFFFF00 == 0x18DAF100

    def is_request_id(self, identifier: int) -> bool:
        """Whether the tester sends with this identifier."""
        if self.width == 11:
            return identifier == self.functional_id or 0x7E0 <= identifier <= 0x7E7
        return identifier == self.functional_id or identifier & 0xFFFF00FF == 0x18DA00F1


ELEVEN_BIT = Addressing(11, 0x7DF)
TWENTY_NINE_BIT = Addressing(29, 0x18DB33F1)
ADDRESSINGS: dict[Width, Addressing] = {11: ELEVEN_BIT, 29: TWENTY_NINE_BIT}
