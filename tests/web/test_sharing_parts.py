"""The pieces of sharing in the workshop: code, certificate, address, sessions.

Requirements by their numbers in OWASP ASVS 4.0.3."""

import hashlib
import importlib.util
import ipaddress
import os
import shutil
import ssl
import subprocess
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringland.errors import SettingError
from ringland.web import certificate as certificates
from ringland.web import network
from ringland.web.certificate import certificate_for, tls_context
from ringland.web.errors import NotPaired
from ringland.web.network import hosts_at, names_of_this_computer, own_addresses, workshop_address
from ringland.web.pairing import LIFE_S, MOST_WRONG, CodeState, Pairing
from ringland.web.serve import serve
from ringland.web.sessions import Role, Session, Sessions, read_or_make_key


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def refused(pairing: Pairing, text: str) -> str:
    with pytest.raises(NotPaired) as caught:
        pairing.redeem(text)
    return str(caught.value.as_dict())


def test_a_code_is_good_once() -> None:
    """ASVS 2.7.3."""
    pairing = Pairing()
    code = pairing.new(Role.READER)
    assert pairing.redeem(code.shown) is Role.READER
    refused(pairing, code.text)
    newest = pairing.newest()
    assert newest is not None
    assert newest.state is CodeState.USED
    assert pairing.left_s(newest) == 0.0


def test_a_code_ends_after_ten_minutes() -> None:
    """ASVS 2.7.2, 2.3.1."""
    assert LIFE_S <= 600.0
    clock = Clock()
    pairing = Pairing(clock)
    code = pairing.new(Role.TECHNICIAN)
    clock.now_s += 599.9
    assert pairing.left_s(code) == pytest.approx(0.1)
    clock.now_s += 0.1
    refused(pairing, code.text)
    newest = pairing.newest()
    assert newest is not None
    assert newest.state is CodeState.TOO_OLD


def test_wrong_tries_end_a_code() -> None:
    """ASVS 2.2.1: at most 100 failed tries an hour; here 5 for each code a person made."""
    pairing = Pairing()
    code = pairing.new(Role.TECHNICIAN)
    wrong = f"{(int(code.text) + 1) % 10**8:08d}"
    for tries in range(MOST_WRONG):
        newest = pairing.newest()
        assert newest is not None
        assert (newest.state, newest.wrong_tries) == (CodeState.GOOD, tries)
        refused(pairing, wrong)
    refused(pairing, code.text)
    newest = pairing.newest()
    assert newest is not None
    assert newest.state is CodeState.TRIED_OUT


def test_a_refusal_does_not_tell_whether_there_is_a_code() -> None:
    clock = Clock()
    pairing = Pairing(clock)
    none_yet = refused(pairing, "00000000")
    code = pairing.new(Role.TECHNICIAN)
    wrong = refused(pairing, f"{(int(code.text) + 1) % 10**8:08d}")
    clock.now_s += LIFE_S
    too_old = refused(pairing, code.text)
    second = pairing.new(Role.TECHNICIAN)
    pairing.end()
    ended = refused(pairing, second.text)
    assert {none_yet, wrong, too_old, ended} == {none_yet}
    assert code.text not in none_yet


def test_a_new_code_replaces_the_one_before() -> None:
    pairing = Pairing()
    first, second = pairing.new(Role.TECHNICIAN), pairing.new(Role.READER)
    if first.text != second.text:
        refused(pairing, first.text)
    assert pairing.redeem(second.text) is Role.READER


def test_codes_are_long_enough_and_differ() -> None:
    """ASVS 2.7.6: at least 20 bits; 8 digits are 26."""
    codes = [Pairing().new(Role.READER).text for _ in range(200)]
    assert {len(c) for c in codes} == {8}
    assert all(c.isdecimal() for c in codes)
    assert len(set(codes)) > 195  # chance of fewer: below 1e-9


@given(st.text(max_size=40))
def test_nothing_but_the_code_is_taken(text: str) -> None:
    pairing = Pairing()
    code = pairing.new(Role.TECHNICIAN)
    if "".join(c for c in text if c in "0123456789") == code.text:
        return
    refused(pairing, text)


# Certificate.


