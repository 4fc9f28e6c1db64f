"""Erasing codes: the only act here that changes the car, behind a guard that asks for proof, safety and a word."""

from __future__ import annotations

from dataclasses import dataclass

from firstcause.errors import CarError, RequestError
from firstcause.link.addressing import Unit
from firstcause.link.session import NoAnswer, Session
from firstcause.signals import CurrentData, Erased, Refused, VehicleInfo, decode_answer, request_current, request_info
from firstcause.signals.parameters import parameter_of
from firstcause.signals.snapshot import SavedSnapshot, Snapshot

WORD = "ERASE"
_ASK_SPEED = request_current(parameter_of("engine_rpm").pid)
_ASK_VIN = request_info(0x02)
_KEY_ON = "Turn the key on, engine off, then try again."
_CHECK_PLUG = "Check the plug, then try again."


class EraseRefused(RequestError):
    """The guard said no; nothing was sent that changes the car."""

    def __init__(self, why: str, do: str) -> None:
        self.why = why
        super().__init__(f"Codes were not erased: {why}. Nothing in the car was changed. {do}")


@dataclass(frozen=True, slots=True)
class EraseReport:
    """What each unit said to the request. `silent` answered before, and not to this: they may still hold codes."""

    erased: tuple[Unit, ...]
    refused: tuple[tuple[Unit, str], ...] = ()
    unclear: tuple[tuple[Unit, str], ...] = ()
    silent: tuple[Unit, ...] = ()

    @property
    def is_complete(self) -> bool:
        """True when every unit that is there has erased."""
        return bool(self.erased) and not (self.refused or self.unclear or self.silent)


def erase_codes(session: Session, *, snapshot: Snapshot, receipt: SavedSnapshot, word: str) -> EraseReport:
    """Erase codes in all control units, if and only if the guard is satisfied.

    Asked in this order: the word ERASE; a receipt whose hash is that of `snapshot`, which must hold a read-out of
    codes; then in the car: the same VIN as in the snapshot where both are known, key on (units answer), and last the
    engine off (every unit that knows the speed says 0). Then $04 is sent once, to all units.

    Erasing also wipes freeze frame, readiness and monitor results (saved in the snapshot); permanent codes and in-use
    counters stay until the car itself has finished its checks. Source: SAE J1979 (from memory; reference 1.5).

    Raises EraseRefused (nothing sent that changes the car), BusStopped.
    """
    _require_word_and_proof(snapshot, receipt, word)
    _require_same_car(session, snapshot)
    units = _units_with_key_on(session)
    _require_engine_off(session)
    exchange = session._erase_after_guard()
    erased: list[Unit] = []
    refused: list[tuple[Unit, str]] = []
    unclear: list[tuple[Unit, str]] = [(broken.unit, str(broken)) for broken in exchange.faults]
    for unit, payload in exchange:
        try:
            answer = decode_answer(exchange.request, payload)
        except CarError as error:
            unclear.append((unit, str(error)))
            continue
        if isinstance(answer, Erased):
            erased.append(unit)
        elif isinstance(answer, Refused):
            refused.append((unit, answer.reason))
    heard = {*erased, *(unit for unit, _ in refused), *(unit for unit, _ in unclear)}
    silent = tuple(unit for unit in units if unit not in heard)
    return EraseReport(tuple(erased), tuple(refused), tuple(unclear), silent)


def _require_word_and_proof(snapshot: Snapshot, receipt: SavedSnapshot, word: str) -> None:
    if word != WORD:
        raise EraseRefused(f"the word {WORD} was not given", f"Type {WORD} in capitals if that is what you want.")
    if receipt.content_hash != snapshot.content_hash:
        raise EraseRefused(
            "the receipt is not for this snapshot", "Save this snapshot in the case, then use the receipt of that."
        )
    if all(unit.confirmed is None for unit in snapshot.units):
        raise EraseRefused("the snapshot holds no read-out of the confirmed codes", "Take a new snapshot and save it.")


def _units_with_key_on(session: Session) -> tuple[Unit, ...]:
    try:
        return session.find_units()
    except NoAnswer as silence:
        raise EraseRefused("no control unit answers", _KEY_ON) from silence


def _require_engine_off(session: Session) -> None:
    """Every unit that knows the engine speed must say 0, and at least one must know it."""
    speeds: list[tuple[Unit, float]] = []
    exchange = session.request(_ASK_SPEED)
    if exchange.faults:
        raise EraseRefused(f"the engine speed came broken ({exchange.faults[0].fault})", _CHECK_PLUG)
    for unit, payload in exchange:
        try:
            answer = decode_answer(exchange.request, payload)
        except CarError as error:
            raise EraseRefused("the engine speed could not be read", _CHECK_PLUG) from error
        reading = answer.reading("engine_rpm") if isinstance(answer, CurrentData) else None
        if reading is not None and isinstance(reading.value, float):
            speeds.append((unit, reading.value))
    if not speeds:
        raise EraseRefused("no control unit told the engine speed", _KEY_ON)
    for unit, rpm in speeds:
        if rpm != 0:
            raise EraseRefused(
                f"the engine runs ({rpm:g} rpm, told by {unit})", "Switch the engine off, key on, then try again."
            )


def _require_same_car(session: Session, snapshot: Snapshot) -> None:
    if snapshot.vin is None:
        return
    exchange = session.request(_ASK_VIN)
    for _, payload in exchange:
        try:
            answer = decode_answer(exchange.request, payload)
        except CarError:
            continue
        if isinstance(answer, VehicleInfo) and isinstance(answer.value, str) and answer.value != snapshot.vin:
            raise EraseRefused(
                f"this car says VIN {answer.value}, the snapshot is of {snapshot.vin}",
                "Take and save a snapshot of this car.",
            )
