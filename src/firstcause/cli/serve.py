"""`firstcause serve`: the page, on this machine, or on the garage's network for devices that are let in."""

from __future__ import annotations

import socket
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.next_step import read_tools
from firstcause.cli.own_knowledge import own_folder
from firstcause.errors import RequestError

if TYPE_CHECKING:
    from firstcause.web.pairing import Pairing

_LOOPBACK = ("127.0.0.1", "localhost", "::1")
_NOWHERE = ("192.0.2.1", 9)  # an address for documentation (RFC 5737): no packet is sent to learn our own


@click.command()
@click.option(
    "--casebook",
    "store_path",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("casebook.db"),
    show_default=True,
    help="The casebook file; made when it is not there.",
)
@click.option("--host", default=None, help="Address to listen on. Without --open-to-network: loopback only.")
@click.option("--port", type=int, default=8321, show_default=True)
@click.option(
    "--open-to-network", is_flag=True,
    help="Serve phones and tablets in the garage. Each must be let in with the code shown here.",
)  # fmt: skip
@click.option("--name", "names", multiple=True, help="A further name under which devices call this machine.")
@click.option("--tls-cert", type=click.Path(exists=True, dir_okay=False), help="A certificate, to serve https.")
@click.option("--tls-key", type=click.Path(exists=True, dir_okay=False), help="Its private key.")
@click.option("--rate", type=click.FloatRange(min=1e-6, max=1e6), default=None, help="The shop's labour rate an hour.")
@click.option(
    "--tools", "tools_file", type=click.Path(exists=True, dir_okay=False, path_type=Path), default=None,
    help="A text file with the tools the shop owns, one a line.",
)  # fmt: skip
def serve(
    store_path: Path, host: str | None, port: int, open_to_network: bool, names: tuple[str, ...],
    tls_cert: str | None, tls_key: str | None, rate: float | None, tools_file: Path | None,
) -> None:  # fmt: skip
    """Serve the page for phone or tablet. Stop it with Ctrl-C."""
    if host is not None and host not in _LOOPBACK and not open_to_network:
        raise RequestError(
            f"The page is served on this machine only (127.0.0.1), not on {host}. To let phones of the garage in, "
            "say --open-to-network: each is then let in with a code. Nothing was started."
        )
    if (tls_cert is None) != (tls_key is None):
        raise RequestError("A certificate and its key belong together: --tls-cert and --tls-key. Nothing was started.")
    from firstcause.casebook.shop import Shop
    from firstcause.knowledge.base import load, pack_names
    from firstcause.web.app import create_app
    from firstcause.web.pairing import Pairing, devices_path
    from firstcause.web.serving import Server

    shop = Shop(rate, None if tools_file is None else read_tools(tools_file))
    scheme = "http" if tls_cert is None else "https"
    pairing, shown = None, host or "127.0.0.1"
    hosts: tuple[str, ...] = _LOOPBACK
    if open_to_network:
        pairing = Pairing(devices_path(store_path), lambda: datetime.now(UTC), scheme)
        mine = names_of_this_machine()
        shown = names[0] if names else host if host not in (None, "0.0.0.0", "::") else mine[0]
        hosts = tuple(name.lower() for name in dict.fromkeys((*_LOOPBACK, shown, *names, *mine)))
        pairing.address = f"{scheme}://{shown}:{port}"
    packs = {name: load(name, own=own_folder()) for name in pack_names()}
    app = create_app(store_path, clock=lambda: datetime.now(UTC), packs=packs, shop=shop, hosts=hosts, pairing=pairing)
    click.echo(f"firstcause: {scheme}://{shown}:{port}/  (casebook {store_path}; stop with Ctrl-C)")
    if pairing is not None:
        _show_code(pairing)
    listen = host or ("0.0.0.0" if open_to_network else "127.0.0.1")
    Server(app, host=listen, port=port, ssl_certfile=tls_cert, ssl_keyfile=tls_key).run()


def names_of_this_machine() -> tuple[str, ...]:
    """The addresses and names by which the network may call this machine, the likeliest first."""
    found = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        asked.connect(_NOWHERE)
        found.append(asked.getsockname()[0])
    name = socket.gethostname()
    with suppress(OSError):
        found += [entry[4][0] for entry in socket.getaddrinfo(name, None, socket.AF_INET)]
    found += [name, f"{name}.local"]
    return tuple(dict.fromkeys(str(each) for each in found if each)) or ("127.0.0.1",)


def _show_code(pairing: Pairing) -> None:
    """Address and code in words and as a picture for a camera."""
    import segno

    from firstcause.web.doorway import pair_address
    from firstcause.web.pairing import in_two

    click.echo(f"Open to the network. To let a device in, open {pairing.address}/pair there and type:")
    click.echo(f"\n    {in_two(pairing.code)}\n")
    click.echo("or hold its camera to this picture. Only on a network that you trust; devices stand in the settings.")
    segno.make(pair_address(pairing), error="m").terminal(compact=True)