def test_the_fingerprint_is_what_other_programs_show(tmp_path: Path) -> None:
    """SHA-256 over the DER form, as browsers and openssl show it."""
    made = certificate_for(tmp_path, ["192.168.7.20", "bench.local"])
    pem = made.path.read_text("ascii")
    der = ssl.PEM_cert_to_DER_cert(pem[pem.index("-----BEGIN CERTIFICATE") :])
    assert made.fingerprint.replace(":", "").lower() == hashlib.sha256(der).hexdigest()
    openssl = shutil.which("openssl")
    if openssl is None:
        return
    words = [openssl, "x509", "-in", str(made.path), "-noout", "-fingerprint", "-sha256", "-text"]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert made.fingerprint in said
    assert "IP Address:192.168.7.20" in said
    assert "DNS:bench.local" in said
    assert "CA:FALSE" in said
    assert "TLS Web Server Authentication" in said
    assert "ecdsa-with-SHA256" in said


def test_a_certificate_stays_the_same(tmp_path: Path) -> None:
    first = certificate_for(tmp_path, ["192.168.7.20", "bench"])
    again = certificate_for(tmp_path, ["192.168.7.20"])
    assert first.fresh
    assert not again.fresh
    assert again.fingerprint == first.fingerprint
    assert first.ends - datetime.now(UTC) <= timedelta(days=397)


def test_two_networks_end_up_with_one_certificate(tmp_path: Path) -> None:
    """A new address needs a new certificate; going back to the old one does not."""
    certificate_for(tmp_path, ["192.168.7.20"])
    both = certificate_for(tmp_path, ["10.0.0.5"])
    assert both.fresh
    assert set(both.names) == {"192.168.7.20", "10.0.0.5"}
    assert certificate_for(tmp_path, ["192.168.7.20"]).fingerprint == both.fingerprint


def test_a_certificate_is_made_anew_before_it_runs_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = certificate_for(tmp_path, ["192.168.7.20"])
    monkeypatch.setattr(certificates, "_RENEWED", timedelta(days=398))
    again = certificate_for(tmp_path, ["192.168.7.20"])
    assert again.fresh
    assert again.fingerprint != first.fingerprint


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: "",
        lambda text: text[: len(text) // 2],
        lambda text: text[text.index("-----BEGIN CERTIFICATE") :],
        lambda text: "\x00" * 100,
    ],
)
def test_a_damaged_certificate_is_made_anew(tmp_path: Path, damage: Callable[[str], str]) -> None:
    first = certificate_for(tmp_path, ["192.168.7.20"])
    first.path.write_text(damage(first.path.read_text("ascii")), encoding="ascii")
    again = certificate_for(tmp_path, ["192.168.7.20"])
    assert again.fresh
    tls_context(again)


def test_the_key_of_the_certificate_is_private(tmp_path: Path) -> None:
    path = certificate_for(tmp_path, ["192.168.7.20"]).path
    if os.name == "posix":
        assert path.stat().st_mode & 0o077 == 0


def test_only_new_tls(tmp_path: Path) -> None:
    """ASVS 9.1.3."""
    context = tls_context(certificate_for(tmp_path, ["192.168.7.20"]))
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2


def test_strong_ciphers_only(tmp_path: Path) -> None:
    """ASVS 9.1.2: forward secrecy and authenticated encryption (RFC 9325, 4.2) are preferred, and
    nothing that RFC 9325, 4.1 forbids (NULL, RC4, export, below 112 bits) is offered."""
    offered = tls_context(certificate_for(tmp_path, ["192.168.7.20"])).get_ciphers()
    names = [c["name"] for c in offered]
    assert [n for n in names if any(bad in n for bad in ("NULL", "RC4", "EXP", "DES", "MD5"))] == []
    assert min(c["strength_bits"] for c in offered) >= 128
    assert names[0].startswith(("TLS_AES", "TLS_CHACHA20"))


def test_without_the_package_it_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(certificates, "find_spec", lambda _: None)
    with pytest.raises(SettingError) as caught:
        serve(lan=True, data=tmp_path / "data", browser=False)
    assert "ringland[lan]" in str(caught.value.remedy)
    assert not (tmp_path / "data").exists()  # nothing was begun
    assert importlib.util.find_spec("cryptography") is not None


