"""`firstcause snapshot` and `firstcause erase`: reading a car through any adapter that python-can supports."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from firstcause.cli.case import CASEBOOK, opened_casebook
from firstcause.cli.output import line
from firstcause.errors import RequestError

if TYPE_CHECKING:
    import can

    from firstcause.link import Session

KEPT = Path("adapter.toml")
F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True)
class Cable:
    """The adapter that a command was told to use, or that was found before; `bitrate` in bit/s."""

    interface: str
    channel: str | int
    bitrate: int
    wide: bool
    options: Mapping[str, Any] = field(default_factory=dict)

    def open(self) -> can.BusABC:
        """The bus; raises AdapterFailed."""
        from firstcause.link.adapters import Adapter, open_adapter

        named = Adapter(self.interface, self.channel, f"{self.interface} {self.channel}", options=self.options)
        return open_adapter(named, self.bitrate, listen_only=False)


def adapter(command: F) -> F:
    """The options that name an adapter; without them the one that `firstcause link find` kept. Gives a Cable."""

    @functools.wraps(command)
    def with_cable(
        *, interface: str | None, channel: str | None, bitrate: int | None, wide: bool, kept_path: Path, **rest: Any
    ) -> Any:
        return command(cable=_cable(interface, channel, bitrate, wide, kept_path), **rest)

    settled: Any = with_cable
    for option in (
        click.option("--interface", default=None, help="python-can interface: socketcan, slcan, pcan, virtual …"),
        click.option("--channel", default=None, help="Its channel: can0, /dev/ttyUSB0 …"),
        click.option("--bitrate", type=int, default=None, help="In bit/s; 500000 when nothing was found or said."),
        click.option("--wide", is_flag=True, help="29-bit identifiers."),
        click.option("--adapter", "kept_path", type=click.Path(dir_okay=False, path_type=Path), default=KEPT,
                     show_default=True, help="What `firstcause link find` found; used when no --interface is given."),
    ):  # fmt: skip
        settled = option(settled)
    return cast(F, settled)


def _cable(interface: str | None, channel: str | None, bitrate: int | None, wide: bool, kept_path: Path) -> Cable:
    if interface and channel:
        return Cable(interface, channel, bitrate or 500_000, wide)
    if interface or channel:
        raise RequestError("Give --interface and --channel together, or neither. Nothing was sent.")
    if not kept_path.exists():
        raise RequestError(
            f"Which adapter? Run `firstcause link find` first (it keeps what it finds in {kept_path}), or give "
            "--interface and --channel. Nothing was sent."
        )
    from firstcause.link.kept import KeptAdapter

    kept = KeptAdapter.read(kept_path)
    return Cable(kept.interface, kept.channel, bitrate or kept.bitrate, wide or kept.wide, kept.options)


@contextmanager
def _session(cable: Cable, record: Path | None) -> Iterator[Session]:
    from firstcause.link import ELEVEN_BIT, TWENTY_NINE_BIT, Recorder, Session

    bus = cable.open()
    recorder = None
    try:
        recorder = Recorder(record) if record is not None else None
        with Session(bus, TWENTY_NINE_BIT if cable.wide else ELEVEN_BIT, recorder=recorder) as session:
            yield session
    finally:
        if recorder is not None:
            recorder.close()
        bus.shutdown()


RECORD = click.option(
    "--record", type=click.Path(dir_okay=False, path_type=Path), default=None,
    help="Record every frame (.log); a snapshot for a case keeps it there, and the record prints its hash.",
)  # fmt: skip
BUS_RECORDING = "text/plain"


@click.command()
@adapter
@RECORD
@CASEBOOK
@click.option("--case", "case_id", default=None, help="Save into this case of the casebook.")
@click.option("--into", type=click.Path(dir_okay=False, path_type=Path), default=None, help="Save as a JSON file.")
@click.option("--json", "json_out", is_flag=True, help="Print the whole snapshot, for programs.")
def snapshot(
    cable: Cable, record: Path | None, store_path: Path, case_id: str | None, into: Path | None, json_out: bool,
) -> None:  # fmt: skip
    """Save all evidence: codes by status, freeze frame, readiness, counters, calibration ids, live data at idle."""
    from firstcause.casebook.evidence import snapshot_event
    from firstcause.link import take_snapshot

    if case_id is None and into is None:
        raise RequestError("Say where to save the snapshot: --case c-0001, or --into FILE. Nothing was read.")
    if case_id is not None:
        with opened_casebook(store_path) as store:
            store.head(case_id)  # refuses an unknown case before the car is read
    with _session(cable, record) as session:
        taken = take_snapshot(session)
    if into is not None:
        into.write_text(taken.to_json(), encoding="utf-8")
        click.echo(f"Saved: {into}", err=json_out)
    if case_id is not None:
        with opened_casebook(store_path) as store:
            event = store.append(case_id, snapshot_event(taken), by="snapshot command")
            kept = None
            if record is not None:
                about = f"bus recording of {event.id}"
                kept = store.attach(case_id, record.read_bytes(), record.name, BUS_RECORDING, about, "snapshot command")
        click.echo(f"Saved: event {event.id} of {case_id}", err=json_out)
        if kept is not None:
            click.echo(f"Recording kept with it: event {kept.id} of {case_id}", err=json_out)
    if json_out:
        click.echo(taken.to_json())
        return
    for status in ("confirmed", "pending", "permanent"):
        line(f"{status}: " + (", ".join(code.text for code in taken.codes(status)) or "none"))
    for remark in taken.remarks:
        line(remark)


@click.command()
@adapter
@RECORD
@CASEBOOK
@click.option("--case", "case_id", required=True, help="The case that holds the saved snapshot.")
@click.option("--word", required=True, help="Write ERASE to mean it.")
def erase(
    cable: Cable, record: Path | None, store_path: Path, case_id: str, word: str,
) -> None:  # fmt: skip
    """Erase codes: only with a saved snapshot, key on, engine off, and the word ERASE.

    The permanent record stays until the car itself has run its monitor and passed.
    """
    import json

    from firstcause.casebook.events import Erased, Snapshot
    from firstcause.link import erase_codes
    from firstcause.signals.snapshot import SavedSnapshot
    from firstcause.signals.snapshot import Snapshot as WireSnapshot

    with opened_casebook(store_path) as store:
        current = store.case(case_id)
        saved = next(
            (e for e in reversed(current.effective) if isinstance(e.body, Snapshot) and e.body.record is not None), None
        )
        if saved is None or current.snapshot_before_erase is None:
            raise RequestError(f"{case_id} holds no snapshot taken by wire since the last erase. Nothing was sent.")
        assert isinstance(saved.body, Snapshot)
        wire = WireSnapshot.from_json(json.dumps(saved.body.record))
        with _session(cable, record) as session:
            report = erase_codes(
                session, snapshot=wire, receipt=SavedSnapshot.of(wire, f"{case_id} {saved.id}"), word=word
            )
        if report.erased:
            event = store.append(case_id, Erased(saved=saved.id), by="erase command")
            line(f"Erased by {', '.join(map(str, report.erased))}; recorded as event {event.id}.", 0)
    for unit, why in (*report.refused, *report.unclear):
        line(f"{unit} did not erase: {why}.")
    for unit in report.silent:
        line(f"{unit} did not answer; read its codes again.")
    line("The permanent record remains until the car's own monitor has run and passed.")
