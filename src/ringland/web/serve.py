"""Start the app on this computer: a port that is free, the browser opened; and, when asked for,
shared with other devices over TLS."""

import contextlib
import errno
import os
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from ringland.errors import SettingError
from ringland.history import Store, open_store
from ringland.web.app import DEFAULT_PORT, create_app, local_hosts
from ringland.web.certificate import certificate_for, need_cryptography
from ringland.web.guard import GuardSettings
from ringland.web.network import (
    Address,
    hosts_at,
    names_of_this_computer,
    own_addresses,
    workshop_address,
)
from ringland.web.pairing import LIFE_S, Pairing
from ringland.web.sessions import Role
from ringland.web.sharing import Sharing

__all__ = ["DEFAULT_PORT", "serve", "share"]

HOST = "127.0.0.1"
_TRIED_PORTS = 20
_NOT_OURS = {errno.EADDRNOTAVAIL, getattr(errno, "WSAEADDRNOTAVAIL", errno.EADDRNOTAVAIL)}


def serve(
    *,
    port: int | None = None,
    data: Path | str | None = None,
    browser: bool = True,
    lan: bool = False,
    address: str | None = None,
    say: Callable[[str], None] = print,
) -> None:
    """Serve until stopped; with `lan` other devices too, at `address`. Raises SettingError when the
    port, the store or the network cannot be had."""
    if address is not None and not lan:
        raise SettingError(
            "An address is for sharing only.", got=address, remedy="Add --lan, or leave it out."
        )
    from ringland.web.servers import run

    place = _place(address) if lan else None
    at = [HOST] if place is None else [HOST, str(place)]
    with open_store(data) as store, _listeners(port, at) as listeners:
        chosen = int(listeners[0].getsockname()[1])
        folder = own_folder(store, data)
        guard = GuardSettings(hosts=local_hosts(chosen), cookie=f"ringland-{chosen}")
        sharing = None if place is None else share(folder, place, port=chosen, say=say)
        app = create_app(store, folder=folder, guard=guard, sharing=sharing)
        own = f"http://{HOST}:{chosen}/enter?key={app.state.context.sessions.key}"
        say(f"Ringland is at {own}")
        if sharing is None:
            say("Only this computer reaches it. Stop with Ctrl+C.")
        else:
            _say_shared(sharing, say)
        if browser:
            threading.Timer(0.8, _open, args=(own,)).start()
        run(app, listeners, sharing)


def _place(address: str | None) -> Address:
    need_cryptography()
    return workshop_address(address)


def share(
    folder: Path, place: Address, *, port: int, say: Callable[[str], None] = print
) -> Sharing:
    """How the app is reached by other devices at one address of this computer."""
    names = names_of_this_computer()
    hosts = hosts_at(place, names, port)
    certificate = certificate_for(folder, [str(place), *names])
    first = hosts_at(place, (), port)
    addresses = tuple(f"https://{h}" for h in (*first, *sorted(hosts - first)))
    return Sharing(addresses, hosts, f"__Host-ringland-{port}", certificate, Pairing(), say)


def _say_shared(sharing: Sharing, say: Callable[[str], None]) -> None:
    code = sharing.pairing.new(Role.TECHNICIAN)
    print_ = sharing.certificate.fingerprint
    say("That address is for this computer only: whoever has it needs no code.")
    say("")
    say(f"Other devices: {sharing.addresses[0]}")
    say(f"Pairing code:  {code.shown}   for one technician, good for {LIFE_S / 60:.0f} minutes")
    say("Fingerprint of the certificate (SHA-256), to compare with what the other device shows:")
    say(f"  {print_[:48]}\n  {print_[48:]}")
    if sharing.certificate.fresh:
        say("The certificate is new: devices that knew another one have to compare again.")
    say("")
    say("More codes, codes for readers, and sending devices away: Settings on this computer.")
    say("Share in a network you trust only. Stop with Ctrl+C.")


def own_folder(store: Store, data: Path | str | None) -> Path:
    """Where this computer keeps what is not for the store: beside a local one, else the user's."""
    from ringland.history import default_folder

    if "://" in store.url:
        return default_folder()
    return Path(data) if data is not None else Path(store.url)


@contextmanager
def _listeners(port: int | None, addresses: list[str]) -> Iterator[list[socket.socket]]:
    """A socket at each address, all with one port: the one asked for, else the first free one from
    the usual one on."""
    ports = [port] if port is not None else list(range(DEFAULT_PORT, DEFAULT_PORT + _TRIED_PORTS))
    for number in ports:
        with contextlib.ExitStack() as stack:
            try:
                opened = [stack.enter_context(_listener(a, number)) for a in addresses]
            except OSError as error:
                if error.errno in _NOT_OURS:
                    raise _not_ours(addresses) from error
                continue
            yield opened
            return
    raise SettingError(
        "The port is in use.",
        got=str(port) if port is not None else f"{ports[0]} to {ports[-1]}",
        allowed="a free port from 1024 to 65535",
        remedy="Close the other program, or choose one with --port.",
    )


def _not_ours(addresses: list[str]) -> SettingError:
    own = ", ".join(str(a) for a in own_addresses())
    return SettingError(
        "This computer does not have that address.",
        got=addresses[-1],
        allowed=own or "none was found in a private network",
        remedy="Connect it to the network, or name another address.",
    )


def _listener(address: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
    if os.name != "nt":  # there it would let two programs share the port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((address, port))
        listener.listen(128)
    except OSError:
        listener.close()
        raise
    return listener


def _open(address: str) -> None:
    with contextlib.suppress(webbrowser.Error):
        webbrowser.open(address)
