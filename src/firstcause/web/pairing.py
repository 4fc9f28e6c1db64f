"""Which devices may use the page when it is open to the garage's network: a code from the server's screen, once each.

Only a digest of each device's secret is kept, beside the casebook. Whoever sits at the server itself (loopback) needs
no code: there the code is shown.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from threading import Lock
from typing import Annotated

from pydantic import Field, ValidationError

from firstcause.casebook.events import Strict
from firstcause.casebook.whole_file import write_whole
from firstcause.errors import CaseError, RequestError

LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # without I, L, O, 0, 1: read off a screen and typed with gloves
CODE_LENGTH = 8  # 31 ** 8 codes; with WRONG_IN_A_ROW a minute nobody guesses one
WRONG_IN_A_ROW = 5
PAUSE = timedelta(minutes=1)
MOST_DEVICES = 50


class WrongCode(RequestError):
    """The code is not the one on the server's screen."""

    def __init__(self) -> None:
        super().__init__("This is not the code on the server's screen. Nothing was opened. Read it again and type it.")


class TooManyTries(RequestError):
    """Wrong codes came too often; nobody is let in for a while."""

    def __init__(self) -> None:
        super().__init__(
            "Too many wrong codes came. Nobody is let in for a minute, and the code has changed: "
            "read the new one off the server's screen."
        )


class DevicesUnreadable(CaseError):
    """The file of the devices cannot be read or written."""

    def __init__(self, path: Path, why: str) -> None:
        self.path, self.why = path, why
        super().__init__(
            f"The list of devices in {path.name} cannot be used: {why}. No case is touched. "
            "Take the file away and pair each device anew."
        )


class Device(Strict):
    """A device that was let in: what it is called, since when, and the digest of its secret."""

    id: Annotated[str, Field(pattern=r"^[0-9a-f]{12}$")]
    name: Annotated[str, Field(max_length=60)]
    since: datetime
    digest: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class _Kept(Strict):
    devices: tuple[Device, ...] = ()


class Pairing:
    """The code of this start and the devices let in. May be used from several threads at once."""

    def __init__(self, path: Path, clock: Callable[[], datetime], scheme: str = "http") -> None:
        """Raises DevicesUnreadable when the file at `path` is broken; it is made when it is not there."""
        self._path, self._clock, self.is_secret = path, clock, scheme == "https"
        self._lock = Lock()
        self._wrong = 0
        self._shut_until: datetime | None = None
        self.code = new_code()
        self.address = ""
        self._devices = _read(path)

    @property
    def devices(self) -> tuple[Device, ...]:
        return self._devices

    def let_in(self, typed: str, name: str) -> str:
        """The secret of a new device, for its cookie. Raises WrongCode, TooManyTries, or that the list is full."""
        with self._lock:
            now = self._clock()
            if self._shut_until is not None and now < self._shut_until:
                raise TooManyTries
            if not hmac.compare_digest(as_typed(typed).encode(), self.code.encode()):
                self._wrong += 1
                if self._wrong < WRONG_IN_A_ROW:
                    raise WrongCode
                self._wrong, self._shut_until, self.code = 0, now + PAUSE, new_code()
                raise TooManyTries
            if len(self._devices) >= MOST_DEVICES:
                raise RequestError(f"{MOST_DEVICES} devices are let in already. Send one away in the settings first.")
            self._wrong = 0
            secret = secrets.token_urlsafe(32)
            digest = _digest(secret)
            device = Device(id=digest[:12], name=name.strip()[:60] or "a device", since=now, digest=digest)
            self._keep((*self._devices, device))
            return secret

    def device_of(self, secret: str) -> Device | None:
        """The device with this secret, if it was let in."""
        digest = _digest(secret)
        return next((each for each in self._devices if hmac.compare_digest(each.digest, digest)), None)

    def send_away(self, device_id: str) -> None:
        """From now on this device needs the code again."""
        with self._lock:
            self._keep(tuple(each for each in self._devices if each.id != device_id))

    def _keep(self, devices: tuple[Device, ...]) -> None:
        try:
            write_whole(self._path, _Kept(devices=devices).model_dump_json(indent=2) + "\n", mode=0o600)
        except OSError as error:
            raise DevicesUnreadable(self._path, f"it cannot be written ({error})") from error
        self._devices = devices


def new_code() -> str:
    """A code for the screen."""
    return "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))


def as_typed(words: str) -> str:
    """A typed code without blanks and dashes, in capitals."""
    return "".join(letter for letter in words.upper() if letter.isalnum() and letter.isascii())


def in_two(code: str) -> str:
    """`ABCD EFGH`: read off more easily."""
    return f"{code[: CODE_LENGTH // 2]} {code[CODE_LENGTH // 2 :]}"


def devices_path(casebook: Path) -> Path:
    """The file that belongs to a casebook: `casebook.db` -> `casebook.devices.json` beside it."""
    return casebook.with_suffix(".devices.json")


def _read(path: Path) -> tuple[Device, ...]:
    if not path.exists():
        return ()
    try:
        return _Kept.model_validate_json(path.read_bytes()).devices
    except (OSError, ValidationError) as error:
        raise DevicesUnreadable(path, str(error).splitlines()[0]) from error


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
