"""`firstcause virtual-car`: make a virtual car, show it, play a shop day on it, let other testers talk to it."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firstcause.cli.output import SayErrors, as_json, heading, line, table
from firstcause.errors import CaseError, RequestError

if TYPE_CHECKING:
    from firstcause.virtualcar.car_file import CarFile
    from firstcause.virtualcar.shopday import Answer, ShopDay

_CAR_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


class DayDoesNotFit(CaseError):
    """The day written down beside a car file is not a day of that car."""

    def __init__(self, day: Path, why: str) -> None:
        self.day, self.why = day, why
        super().__init__(f"{day.name} was not gone on with: {why}. Nothing was changed; use --new-day to begin again.")


@click.group("virtual-car", cls=SayErrors)
def virtual_car() -> None:
    """A physical car with hidden faults, to learn, demonstrate and test on.

    \b
    firstcause virtual-car new --seed 7 --out car.toml
    firstcause virtual-car work car.toml --do "look plug 3" --do "drive udds"
    firstcause virtual-car serve car.toml --interface udp_multicast
    """


@virtual_car.command()
@click.option("--seed", type=int, default=1, show_default=True, help="The same seed makes the same car.")
@click.option("--layout", "shape", default=None, metavar="NAME", help="I4, V6, F4 ...; drawn when not given.")
@click.option("--faults", type=click.IntRange(0, 6), default=None, help="How many hidden faults; drawn when not given.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The car file to write.")
def new(seed: int, shape: str | None, faults: int | None, out: Path) -> None:
    """Make a car by chance and write its file; its faults stay hidden unless you open the file."""
    from firstcause.virtualcar.car_file import drawn_car, write_car_file

    if out.exists():
        raise RequestError(f"{out.name} is there already and was left as it is. Choose another name.")
    car = drawn_car(seed, shape=shape, faults=faults)
    out.write_text(write_car_file(car), encoding="utf-8")
    click.echo(f"{out}: {car.name}, {car.shape}, {car.mileage_km:.0f} km, VIN {car.vin}")


@virtual_car.command()
@click.argument("file", type=_CAR_FILE)
@click.option("--reveal", is_flag=True, help="Also show the hidden faults.")
@click.option("--json", "json_out", is_flag=True, help="For programs; stable keys.")
def show(file: Path, reveal: bool, json_out: bool) -> None:
    """Show what anybody may know of a car, and with --reveal what is wrong with it."""
    from firstcause.virtualcar.car_file import read_car_file

    car = read_car_file(file)
    facts = _facts(car)
    hidden = [
        {"fault": one.fault, "cylinder": one.cylinder, "severity": one.severity, "onset_km": one.onset_km,
         "grows_over_km": one.grows_over_km} for one in car.faults
    ]  # fmt: skip
    if json_out:
        as_json({**facts, "faults": hidden} if reveal else facts)
        return
    table([(name.replace("_", " "), str(value)) for name, value in facts.items()])
    if reveal:
        heading("Hidden faults")
        for one in hidden:
            place = "the engine" if one["cylinder"] is None else f"cylinder {one['cylinder']}"
            since = "" if one["onset_km"] is None else f", from {one['onset_km']:.0f} km"
            line(f"{one['fault']} at {place}, severity {one['severity']}{since}")


def _facts(car: CarFile) -> dict[str, Any]:
    layout = car.layout
    return {
        "name": car.name, "vin": car.vin, "engine": car.shape, "displacement_l": layout.displacement_l,
        "compression_ratio": layout.compression_ratio, "firing_order": "-".join(map(str, layout.firing_order)),
        "ignition": layout.ignition, "injection": layout.injection, "metering": layout.metering,
        "mileage_km": car.mileage_km, "plug_age_km": car.plug_age_km,
    }  # fmt: skip


@virtual_car.command()
@click.argument("file", type=_CAR_FILE)
@click.option(
    "--do", "acts", multiple=True, metavar="ACT", help='For example "look plug 3" or "drive udds"; repeat it.'
)
@click.option("--new-day", is_flag=True, help="Forget the day played so far with this car.")
@click.option("--json", "json_out", is_flag=True, help="Answers for programs, one JSON object a line.")
def work(file: Path, acts: tuple[str, ...], new_day: bool, json_out: bool) -> None:
    """Do things to a car; the day goes on where it was left. Without --do it asks for acts until an empty line.

    The day is kept beside the car file (NAME.day.jsonl): acts and answers. It is played again from the start each
    time, which gives the same answers, so a long day takes longer to come back to.
    """
    from firstcause.virtualcar.car_file import read_car_file
    from firstcause.virtualcar.shopday import HELP, ShopDay

    day_file = file.with_suffix(".day.jsonl")
    if new_day and day_file.exists():
        day_file.unlink()
    day = ShopDay(read_car_file(file).build())
    _replay(day, file, day_file)
    if acts:
        for act in acts:
            _do(day, day_file, act, json_out)
        return
    click.echo(HELP)
    while act := click.prompt("act", default="", show_default=False).strip():
        try:
            _do(day, day_file, act, json_out)
        except RequestError as error:
            click.echo(str(error), err=True)


def _replay(day: ShopDay, file: Path, day_file: Path) -> None:
    """Play again what was done so far, and see that it comes out the same."""
    mark = hashlib.sha256(file.read_bytes()).hexdigest()
    if not day_file.exists():
        day_file.write_text(json.dumps({"car_sha256": mark}) + "\n", encoding="utf-8")
        return
    try:
        first, *done = [json.loads(text) for text in day_file.read_text(encoding="utf-8").splitlines()]
        before, told = first["car_sha256"], [(entry["act"], entry["words"]) for entry in done]
    except (ValueError, KeyError, TypeError) as error:
        raise DayDoesNotFit(day_file, f"it cannot be read ({error})") from error
    if before != mark:
        raise DayDoesNotFit(day_file, "the car file has been changed since")
    for act, words in told:
        if day.do(act).words != words:
            raise DayDoesNotFit(day_file, f"{act!r} gives another answer now than then")


def _do(day: ShopDay, day_file: Path, act: str, json_out: bool) -> None:
    answer = day.do(act)
    entry = _entry(answer)
    with day_file.open("a", encoding="utf-8") as kept:
        kept.write(json.dumps(entry, ensure_ascii=False) + "\n")
    if json_out:
        click.echo(json.dumps(entry, ensure_ascii=False))
    else:
        line(f"{act}: {answer.words}")


def _entry(answer: Answer) -> dict[str, Any]:
    return {"act": answer.act, "words": answer.words, "outcome": answer.outcome, "values": dict(answer.values),
            "minutes": answer.minutes}  # fmt: skip


@virtual_car.command()
@click.argument("file", type=_CAR_FILE)
@click.option("--interface", default="udp_multicast", show_default=True,
              help="python-can interface: socketcan (a vcan), udp_multicast (needs msgpack), virtual.")  # fmt: skip
@click.option("--channel", default=None, help="vcan0, a multicast address, a name; a usual one when not given.")
@click.option("--addressing", type=click.Choice(["11-bit", "29-bit"]), default="11-bit", show_default=True)
@click.option("--gearbox", is_flag=True, help="A second control unit answers too.")
@click.option("--body", is_flag=True, help="A third one.")
@click.option("--obd-on-uds", "newer", is_flag=True, help="The engine's unit speaks only the newer services.")
@click.option("--delay-ms", type=click.FloatRange(0), default=0.0, help="Bad manners: each answer comes late.")
@click.option("--pending", type=int, default=0, help="So many times 'answer is coming' first; -1: for ever.")
@click.option("--wrong-sequence", is_flag=True, help="A wrong number in long answers.")
@click.option("--stops-after-first", is_flag=True, help="Long answers break off after their first part.")
@click.option("--silent", is_flag=True, help="The engine's unit says nothing.")
@click.option("--key", type=click.Choice(["on", "running"]), default="running", show_default=True)
@click.option("--for-seconds", type=click.FloatRange(0), default=None, help="Stop after so long; else Ctrl-C.")
def serve(
    file: Path, interface: str, channel: str | None, addressing: Any, gearbox: bool, body: bool, newer: bool,
    delay_ms: float, pending: int, wrong_sequence: bool, stops_after_first: bool, silent: bool, key: str,
    for_seconds: float | None,
) -> None:  # fmt: skip
    """Put the car on a bus, so that any tester can talk to it, from this or another program. Stop with Ctrl-C."""
    import threading

    from firstcause.virtualcar.bus import Manners, VirtualBusCar, usual_channel
    from firstcause.virtualcar.car_file import read_car_file

    car = read_car_file(file).build()
    if key == "running":
        car.start()
    else:
        car.key_on()
    manners = Manners(
        delay_s=delay_ms / 1000, pending_times=None if pending < 0 else pending, wrong_sequence=wrong_sequence,
        silent_after_first=stops_after_first, silent=silent,
    )  # fmt: skip
    where = channel or usual_channel(interface)
    with VirtualBusCar(
        car,
        where,
        interface=interface,
        addressing=addressing,
        transmission=gearbox,
        body=body,
        newer=newer,
        manners=manners,
    ):
        click.echo(f"{car.name} answers on {interface} {where}, {addressing}; stop with Ctrl-C")
        try:
            threading.Event().wait(for_seconds)
        except KeyboardInterrupt:
            click.echo("Stopped.")
