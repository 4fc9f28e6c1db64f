"""A car made of frames written by hand: an outside check of our transport, on python-can's virtual bus.

A script maps a request ("01 00") to steps: a frame to send ("7E8 06 41 00 …"), "cut 7E8 06 41" (a frame without
padding), "fc 7E0" (wait for flow control to that identifier), "pause 0.03" (seconds), or "error" (a bus error frame). A
request without a script meets silence.
"""

from __future__ import annotations

import threading
import time
import uuid

import can

FLOW_CONTROL_PATIENCE_S = 1.0


class ScriptedCar:
    """Owns both ends of one virtual bus; `tester_bus` is the adapter's end. `heard` lists (identifier, data)."""

    def __init__(self) -> None:
        self._channel = uuid.uuid4().hex
        self.tester_bus = can.Bus(self._channel, interface="virtual")
        self._bus = can.Bus(self._channel, interface="virtual")
        self._scripts: dict[bytes, list[list[str]]] = {}
        self.heard: list[tuple[int, bytes]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def on(self, request: str, *steps: str) -> None:
        """Answer `request` with these steps; called again for the same request: the next time, and so on."""
        self._scripts.setdefault(bytes.fromhex(request), []).append(list(steps))

    def requests(self) -> list[tuple[int, str]]:
        """(identifier, request) heard so far, without flow control."""
        return [
            (identifier, data[1 : 1 + data[0]].hex(" ").upper()) for identifier, data in self.heard if data[0] >> 4 == 0
        ]

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._bus.shutdown()
        self.tester_bus.shutdown()

    def _run(self) -> None:
        while not self._stop.is_set():
            message = self._bus.recv(0.01)
            if message is None:
                continue
            self._hear(message)
            data = bytes(message.data)
            turns = self._scripts.get(data[1 : 1 + data[0]]) if data[0] >> 4 == 0 else None
            if turns:
                self._play(turns.pop(0) if len(turns) > 1 else turns[0])

    def _hear(self, message: can.Message) -> None:
        self.heard.append((message.arbitration_id, bytes(message.data)))

    def _play(self, steps: list[str]) -> None:
        permitted: set[int] = set()
        for step in steps:
            head, _, rest = step.partition(" ")
            if head == "pause":
                time.sleep(float(rest))
            elif head == "error":
                self._bus.send(can.Message(is_error_frame=True))
            elif head == "fc":
                self._wait_for_flow_control(int(rest, 16), permitted)
            elif head == "cut":
                identifier, _, data = rest.partition(" ")
                self._send(identifier, bytes.fromhex(data))
            else:
                self._send(head, bytes.fromhex(rest).ljust(8, b"\xaa"))

    def _send(self, identifier: str, data: bytes) -> None:
        wide = len(identifier) == 8
        self._bus.send(can.Message(arbitration_id=int(identifier, 16), is_extended_id=wide, data=data))

    def _wait_for_flow_control(self, identifier: int, permitted: set[int]) -> None:
        deadline = time.monotonic() + FLOW_CONTROL_PATIENCE_S
        while identifier not in permitted and time.monotonic() < deadline:
            message = self._bus.recv(0.01)
            if message is not None:
                self._hear(message)
                if bytes(message.data[:3]) == b"\x30\x00\x00":
                    permitted.add(message.arbitration_id)
        assert identifier in permitted, f"no flow control came to {identifier:X}"
