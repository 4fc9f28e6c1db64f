"""The server process: uvicorn, which on the way down first ends the streams that open pages hold."""

from __future__ import annotations

import socket
from typing import Any

import uvicorn
from fastapi import FastAPI


class Server(uvicorn.Server):
    """Serves the app; a stop does not wait for pages that listen."""

    def __init__(self, app: FastAPI, **settings: Any) -> None:
        super().__init__(uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=2, **settings))
        self._app = app

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._app.state.streams.end()
        await super().shutdown(sockets)
