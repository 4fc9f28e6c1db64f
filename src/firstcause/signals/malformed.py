"""What can be wrong with the bytes of an answer, each with one clear sentence."""

from __future__ import annotations

from firstcause.errors import CarError, RequestError


def hex_text(data: bytes) -> str:
    """Bytes as people read them on a trace: `41 0C 1A F8`."""
    return data.hex(" ").upper()


class BadAnswer(CarError):
    """The bytes of an answer do not fit the request; nothing was kept from it."""

    def __init__(self, what: str, *, payload: bytes) -> None:
        self.payload = payload
        super().__init__(
            f"{what} (bytes: {hex_text(payload) or 'none'}). Nothing was kept from this answer. "
            "Ask again; if it repeats, check the plug and the battery voltage."
        )


class AnswerTooShort(BadAnswer):
    """The answer breaks off before everything it announced has come."""

    def __init__(self, what: str, *, payload: bytes, due: int) -> None:
        self.due, self.got = due, len(payload)
        super().__init__(f"{what} breaks off: {len(payload)} bytes came where {due} were due", payload=payload)


class AnswerTooLong(BadAnswer):
    """The answer goes on after everything it announced has come."""

    def __init__(self, what: str, *, payload: bytes, due: int) -> None:
        self.due, self.got = due, len(payload)
        super().__init__(f"{what} is too long: {len(payload)} bytes came where {due} were due", payload=payload)


class WrongEcho(BadAnswer):
    """The answer belongs to another question."""

    def __init__(self, what: str, *, payload: bytes, expected: int, got: int) -> None:
        self.expected, self.got = expected, got
        super().__init__(f"{what}: {expected:02X} was asked, the answer is for {got:02X}", payload=payload)


class OutOfRange(RequestError):
    """A value cannot be written in the bytes that the standard gives it."""

    def __init__(self, name: str, value: object, allowed: str) -> None:
        self.name, self.value, self.allowed = name, value, allowed
        super().__init__(f"{name} cannot be {value!r}: {allowed}. Nothing was encoded; give a value that fits.")


def require_length(what: str, payload: bytes, due: int) -> None:
    """Raises AnswerTooShort or AnswerTooLong unless `payload` has exactly `due` bytes."""
    if len(payload) < due:
        raise AnswerTooShort(what, payload=payload, due=due)
    if len(payload) > due:
        raise AnswerTooLong(what, payload=payload, due=due)
