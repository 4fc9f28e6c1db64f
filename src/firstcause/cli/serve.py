"""`firstcause serve`: the page, on this machine."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

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
def serve(store_path: Path, host: str, port: int) -> None:
    """Serve the page for phone or tablet. Stop it with Ctrl-C."""
    if host not in _LOOPBACK:
        raise RequestError(
            f"The page is served on this machine only (127.0.0.1), not on {host}: it has no pairing yet, so anybody on "
            "the network could write into your cases. Nothing was started."
        )
    import uvicorn

    from firstcause.web.app import create_app

    app = create_app(store_path, clock=lambda: datetime.now(UTC))
    click.echo(f"firstcause: http://{host}:{port}/  (casebook {store_path}; stop with Ctrl-C)")
    uvicorn.run(app, host=host, port=port, log_level="warning", timeout_graceful_shutdown=2)
