"""Bodies may be sent packed with gzip: they are unpacked piece by piece, and limits count what comes out."""

from __future__ import annotations

import zlib
from typing import Final

from fastapi import HTTPException
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

PIECE_BYTES: Final = 1 << 16
"""Unpacked at once. Deflate gives up to 1032 bytes for one (RFC 1951): never more than this is held of them."""

GZIP: Final = 16 + zlib.MAX_WBITS
"""For zlib: a gzip header and trailer are expected (RFC 1952)."""


class GzipBodies:
    """ASGI middleware that unpacks a body sent with ``Content-Encoding: gzip`` (RFC 9110, 8.4).

    What comes after it sees the body as it was before it was packed, and no word of the packing. It must stand before
    what limits the size of bodies.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        coding = Headers(scope=scope).get("content-encoding", "").strip().lower() if scope["type"] == "http" else ""
        if coding in ("", "identity"):
            await self.app(scope, receive, send)
            return
        headers = MutableHeaders(raw=list(scope["headers"]))
        for name in ("content-encoding", "content-length"):
            del headers[name]
        unpacked = Unpacked(receive) if coding in ("gzip", "x-gzip") else _Unknown(coding)
        await self.app({**scope, "headers": headers.raw}, unpacked, send)


class _Unknown:
    """The body of a coding that is not known here: whoever reads it is told."""

    def __init__(self, coding: str) -> None:
        self.coding = coding

    async def __call__(self) -> Message:
        detail = f"The body is packed as {self.coding[:40]!r}; send it packed with gzip, or as it is."
        # RFC 9110, 15.5.16: the answer says what would do.
        raise HTTPException(415, detail, {"Accept-Encoding": "gzip"})


class Unpacked:
    """A packed body, unpacked as it is asked for.

    Parameters
    ----------
    receive : callable
        Gives the messages of the packed body.
    """

    def __init__(self, receive: Receive) -> None:
        self.receive = receive
        self._unpack = zlib.decompressobj(GZIP)
        self._packed = b""
        self._last = False
        self._whole = False

    async def __call__(self) -> Message:
        """Return the next message of the unpacked body.

        Raises
        ------
        HTTPException
            It is no gzip, or ends too early.
        """
        if self._whole:
            return await self.receive()
        while True:
            if not self._packed and not self._last:
                message = await self.receive()
                if message["type"] != "http.request":
                    return message
                self._packed = message.get("body", b"")
                self._last = not message.get("more_body", False)
            piece = self._piece()
            if self._last and not self._packed and len(piece) < PIECE_BYTES:
                if not self._unpack.eof:
                    raise HTTPException(422, "The body is packed with gzip and ends too early. Send all of it.")
                self._whole = True
                return {"type": "http.request", "body": piece, "more_body": False}
            if piece:
                return {"type": "http.request", "body": piece, "more_body": True}

    def _piece(self) -> bytes:
        if self._unpack.eof and self._packed:
            self._unpack = zlib.decompressobj(GZIP)  # a file may have several members (RFC 1952, 2.2)
        try:
            piece = self._unpack.decompress(self._packed, PIECE_BYTES)
        except zlib.error:
            raise HTTPException(422, "The body is declared as packed with gzip, and is not. Pack it anew.") from None
        self._packed = self._unpack.unused_data if self._unpack.eof else self._unpack.unconsumed_tail
        return piece
