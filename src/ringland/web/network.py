"""Which address of this computer other devices in the workshop can reach."""

import contextlib
import ipaddress
import re
import socket
from collections.abc import Iterable
from typing import TypeAlias

from ringland.errors import SettingError

__all__ = ["Address", "hosts_at", "names_of_this_computer", "own_addresses", "workshop_address"]

Address: TypeAlias = ipaddress.IPv4Address | ipaddress.IPv6Address

_LABEL = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)")
_TOWARDS = ("10.255.255.255", "172.31.255.255", "192.168.255.255")
"""Where a packet would go in a private network (RFC 1918). None is sent."""
_ALLOWED = "an address of this computer in a private network, such as 192.168.1.20"


def own_addresses() -> tuple[Address, ...]:
    """Addresses of this computer that fit, the one towards the network first. Nothing is sent."""
    found: list[str] = []
    for target in _TOWARDS:
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe,
        ):
            probe.connect((target, 9))  # chooses the way; a datagram socket sends nothing here
            found.append(str(probe.getsockname()[0]))
    with contextlib.suppress(OSError):
        found += [str(e[4][0]) for e in socket.getaddrinfo(socket.gethostname(), None)]
    fitting = (_parsed(text) for text in dict.fromkeys(found))
    return tuple(a for a in fitting if a is not None and not _unfit(a))


def workshop_address(given: str | None) -> Address:
    """The address to share at: as given, else the one towards the network.

    Raises SettingError when there is none, or when it is reached by this computer only or by the
    whole internet.
    """
    if given is None:
        found = own_addresses()
        if not found:
            raise SettingError(
                "No workshop network was found.",
                allowed=_ALLOWED,
                remedy="Connect this computer to the network, or name its address: "
                "ringland serve --lan --address ADDRESS",
            )
        return found[0]
    address = _parsed(given)
    wrong = "it is not an address" if address is None else _unfit(address)
    if address is None or wrong:
        raise SettingError(
            "The app cannot be shared at this address.",
            got=f"{given[:80]}: {wrong}",
            allowed=_ALLOWED,
            remedy="Name another one, or leave --address out.",
        )
    return address


def _parsed(text: str) -> Address | None:
    try:
        return ipaddress.ip_address(text.strip("[] "))
    except ValueError:
        return None


def _unfit(address: Address) -> str:
    """Why an address does not fit; empty when it does."""
    if address.is_loopback:
        return "only this computer reaches it"
    if address.is_unspecified or address.is_multicast or address.is_reserved:
        return "it is not the address of one computer"
    if isinstance(address, ipaddress.IPv6Address) and address.is_link_local:
        return "browsers cannot open it"
    if address.is_global:
        return "the whole internet may reach it"
    return ""


def names_of_this_computer() -> tuple[str, ...]:
    """Its name in the network, plain and as multicast DNS has it (RFC 6762); empty when it has none
    that a browser could use."""
    name = socket.gethostname().lower().split(".")[0]
    if not _LABEL.fullmatch(name) or name == "localhost":
        return ()
    return (name, f"{name}.local")


def hosts_at(address: Address, names: Iterable[str], port: int) -> frozenset[str]:
    """What the Host header may say at this address."""
    written = f"[{address}]" if address.version == 6 else str(address)
    return frozenset(f"{name}:{port}" for name in (written, *names))
