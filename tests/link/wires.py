"""Wires with a car, or something else, at one bit rate: what an adapter meets that is set right, or wrong.

python-can's virtual bus knows no bit rate, so this gives it one: set right, the adapter sits on the car's bus; set
wrong, whatever is said on the wires comes as error frames, and so does the echo of what it sends itself.
"""

from __future__ import annotations

import time
import uuid

import can

from firstcause.link.adapters import Adapter, AdapterFailed

ERROR = can.Message(is_error_frame=True)


class Wires:
    """`rate` in bit/s of what talks there. `chatter`: (identifier, is wide) of frames sent without being asked.

    `sent` lists (rate, identifier, data) of all that an adapter put on the wires; `opened` (rate, listen only).
    `ears` False: nobody is there to take a frame. `fails`: the adapter cannot be opened.
    """

    def __init__(
        self, rate: int, chatter: tuple[tuple[int, bool], ...] = (), ears: bool = True, fails: bool = False
    ) -> None:
        self.rate, self.chatter, self.ears, self.fails = rate, chatter, ears, fails
        self.channel = uuid.uuid4().hex
        self.sent: list[tuple[int, int, bytes]] = []
        self.opened: list[tuple[int, bool]] = []

    def open_bus(self, adapter: Adapter, bitrate: int, listen_only: bool) -> can.BusABC:
        if self.fails:
            raise AdapterFailed(adapter.interface, adapter.channel, OSError("no such device"))
        self.opened.append((bitrate, listen_only))
        return _AdapterOnWires(self, bitrate, listen_only and adapter.listens_only)

    def services_sent(self) -> set[bytes]:
        return {data[1 : 1 + data[0]] for _, _, data in self.sent if data[0] >> 4 == 0}


class _AdapterOnWires(can.BusABC):
    def __init__(self, wires: Wires, rate: int, mute: bool) -> None:
        super().__init__(channel="wires")
        self._wires, self._rate, self._mute = wires, rate, mute
        self._right = rate == wires.rate
        self._car = can.Bus(wires.channel, interface="virtual")
        self._errors = 0
        self._turn = 0

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        assert not self._mute, "an adapter that only listens was made to send"
        self._wires.sent.append((self._rate, msg.arbitration_id, bytes(msg.data)))
        if self._right and self._wires.ears:
            self._car.send(msg)
        else:
            self._errors += 1

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self._errors:
            self._errors -= 1
            return ERROR, False
        self._turn += 1
        if self._wires.chatter and self._turn % 2:
            time.sleep(0.002)
            identifier, wide = self._wires.chatter[self._turn // 2 % len(self._wires.chatter)]
            frame = can.Message(arbitration_id=identifier, is_extended_id=wide, data=bytes(8))
            return (frame if self._right else ERROR), False
        return self._car.recv(min(timeout or 0.0, 0.01)), False

    def shutdown(self) -> None:
        super().shutdown()
        self._car.shutdown()
