"""``tideover serve``."""

from __future__ import annotations

import os
import socket
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated

import typer

from models.base.errors import BadInput
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import settings_here
from service.core.settings import Settings

if TYPE_CHECKING:
    from fastapi import FastAPI

    from service.store.opening import Store


@plain_errors
def serve(
    host: Annotated[str | None, typer.Option(help="Address of this machine to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on.")] = None,
    workers: Annotated[int | None, typer.Option(help="Processes that answer side by side.")] = None,
) -> None:
    """Answer over REST until interrupted: on this machine only, unless there are access keys."""
    run_service(settings_here(host=host, port=port, workers=workers))


def run_service(settings: Settings) -> None:
    """Serve until interrupted.

    Raises
    ------
    BadInput
        The port is taken, this user may not listen on it, the store cannot be opened, or the address can be reached
        from elsewhere and there are no access keys.
    """
    from service.access.keys import keys_in_use
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
    with _listener(settings) as listener:
        shown = f"[{settings.host}]" if ":" in settings.host else settings.host
        shown = "127.0.0.1" if shown == "localhost" else shown
        reach = "this machine only" if settings.on_loopback else "open to the network"
        asked = (
            "every request needs an access key"
            if keys
            else "there are no access keys, so anybody on it may do everything"
        )
        out().print(f"Listening on http://{shown}:{settings.port} ({reach}; {asked}). Stop with Ctrl-C.")
        if settings.workers > 1:
            store.close()
            _run_side_by_side(settings, listener)
        else:
            _run_alone(settings, listener, store)


def _listener(settings: Settings) -> socket.socket:
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
    # Small answers go out at once, instead of waiting for the caller to confirm what came before.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listener


def _run_alone(settings: Settings, listener: socket.socket, store: Store) -> None:
    import uvicorn

    from service.app import create_app
    from service.http.serving import ServiceConfig

    uvicorn.Server(ServiceConfig(settings, create_app(settings, store=store))).run(sockets=[listener])


def _run_side_by_side(settings: Settings, listener: socket.socket) -> None:
    """Answer in several processes, each with an application of its own; one that ends is replaced."""
    from uvicorn.supervisors import Multiprocess

    from service.http.serving import MERGED_FROM, ServiceConfig

    with TemporaryDirectory(prefix="tideover-") as room:
        counted, metrics = Path(room, "counted"), Path(room, "metrics")
        counted.mkdir()
        metrics.mkdir()
        os.environ[MERGED_FROM] = str(metrics)
        Multiprocess(ServiceConfig(settings, partial(app_of_process, settings, counted)), [listener]).run()


def app_of_process(settings: Settings, shared: Path) -> FastAPI:
    """Make the application of one of several processes that count in a folder together."""
    from service.app import create_app

    return create_app(settings, shared=shared)
