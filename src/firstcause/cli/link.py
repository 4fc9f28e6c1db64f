"""`firstcause link`: find the adapter and the car, record live data, write a recording in another form."""

from __future__ import annotations

import json
import signal
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firstcause.cli.car import KEPT, Cable, adapter
from firstcause.cli.output import CAR_DID_IT, SayErrors, as_json, line
from firstcause.errors import RequestError

if TYPE_CHECKING:
    import can

    from firstcause.link import Session
    from firstcause.link.finding import Finding
    from firstcause.link.live import Missed


@click.group("link", cls=SayErrors)
def link() -> None:
    """The car on the other end of the cable: found, live data, recordings. Reads only.

    \b
    firstcause link find
    firstcause link live --out drive.log --minutes 20
    firstcause link export drive.log drive.csv
    """


@link.command()
@click.option("--interface", default=None, help="Only this one; python-can interface: socketcan, slcan, pcan …")
@click.option("--channel", default=None, help="Its channel: can0, /dev/ttyUSB0 …")
@click.option("--serial", is_flag=True, help="Also open each serial port, for an adapter of the slcan kind.")
@click.option("--seconds", type=click.FloatRange(0.1, 60), default=1.0, show_default=True, help="Listen so long.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), default=KEPT, show_default=True,
              help="Keep what was found in this file; snapshot, erase and link live then use it.")  # fmt: skip
@click.option("--json", "json_out", is_flag=True, help="For programs; stable keys.")
def find(
    interface: str | None, channel: str | None, serial: bool, seconds: float, out: Path, json_out: bool
) -> None:  # fmt: skip
    """Find the adapter and the car: bit rate, width of identifiers, control units. Ignition on, engine off will do.

    It listens first and sends nothing at a rate at which errors come; then it asks each control unit what it supports.
    """
    from firstcause.link.adapters import NoAdapter, found_adapters, named_adapter
    from firstcause.link.finding import find_behind
    from firstcause.link.kept import KeptAdapter

    if (interface is None) != (channel is None):
        raise RequestError("Give --interface and --channel together, or neither. Nothing was sent.")
    named = interface is not None and channel is not None
    adapters = (named_adapter(str(interface), str(channel)),) if named else found_adapters()
    tried = [one for one in adapters if serial or not one.is_serial]
    if not tried:
        raise NoAdapter(adapters)
    findings = [
        find_behind(one, listen_s=seconds, progress=lambda words: click.echo(words + " …", err=True)) for one in tried
    ]
    first = next((KeptAdapter.of(finding) for finding in findings if finding.has_car), None)
    lost: tuple[str, ...] = ()
    if first is not None:
        lost = KeptAdapter.read(out).missing_now(first) if out.exists() else ()
        out.write_text(first.to_toml(), encoding="utf-8")
    if json_out:
        as_json([_finding_json(finding) for finding in findings])
    else:
        for words in (text for finding in findings for text in finding.words()):
            line(words)
        if lost:
            line(f"{', '.join(lost)} answered when this was last kept, and not now. If it is the same car, ask why.")
        if first is not None:
            line(f"Kept in {out}: snapshot, erase and link live use it from here.")
        for port in [one for one in adapters if one.is_serial and not serial and first is None]:
            line(f"{port.name} was not opened; say --serial if an adapter hangs on it.")
    if first is None:
        raise click.exceptions.Exit(CAR_DID_IT)


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {
        "interface": finding.adapter.interface, "channel": finding.adapter.channel, "verdict": finding.verdict,
        "bitrate": finding.bitrate, "width": finding.width, "units": [str(unit) for unit in finding.units],
        "newer_units": [str(unit) for unit in finding.newer],
        "unsteady": {str(unit): note for unit, note in finding.unsteady}, "words": list(finding.words()),
    }  # fmt: skip


@link.command()
@adapter
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The recording (.log).")
@click.option(
    "--minutes", type=click.FloatRange(0, min_open=True), default=None, help="Stop after so long; else Ctrl-C."
)
def live(cable: Cable, out: Path, minutes: float | None) -> None:
    """Record all live data the car gives, as it comes, until Ctrl-C; a pulled cable is waited out.

    The recording is a bus trace; a crash loses nothing that was written. What was missed stands in NAME.missed.jsonl.
    A passenger works this, never the driver.
    """
    from firstcause.link import ELEVEN_BIT, TWENTY_NINE_BIT, Recorder, Session
    from firstcause.link.live import record_live

    buses: list[can.BusABC] = []
    until_s = time.monotonic() + minutes * 60 if minutes else None
    told_to_stop = threading.Event()

    def connect() -> Session:
        while buses:
            buses.pop().shutdown()
        buses.append(cable.open())
        return Session(buses[-1], TWENTY_NINE_BIT if cable.wide else ELEVEN_BIT, recorder=recorder)

    def missed(gap: Missed) -> None:
        with out.with_suffix(".missed.jsonl").open("a", encoding="utf-8") as file:
            file.write(json.dumps({"from_s": gap.from_s, "to_s": gap.to_s, "why": gap.why}) + "\n")
        line(str(gap) + ".")

    def stop() -> bool:
        return told_to_stop.is_set() or (until_s is not None and time.monotonic() >= until_s)

    recorder = Recorder(out)
    before = signal.signal(signal.SIGINT, lambda *_: told_to_stop.set())  # the request under way is finished first
    try:
        click.echo(f"Recording into {out}; stop with Ctrl-C. A passenger works this, never the driver.")
        report = record_live(connect, stop, on_missed=missed)
    finally:
        signal.signal(signal.SIGINT, before)
        recorder.close()
        while buses:
            buses.pop().shutdown()
    line(
        f"{report.values} values of {report.parameters} parameters from {', '.join(map(str, report.units))}, "
        f"{report.requests} requests."
    )
    if report.broken:
        line(f"{report.broken} answers came broken and were left out.")
    for unit, pid in report.not_given:
        line(f"{unit} announced parameter {pid:02X} and did not give it.")


@link.command()
@click.argument("recording", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("into", type=click.Path(dir_okay=False, path_type=Path))
def export(recording: Path, into: Path) -> None:
    """Write a recording as values (.csv, .mf4) or as a trace in another form (.asc .blf .log .trc)."""
    from firstcause.link.traffic import export as write

    report = write(recording, into)
    answers = f", {report.answers} answers" if report.answers else ""
    line(f"{into}: from {report.frames} frames{answers}.")
    if report.broken:
        line(f"{report.broken} broken answers were left out.")
    if report.cut_off:
        line(report.cut_off.capitalize() + "; what stands before that was taken.")