# Address.


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ("127.0.0.1", "only this computer"),
        ("::1", "only this computer"),
        ("0.0.0.0", "not the address of one"),
        ("224.0.0.251", "not the address of one"),
        ("8.8.8.8", "whole internet"),
        ("2606:4700::1111", "whole internet"),
        ("fe80::1", "cannot open"),
        ("bench.local", "not an address"),
        ("192.168.1.20:8765", "not an address"),
        ("", "not an address"),
        ("\x1b[31m", "not an address"),
    ],
)
def test_where_it_is_not_shared(given: str, why: str) -> None:
    with pytest.raises(SettingError) as caught:
        workshop_address(given)
    assert why in str(caught.value.got)


@pytest.mark.parametrize(
    "given", ["192.168.1.20", "10.0.0.5", "172.16.3.4", "fd12::5", "[fd12::5]"]
)
def test_where_it_may_be_shared(given: str) -> None:
    """Private networks: RFC 1918 and RFC 4193."""
    assert str(workshop_address(given)) == given.strip("[]")


def test_addresses_of_this_computer_fit() -> None:
    for address in own_addresses():
        assert workshop_address(str(address)) == address


def test_no_network_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(network, "own_addresses", tuple)
    with pytest.raises(SettingError, match="No workshop network"):
        workshop_address(None)


def test_hosts_are_those_served_and_no_others(monkeypatch: pytest.MonkeyPatch) -> None:
    six = ipaddress.ip_address("fd12::5")
    assert hosts_at(six, ("bench", "bench.local"), 8765) == {
        "[fd12::5]:8765", "bench:8765", "bench.local:8765",
    }  # fmt: skip
    for name, names in (
        ("Bench-1.depot.example", ("bench-1", "bench-1.local")),
        ("a b", ()),
        ("localhost", ()),
    ):
        monkeypatch.setattr("socket.gethostname", lambda name=name: name)
        assert names_of_this_computer() == names


def test_an_address_needs_sharing(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="for sharing only"):
        serve(address="192.168.1.20", data=tmp_path / "data", browser=False)


def test_an_address_of_another_computer(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="does not have that address"):
        serve(lan=True, address="10.255.254.253", data=tmp_path / "data", browser=False)


# Sessions.


def test_sessions_of_other_devices_end_sooner(tmp_path: Path) -> None:
    """ASVS 3.3.2: unused for a day, or after a week."""
    now = time.time()
    session = Session("d", Role.READER, now, now, shared=True, name="Kim", device="tablet")
    assert session.alive(now + 86_399.0)
    assert not session.alive(now + 86_400.0)
    used = Session("d", Role.READER, now, now + 7 * 86_400.0 - 1.0, shared=True)
    assert used.alive(now + 7 * 86_400.0 - 0.5)
    assert not used.alive(now + 7 * 86_400.0)


def test_devices_are_remembered_and_revoked(tmp_path: Path) -> None:
    sessions = Sessions(tmp_path, read_or_make_key(tmp_path))
    token = sessions.open_shared(
        Role.READER, name="Kïm", device="tablet bay 2", address="192.168.7.31"
    )
    own = sessions.open(Role.TECHNICIAN)
    again = Sessions(tmp_path, sessions.key)
    found = again.find(token)
    assert found is not None
    assert (found.who, found.role, found.address) == (
        "Kïm (tablet bay 2)", Role.READER, "192.168.7.31",
    )  # fmt: skip
    assert found.id not in token
    assert {s.id for s in again.all()} == {found.id, str(getattr(again.find(own), "id", ""))}
    assert again.is_alive(found)
    assert again.revoke(found.id) == found
    assert again.revoke(found.id) is None
    assert not again.is_alive(found)
    assert Sessions(tmp_path, sessions.key).find(token) is None
    assert token not in (tmp_path / "web-sessions.json").read_text("ascii")


def test_sessions_of_an_earlier_version_are_read(tmp_path: Path) -> None:
    now = time.time()
    digest = hashlib.sha256(b"a-token").hexdigest()
    (tmp_path / "web-sessions.json").write_text(
        f'[{{"digest": "{digest}", "role": "technician", "made_s": {now}, "used_s": {now}}}]',
        encoding="ascii",
    )
    found = Sessions(tmp_path, "k" * 43).find("a-token")
    assert found is not None
    assert not found.shared
