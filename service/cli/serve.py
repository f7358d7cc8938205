"""``tideover serve``."""

from __future__ import annotations

import socket
from typing import Annotated

import typer
import uvicorn

from models.problems import BadInput
from service.app import create_app
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import settings_here
from service.settings import Settings


@plain_errors
def serve(
    host: Annotated[str | None, typer.Option(help="Address of this machine to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on.")] = None,
) -> None:
    """Answer over REST, on this machine only, until interrupted."""
    run_service(settings_here(host=host, port=port))


def run_service(settings: Settings) -> None:
    """Serve until interrupted.

    Raises
    ------
    BadInput
        The port is taken, or this user may not listen on it.
    """
    app = create_app(settings)
    numeric = "127.0.0.1" if settings.host == "localhost" else settings.host
    family = socket.AF_INET6 if ":" in numeric else socket.AF_INET
    try:
        listener = socket.create_server((numeric, settings.port), family=family)
    except OSError as error:
        raise BadInput.one(
            "port",
            f"Port {settings.port} of {settings.host} cannot be listened on: {error.strerror}.",
            "Choose another one with --port or TIDEOVER_PORT.",
        ) from error
    shown = f"[{numeric}]" if ":" in numeric else numeric
    with listener:
        out().print(f"Listening on http://{shown}:{settings.port} (this machine only). Stop with Ctrl-C.")
        uvicorn.Server(uvicorn.Config(app, access_log=False, log_level="warning")).run(sockets=[listener])
