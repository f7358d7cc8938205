"""``tideover serve``."""

from __future__ import annotations

from typing import Annotated

import typer
import uvicorn

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
    """Serve until interrupted."""
    app = create_app(settings)
    shown = f"[{settings.host}]" if ":" in settings.host else settings.host
    out().print(f"Listening on http://{shown}:{settings.port} (this machine only). Stop with Ctrl-C.")
    uvicorn.run(app, host=settings.host, port=settings.port, access_log=False, log_level="warning")
