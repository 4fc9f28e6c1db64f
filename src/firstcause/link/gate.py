"""The gate: the one place where a frame leaves this program; what is not on its list cannot pass.

Whoever holds a session, by whatever path, sends through here. The gate looks at the finished frame, not at the
intention: identifier, kind of frame, length, service.
"""

from __future__ import annotations

from collections.abc import Callable

import can

from firstcause.errors import RequestError
from firstcause.link.addressing import Addressing
from firstcause.link.recording import Recorder
from firstcause.signals import ERASE, READ_SERVICES

LONGEST_REQUEST = 7
# OBD on UDS, reading only: what the car is built to (22 F8 10) and its codes, group 33 = emissions. Source: SAE J1979-2
# and ISO 14229-1 (from memory): 19 42 = codes of a group by mask, 19 55 = permanent codes of a group.
UDS_READS: tuple[bytes, ...] = (b"\x22\xf8\x10", b"\x19\x42\x33", b"\x19\x55\x33")
_FLOW_CONTROL = (b"\x30\x00\x00", b"\x32\x00\x00")  # go on; too long for me


class ServiceNotAllowed(RequestError):
    """A service that this tool does not send."""

    def __init__(self, service: int | None) -> None:
        self.service = service
        named = "An empty request" if service is None else f"Service ${service:02X}"
        super().__init__(
            f"{named} is not sent by this tool: it reads with $01 $02 $03 $06 $07 $09 $0A, and erases only by the "
            "guarded way. Nothing was sent."
        )


class FrameNotAllowed(RequestError):
    """A frame that is no request of a tester."""

    def __init__(self, identifier: int, data: bytes) -> None:
        self.identifier, self.data = identifier, data
        super().__init__(
            f"The frame {identifier:X} {data.hex(' ').upper()} is no reading request of a tester. Nothing was sent."
        )


def is_read(request: bytes) -> bool:
    """Whether a whole request (service byte first) only reads."""
    return request[:1] != b"" and (request[0] in READ_SERVICES or request.startswith(UDS_READS))


class Gate:
    """Holds the bus for sending. Reading requests and flow control pass; one erase passes after each `open_once`."""

    def __init__(self, bus: can.BusABC, addressing: Addressing, recorder: Recorder | None) -> None:
        self.__send: Callable[[can.Message], None] = bus.send
        self._addressing, self._recorder = addressing, recorder
        self._erases_left = 0

    def open_once(self) -> None:
        """Let one erase pass: the next, and no other. `Session._erase_after_guard` is the only caller; a test holds it.

        Raises nothing; `shut` takes the leave back when it was not used.
        """
        self._erases_left = 1

    def shut(self) -> None:
        """Nothing but reading passes any more."""
        self._erases_left = 0

    def send(self, identifier: int, data: bytes) -> None:
        """One frame out, filled up to eight bytes with zeros, recorded as it goes.

        Raises ServiceNotAllowed or FrameNotAllowed with nothing sent; what the bus raises comes through.
        """
        self._refuse_what_may_not_leave(identifier, data)
        message = can.Message(
            arbitration_id=identifier,
            is_extended_id=self._addressing.is_extended,
            data=data.ljust(8, b"\0"),
            is_rx=False,
            check=True,
        )
        if self._recorder is None:
            self.__send(message)
        else:
            self._recorder.record_sent(message, self.__send)

    def _refuse_what_may_not_leave(self, identifier: int, data: bytes) -> None:
        if not self._addressing.is_request_id(identifier) or not 1 <= len(data) <= 8:
            raise FrameNotAllowed(identifier, data)
        if data.startswith(_FLOW_CONTROL) and not any(data[3:]) and identifier != self._addressing.functional_id:
            return
        length = data[0]
        request = data[1 : 1 + length]
        if not 1 <= length <= LONGEST_REQUEST or len(request) != length or any(data[1 + length :]):
            raise FrameNotAllowed(identifier, data)
        if request == bytes((ERASE,)) and self._erases_left and identifier == self._addressing.functional_id:
            self._erases_left = 0
            return
        if not is_read(request):
            raise ServiceNotAllowed(request[0])
