"""Where connections may go: asked of the address that is connected to, whatever a name meant before."""

from __future__ import annotations

import socket
from ipaddress import ip_address, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.notices.reach import MOST_ADDRESSES, NotDelivered, Reach, is_public

# The special-purpose registries of IANA (RFC 6890 and what it was amended by), RFC 5737, 3849, 4291, 6052, 6598, and
# addresses under which clouds tell a machine its secrets (link-local; common practice, no source).
NOT_PUBLIC = [
    *("0.0.0.0", "10.1.2.3", "100.64.0.1", "127.0.0.1", "127.9.9.9", "169.254.169.254", "172.16.0.1", "172.31.255.255"),
    *("192.0.0.8", "192.0.2.1", "192.168.1.1", "198.18.0.1", "198.51.100.7", "203.0.113.7", "224.0.0.1", "239.1.1.1"),
    *("240.0.0.1", "255.255.255.255", "::", "::1", "fe80::1", "fc00::1", "fd12:3456::1", "ff02::1", "2001:db8::1"),
    *("fec0::1", "::ffff:127.0.0.1", "::ffff:10.0.0.1", "64:ff9b::7f00:1", "64:ff9b::a00:1", "2002:7f00:1::1"),
    *("2002:a00:1::", "100::1", "::ffff:169.254.169.254", "2001:0:7f00:1::1"),
]
PUBLIC = ["1.1.1.1", "9.9.9.9", "2606:4700::1111", "64:ff9b::101:101", "::ffff:9.9.9.9"]


@pytest.mark.parametrize("address", NOT_PUBLIC)
def test_what_is_not_public_is_not_reached(address):
    assert not is_public(ip_address(address))
    assert not Reach().may(ip_address(address), tls=True)


@pytest.mark.parametrize("address", PUBLIC)
def test_what_is_public_is_reached_with_tls_alone(address):
    assert Reach().may(ip_address(address), tls=True)
    assert not Reach().may(ip_address(address), tls=False)


@given(st.ip_addresses(v=4))
def test_an_ipv4_address_is_judged_alike_in_every_wrapping(address):
    wrapped = ip_address(f"::ffff:{address}"), ip_address((0x64FF9B << 96) | int(address))
    assert {is_public(one) for one in wrapped} == {is_public(address)}


def test_a_network_is_allowed_by_name_and_no_other():
    reach = Reach([ip_network("192.168.7.0/24")])
    assert reach.may(ip_address("192.168.7.9"), tls=False)
    assert reach.may(ip_address("::ffff:192.168.7.9"), tls=False)
    assert not reach.may(ip_address("192.168.8.9"), tls=True)
    assert not reach.may(ip_address("127.0.0.1"), tls=True)


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1", "localhost", "0", "2130706433", "0x7f000001", "017700000001", "127.1", "::1", "::ffff:7f00:1"],
)
def test_however_this_machine_is_written_it_is_not_called(host):
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        listening.settimeout(0.2)
        with pytest.raises(NotDelivered):
            Reach().connect(host, listening.getsockname()[1], tls=True)
        with pytest.raises(TimeoutError):
            listening.accept()


def test_a_name_that_means_another_address_by_then_is_looked_at_again():
    """DNS rebinding: public when it was entered, this machine when it is called."""
    answers = iter(["9.9.9.9", "127.0.0.1"])

    def resolve(_host, port, **_options):
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (next(answers), port))]

    reach = Reach(resolve=resolve)
    next(answers)
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        listening.settimeout(0.2)
        with pytest.raises(NotDelivered, match="no public network"):
            reach.connect("rebinding.example", listening.getsockname()[1], tls=True)
        with pytest.raises(TimeoutError):
            listening.accept()


def test_of_several_addresses_only_allowed_ones_are_called():
    with socket.socket() as allowed, socket.socket() as not_allowed:
        for one, at in ((allowed, "127.0.0.2"), (not_allowed, "127.0.0.1")):
            one.bind((at, 0 if one is allowed else allowed.getsockname()[1]))
            one.listen()
            one.settimeout(0.2)
        port = allowed.getsockname()[1]

        def resolve(_host, port, **_options):
            return [(socket.AF_INET, 1, 6, "", (at, port)) for at in ("127.0.0.1", "127.0.0.2")]

        with Reach([ip_network("127.0.0.2/32")], resolve).connect("both.example", port, tls=False):
            allowed.accept()[0].close()
        with pytest.raises(TimeoutError):
            not_allowed.accept()


def test_a_name_with_many_addresses_does_not_hold_the_worker(monkeypatch):
    tried = []

    class Silent:
        def __init__(self, *_: object) -> None: ...
        def settimeout(self, _seconds: float) -> None: ...
        def close(self) -> None: ...
        def connect(self, address: object) -> None:
            tried.append(address)
            raise TimeoutError

    monkeypatch.setattr("service.notices.reach.socket.socket", Silent)
    many = [(socket.AF_INET, 1, 6, "", (f"9.9.9.{last}", 443)) for last in range(200)]
    with pytest.raises(NotDelivered, match="Nobody answers"):
        Reach(resolve=lambda *_args, **_options: many).connect("many.example", 443, tls=True)
    assert len(tried) == MOST_ADDRESSES


def test_a_name_that_nobody_knows_is_said():
    with pytest.raises(NotDelivered, match="not known to the name service"):
        Reach().connect("nowhere.invalid", 443, tls=True)
