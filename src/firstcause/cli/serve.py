"""`firstcause serve`: the page, on this machine."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from firstcause.cli.next_step import read_tools
from firstcause.cli.own_knowledge import own_folder
from firstcause.errors import RequestError

_LOOPBACK = ("127.0.0.1", "localhost", "::1")


@click.command()
@click.option(
    "--casebook",
    "store_path",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("casebook.db"),
    show_default=True,
    help="The casebook file; made when it is not there.",
)
@click.option("--host", default="127.0.0.1", show_default=True, help="Loopback addresses only.")
@click.option("--port", type=int, default=8321, show_default=True)
@click.option("--rate", type=click.FloatRange(min=1e-6, max=1e6), default=None, help="The shop's labour rate an hour.")
@click.option(
    "--tools", "tools_file", type=click.Path(exists=True, dir_okay=False, path_type=Path), default=None,
    help="A text file with the tools the shop owns, one a line.",
)  # fmt: skip
def serve(store_path: Path, host: str, port: int, rate: float | None, tools_file: Path | None) -> None:
    """Serve the page for phone or tablet. Stop it with Ctrl-C."""
    if host not in _LOOPBACK:
        raise RequestError(
            f"The page is served on this machine only (127.0.0.1), not on {host}: it has no pairing yet, so anybody on "
            "the network could write into your cases. Nothing was started."
        )
    from firstcause.casebook.shop import Shop
    from firstcause.knowledge.base import load, pack_names
    from firstcause.web.app import create_app
    from firstcause.web.serving import Server

    shop = Shop(rate, None if tools_file is None else read_tools(tools_file))
    packs = {name: load(name, own=own_folder()) for name in pack_names()}
    app = create_app(store_path, clock=lambda: datetime.now(UTC), packs=packs, shop=shop)
    click.echo(f"firstcause: http://{host}:{port}/  (casebook {store_path}; stop with Ctrl-C)")
    Server(app, host=host, port=port).run()
