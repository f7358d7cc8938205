"""A webhook: one signed request, as Standard Webhooks describes it (github.com/standard-webhooks, v1, symmetric)."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import socket
import ssl
from collections.abc import Mapping
from datetime import datetime
from http.client import HTTP_PORT, HTTPS_PORT, HTTPConnection, HTTPException
from importlib.metadata import version
from threading import Timer
from time import monotonic
from typing import Any, Final
from urllib.parse import urlsplit

from service.notices.reach import STEP_S, WHOLE_S, Gone, NotDelivered, Reach, cut
from service.notices.receivers import SECRET_PREFIX

GONE: Final = 410
"""The receiver wants nothing more (RFC 9110, 15.5.11); Standard Webhooks asks to stop then."""


class _CheckedConnection(HTTPConnection):
    """A connection to an address that was looked at; no proxy, no redirect, and the certificate is that of the name."""

    def __init__(self, host: str, port: int, reach: Reach, tls: ssl.SSLContext | None) -> None:
        super().__init__(host, port, timeout=STEP_S)
        self._reach = reach
        self._tls = tls
        self.until = monotonic() + WHOLE_S

    def connect(self) -> None:
        """Connect."""
        line: socket.socket = self._reach.connect(self.host, self.port, tls=self._tls is not None)
        if self._tls is not None:
            line = self._tls.wrap_socket(line, server_hostname=self.host, do_handshake_on_connect=False)
        self.sock = line
        if monotonic() >= self.until:  # too late to be cut from outside
            raise TimeoutError
        if isinstance(line, ssl.SSLSocket):
            line.do_handshake()


def signature(secret: str, uid: str, at: int, body: bytes) -> str:
    """Return what goes into ``webhook-signature``.

    Parameters
    ----------
    secret : str
        With its prefix.
    at : int
        Unix time in seconds.
    """
    key = base64.b64decode(secret.removeprefix(SECRET_PREFIX))
    digest = hmac.new(key, f"{uid}.{at}.".encode() + body, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"


def call(
    address: str,
    secret: str,
    uid: str,
    content: Mapping[str, Any],
    now: datetime,
    reach: Reach,
    tls: ssl.SSLContext | None = None,
) -> None:
    """Send a webhook; any answer with a status of 2xx is taken as received, and none is read further.

    Parameters
    ----------
    address, secret, uid : str
        `uid` stays the same when a message is sent again: by it a receiver knows a repetition.
    now : datetime
        Goes into the signature, so that an old request cannot be sent in again by somebody else.
    tls : SSLContext, optional
        By default the certificates that this machine trusts.

    Raises
    ------
    NotDelivered
    Gone
    """
    to = urlsplit(address)
    body = json.dumps(content, ensure_ascii=False).encode()
    at = int(now.timestamp())
    headers = {
        "Content-Type": "application/json",
        "User-Agent": f"tideover/{version('tideover')}",
        "Connection": "close",
        "webhook-id": uid,
        "webhook-timestamp": str(at),
        "webhook-signature": signature(secret, uid, at, body),
    }
    context = (tls or ssl.create_default_context()) if to.scheme == "https" else None
    port = to.port or (HTTP_PORT if context is None else HTTPS_PORT)
    connection = _CheckedConnection(to.hostname or "", port, reach, context)
    clock = Timer(WHOLE_S, lambda: cut(connection.sock))
    clock.daemon = True
    clock.start()
    try:
        target = f"{to.path or '/'}{f'?{to.query}' if to.query else ''}"
        connection.request("POST", target, body, headers)
        status = connection.getresponse().status
    except ssl.SSLCertVerificationError:
        raise NotDelivered("Its certificate is not trusted here, or is not one of its name.") from None
    except TimeoutError:
        raise NotDelivered("It did not answer in time.") from None
    except (OSError, HTTPException, ValueError) as error:
        raise NotDelivered(f"The connection broke off ({type(error).__name__}).") from None
    finally:
        clock.cancel()
        connection.close()
    if status == GONE:
        raise Gone("It answered that it wants nothing more (status 410).")
    if 300 <= status < 400:
        raise NotDelivered(f"It answered with status {status}; redirects are not followed.")
    if not 200 <= status < 300:
        raise NotDelivered(f"It answered with status {status}.")
