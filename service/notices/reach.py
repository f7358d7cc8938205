"""Which addresses may be connected to, asked of the very address that is: a name may mean another one by then."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from typing import Any, Final

Address = IPv4Address | IPv6Address

MOST_ADDRESSES: Final = 4
"""Addresses of a name that are tried, so that a name with many cannot hold the worker. Our choice."""

STEP_S: Final = 5.0
"""Longest wait for one step of a delivery, as the connection. Our choice."""

WHOLE_S: Final = 20.0
"""Longest time for a whole delivery, however slowly the other side goes on. Our choice."""

NEVER: Final = (ipaddress.IPv4Network("192.0.0.0/24"), ipaddress.IPv6Network("64:ff9b:1::/48"))
"""Set aside for protocols and for translation within a network (RFC 6890, RFC 8215); some Pythons call them global."""

NAT64: Final = ipaddress.IPv6Network("64:ff9b::/96")
"""IPv6 addresses that a gateway turns into the IPv4 addresses at their end (RFC 6052, 2.1)."""


class NotDelivered(Exception):
    """A message did not reach its receiver; says why, without the address, which may hold a secret."""


class Gone(NotDelivered):
    """The receiver said that it wants nothing more."""


@dataclass(frozen=True)
class Reach:
    """Where connections may go.

    Attributes
    ----------
    private : sequence of network
        Networks that are not public and allowed all the same. Only there TLS may be missing.
    resolve : callable
        Finds the addresses of a name, as `socket.getaddrinfo`.
    """

    private: Sequence[IPv4Network | IPv6Network] = ()
    resolve: Callable[..., Any] = socket.getaddrinfo

    def may(self, address: Address, *, tls: bool) -> bool:
        """Tell whether an address may be connected to."""
        plain = _plain(address)
        return any(plain in network for network in self.private) or (tls and is_public(address))

    def connect(self, host: str, port: int, *, tls: bool) -> socket.socket:
        """Connect to the first address of a name that may be connected to.

        Raises
        ------
        NotDelivered
            The name is not known, none of its addresses is allowed, or nobody answers there.
        """
        try:
            found = self.resolve(host, port, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError):
            raise NotDelivered("Its name is not known to the name service.") from None
        allowed = [(family, sockaddr) for family, _, _, _, sockaddr in found if self.may(_read(sockaddr[0]), tls=tls)]
        if not allowed:
            if not tls and any(is_public(_read(sockaddr[0])) for *_, sockaddr in found):
                raise NotDelivered("A public address is called with https only.")
            raise NotDelivered("It lies in no public network. TIDEOVER_PRIVATE_RECEIVERS allows others.")
        for family, sockaddr in allowed[:MOST_ADDRESSES]:
            line = socket.socket(family, socket.SOCK_STREAM)
            line.settimeout(STEP_S)
            try:
                line.connect(sockaddr)
            except OSError:
                line.close()
                continue
            return line
        raise NotDelivered("Nobody answers there.")


def is_public(address: Address) -> bool:
    """Tell whether an address is one of the public internet, also by what a gateway or tunnel would make of it.

    By the special-purpose registries of IANA (RFC 6890), without multicast.
    """
    within = _plain(address)
    if within != address:
        return is_public(within)
    if isinstance(address, IPv6Address):
        inner: list[Address] = [address.sixtofour] if address.sixtofour else []
        inner += list(address.teredo) if address.teredo else []
        if address.is_site_local or not all(map(is_public, inner)):
            return False
    if any(address in network for network in NEVER):
        return False
    return address.is_global and not (address.is_multicast or address.is_reserved or address.is_unspecified)


def cut(line: socket.socket | None) -> None:
    """End a connection that another thread waits on."""
    if line is not None:
        with suppress(OSError):
            # That of the plain socket: TLS must not say goodbye to somebody who does not listen.
            socket.socket.shutdown(line, socket.SHUT_RDWR)


def _read(address: str) -> Address:
    return ipaddress.ip_address(address.partition("%")[0])


def _plain(address: Address) -> Address:
    """Return the IPv4 address that an IPv6 address only wraps (RFC 4291, 2.5.5.2; RFC 6052), else the address."""
    if isinstance(address, IPv6Address):
        if address.ipv4_mapped:
            return address.ipv4_mapped
        if address in NAT64:
            return IPv4Address(int(address) & 0xFFFFFFFF)
    return address
