"""Every frame sent and received, written to a trace file as it passes; a crash loses nothing already written."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

import can

from firstcause.errors import RequestError

SYNC_EVERY_S = 1.0


class Recorder:
    """Writes a candump log (`.log`), line by line, with the time of the wall clock in Unix seconds.

    Each line goes to the operating system at once (a crash of this program loses nothing), and to the disk at least
    once a second and on `close` (a power cut loses at most the last second). Both directions share one lock, so an
    answer never stands before its request.

    Raises RequestError when the file exists already (a recording is evidence and is not overwritten) or is no `.log`.
    """

    def __init__(self, path: Path, clock: Callable[[], float] = time.time, channel: str = "can0") -> None:
        if path.suffix != ".log":
            raise RequestError(
                f"A recording is a candump log and must end in .log, not {path.name}. Nothing was opened."
            )
        try:
            self._file = path.open("x", encoding="ascii")
        except FileExistsError as cause:
            raise RequestError(f"{path.name} exists already and was left alone. Choose another name.") from cause
        self.path = path
        self.frames = 0
        self._writer = can.CanutilsLogWriter(self._file, channel)
        self._clock, self._channel = clock, channel
        self._lock = threading.Lock()
        self._synced_s = clock()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def record_sent(self, message: can.Message, send: Callable[[can.Message], None]) -> None:
        """Send by `send`, then write; what could not be sent is not written. Raises RequestError once closed."""
        with self._lock:
            if self._file.closed:
                raise RequestError(f"The recording {self.path.name} is closed. Nothing was sent; start a new session.")
            send(message)
            self._write(message, is_rx=False)

    def record_received(self, message: can.Message) -> None:
        """Write a frame from the bus."""
        with self._lock:
            if not self._file.closed:
                self._write(message, is_rx=message.is_rx)

    def close(self) -> None:
        """Put everything on the disk and close the file."""
        with self._lock:
            if not self._file.closed:
                os.fsync(self._file.fileno())
                self._file.close()

    def _write(self, message: can.Message, is_rx: bool) -> None:
        now_s = self._clock()
        self._writer.on_message_received(
            can.Message(
                timestamp=now_s,
                channel=self._channel,
                arbitration_id=message.arbitration_id,
                is_extended_id=message.is_extended_id,
                is_error_frame=message.is_error_frame,
                is_remote_frame=message.is_remote_frame,
                data=message.data,
                dlc=message.dlc,
                is_rx=is_rx,
            )
        )
        self._file.flush()
        self.frames += 1
        if now_s - self._synced_s >= SYNC_EVERY_S:
            os.fsync(self._file.fileno())
            self._synced_s = now_s
