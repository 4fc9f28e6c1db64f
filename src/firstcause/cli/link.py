"""`firstcause link`: find the adapter and the car, record live data, write a recording in another form."""

from __future__ import annotations

import json
import signal
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.car import AdapterFailed
from firstcause.cli.output import SayErrors, line

if TYPE_CHECKING:
    from firstcause.link import Session
    from firstcause.link.live import Missed


@click.group("link", cls=SayErrors)
def link() -> None:
    """The car on the other end of the cable: live data and recordings. Reads only.

    \b
    firstcause link live --interface socketcan --channel can0 --out drive.log --minutes 20
    firstcause link export drive.log drive.csv
    """


@link.command()
@click.option("--interface", required=True, help="python-can interface: socketcan, slcan, udp_multicast …")
@click.option("--channel", required=True, help="Its channel: can0, /dev/ttyUSB0 …")
@click.option("--bitrate", type=int, default=500_000, show_default=True)
@click.option("--wide", is_flag=True, help="29-bit identifiers.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The recording (.log).")
@click.option(
    "--minutes", type=click.FloatRange(0, min_open=True), default=None, help="Stop after so long; else Ctrl-C."
)
def live(interface: str, channel: str, bitrate: int, wide: bool, out: Path, minutes: float | None) -> None:
    """Record all live data the car gives, as it comes, until Ctrl-C; a pulled cable is waited out.

    The recording is a bus trace; a crash loses nothing that was written. What was missed stands in NAME.missed.jsonl.
    A passenger works this, never the driver.
    """
    import can

    from firstcause.link import ELEVEN_BIT, TWENTY_NINE_BIT, Recorder, Session
    from firstcause.link.live import record_live

    buses: list[can.BusABC] = []
    until_s = time.monotonic() + minutes * 60 if minutes else None
    told_to_stop = threading.Event()

    def connect() -> Session:
        while buses:
            buses.pop().shutdown()
        try:
            buses.append(can.Bus(interface=interface, channel=channel, bitrate=bitrate))
        except (can.CanError, OSError, ValueError, ImportError) as error:
            raise AdapterFailed(interface, channel, error) from error
        return Session(buses[-1], TWENTY_NINE_BIT if wide else ELEVEN_BIT, recorder=recorder)

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
