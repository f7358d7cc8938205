"""A digest by mail, in plain text."""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from threading import Timer
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from service.access.hosts import is_this_machine
from service.core.cautions import driving
from service.notices.reach import STEP_S, WHOLE_S, NotDelivered, cut

PORTS: Final[Mapping[str, int]] = {"smtps": 465, "smtp": 587}
"""Of submission with TLS from the start and with STARTTLS (RFC 8314, 3.3; RFC 6409, 3.1)."""

RELAY_PORT: Final = 25
"""Of a mail server on this machine (RFC 5321, 4.5.4.2)."""


@dataclass(frozen=True)
class MailServer:
    """The mail server and the address that mail comes from, as the settings name them.

    Attributes
    ----------
    tls : SSLContext, optional
        By default the certificates that this machine trusts.
    """

    url: str
    sender: str
    tls: ssl.SSLContext | None = None


def written(to: str, sender: str, uid: str, content: Mapping[str, Any], now: datetime) -> EmailMessage:
    """Return a digest as a mail.

    Parameters
    ----------
    uid : str
        Becomes its Message-ID, which stays the same when it is sent again.
    content : mapping
        ``subject``, ``notices`` (each with ``title``, ``text`` and perhaps ``day`` and ``page``) and ``more``, how many
        follow with the next digest.
    """
    mail = EmailMessage(policy=SMTP)
    mail["From"], mail["To"], mail["Subject"] = f"Tideover <{sender}>", to, content["subject"]
    mail["Date"] = format_datetime(now)
    mail["Message-ID"] = f"<{uid}@{sender.partition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834, 5: so that nothing answers it by itself
    parts = []
    for notice in content["notices"]:
        day = f" ({notice['day']})" if notice.get("day") else ""
        parts.append("\n".join(filter(None, [f"{notice['title']}{day}", notice["text"], notice.get("page")])))
    if content["more"]:
        parts.append(f"{content['more']} more follow with the next digest; the pages show all.")
    parts.append("\n".join(driving()))
    mail.set_content("\n\n".join(parts) + "\n")
    return mail


def send(server: MailServer, mail: EmailMessage) -> None:
    """Hand a mail to the mail server.

    Raises
    ------
    NotDelivered
    """
    at = urlsplit(server.url)
    host = at.hostname or ""
    here = is_this_machine(host)
    context = server.tls or ssl.create_default_context()
    port = at.port or (RELAY_PORT if here and at.scheme == "smtp" else PORTS[at.scheme])
    try:
        if at.scheme == "smtps":
            line: smtplib.SMTP = smtplib.SMTP_SSL(host, port, timeout=STEP_S, context=context)
        else:
            line = smtplib.SMTP(host, port, timeout=STEP_S)
    except (OSError, smtplib.SMTPException) as error:
        raise NotDelivered(f"The mail server cannot be reached ({type(error).__name__}).") from None
    clock = Timer(WHOLE_S, lambda: cut(line.sock))
    clock.daemon = True
    clock.start()
    try:
        with line:
            if at.scheme == "smtp" and not here:
                line.starttls(context=context)
            if at.username:
                line.login(unquote(at.username), unquote(at.password or ""))
            line.send_message(mail)
    except smtplib.SMTPAuthenticationError:
        raise NotDelivered("The mail server did not take the user and the password.") from None
    except smtplib.SMTPRecipientsRefused as error:
        (code, _), *_others = error.recipients.values()
        raise NotDelivered(f"The mail server did not take the receiver's address (code {code}).") from None
    except smtplib.SMTPNotSupportedError:
        raise NotDelivered("The mail server offers no TLS, or no way to log in.") from None
    except smtplib.SMTPResponseException as error:
        raise NotDelivered(f"The mail server refused the mail (code {error.smtp_code}).") from None
    except (OSError, smtplib.SMTPException, ValueError) as error:
        raise NotDelivered(f"The mail server broke off ({type(error).__name__}).") from None
    finally:
        clock.cancel()
