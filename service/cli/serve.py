"""``tideover serve``."""

from __future__ import annotations

import logging
import socket
from typing import Annotated

import typer

from models.base.errors import BadInput
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import settings_here
from service.core.settings import Settings

GRACE_SECONDS = 20
"""Requests in hand when the service is asked to stop have so long to end."""

KEEP_ALIVE_SECONDS = 15
"""How long a connection is kept on which nothing is asked. Our choice: longer than the 5 s after which common client
libraries take a new one, so that the client closes it, and not the service at the moment at which something is sent."""


@plain_errors
def serve(
    host: Annotated[str | None, typer.Option(help="Address of this machine to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on.")] = None,
) -> None:
    """Answer over REST until interrupted: on this machine only, unless there are access keys."""
    run_service(settings_here(host=host, port=port))


def run_service(settings: Settings) -> None:
    """Serve until interrupted.

    Raises
    ------
    BadInput
        The port is taken, this user may not listen on it, the store cannot be opened, or the address can be reached
        from elsewhere and there are no access keys.
    """
    import uvicorn

    from service.access.keys import keys_in_use
    from service.app import create_app
    from service.http.connections import Connections, SameLineSeldom
    from service.store.upgrading import open_store

    store = open_store(settings.home, settings.database_url)
    with store.reading() as session:
        keys = keys_in_use(session)
    if not keys and not settings.on_loopback:
        store.close()
        raise BadInput.one(
            "host",
            f"{settings.host} would open the service to the network, and it has no access keys yet.",
            "Make one with `tideover keys create --role admin`, or listen on 127.0.0.1, ::1 or localhost.",
        )
    app = create_app(settings, store=store)
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
    # Small answers go out at once, instead of waiting for the caller to confirm what came before.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    guard = Connections(settings.max_connections, settings.max_connections_from_one, settings.header_seconds)
    for name in ("uvicorn.error", "asyncio"):
        logging.getLogger(name).addFilter(SameLineSeldom())
    with listener:
        reach = "this machine only" if settings.on_loopback else "open to the network"
        asked = (
            "every request needs an access key"
            if keys
            else "there are no access keys, so anybody on it may do everything"
        )
        out().print(f"Listening on http://{shown}:{settings.port} ({reach}; {asked}). Stop with Ctrl-C.")
        uvicorn.Server(
            uvicorn.Config(
                app,
                http=guard.protocol(),
                ws="none",
                access_log=False,
                log_level="warning",
                timeout_keep_alive=KEEP_ALIVE_SECONDS,
                timeout_graceful_shutdown=GRACE_SECONDS,
            )
        ).run(sockets=[listener])
