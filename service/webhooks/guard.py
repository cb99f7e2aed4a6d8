"""Where messages may go: addresses on the public internet, and networks that the settings name.

Receivers inside a site have private addresses, so a list of allowed networks is a setting.
Everything else inside is refused, when the settings are read and again at each connection.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Iterable, Sequence
from typing import Any
from urllib.parse import SplitResult, urlsplit

from service.errors import RefusedAddress, WrongSetting

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
Resolver = Callable[..., Sequence[tuple[Any, ...]]]

# `is_global` of the standard library says yes to these, yet they hold or reach other addresses:
# translation and tunnel prefixes carry an IPv4 address inside, 192.88.99.0/24 is their relay.
NEVER = tuple(
    ipaddress.ip_network(network)
    for network in (
        "64:ff9b::/96",  # RFC 6052, translation
        "64:ff9b:1::/48",  # RFC 8215, translation inside a site
        "2002::/16",  # RFC 3056, 6to4
        "2001::/32",  # RFC 4380, tunnels through translators
        "::ffff:0:0:0/96",  # RFC 2765, translation
        "::/96",  # RFC 4291, IPv4-compatible, with loopback and unspecified
        "3fff::/20",  # RFC 9637, documentation
        "5f00::/16",  # RFC 9602, segments
        "fec0::/10",  # RFC 3879, site-local, deprecated
        "192.0.0.0/24",  # RFC 6890, protocol assignments
        "192.88.99.0/24",  # RFC 7526, 6to4 relays
        "240.0.0.0/4",  # RFC 1112, reserved, with broadcast
    )
)
# RFC 5214: an interface identifier that ends in an IPv4 address, under any prefix.
ISATAP = (0x00005EFE, 0x02005EFE)


def networks(texts: Iterable[str], key: str = "outbound.allow_networks") -> tuple[Network, ...]:
    """The networks of a setting, or WrongSetting naming the one that is none."""
    return tuple(_network(text, key) for text in texts)


def _network(text: str, key: str) -> Network:
    try:
        return ipaddress.ip_network(text)
    except ValueError as wrong:
        raise WrongSetting(
            key, f"{text!r} is not a network: {wrong}", "write it like 192.0.2.0/24 or fd00::/8"
        ) from wrong


def is_allowed(address: str | Address, allow: Sequence[Network] = ()) -> bool:
    """Whether a message may go to an address."""
    at = _unwrapped(ipaddress.ip_address(address))
    if any(at in network for network in allow):
        return True
    return at.is_global and not at.is_multicast and not _is_embedding(at) and not any(at in never for never in NEVER)


def checked_addresses(host: str, port: int, allow: Sequence[Network], resolve: Resolver) -> list[str]:
    """The addresses of a host that may be reached, looked up once; RefusedAddress where there is none."""
    found = list(dict.fromkeys(str(row[4][0]) for row in resolve(host, port, type=socket.SOCK_STREAM)))
    good = [address for address in found if is_allowed(address, allow)]
    if not good:
        raise RefusedAddress(host, ", ".join(found) or "nothing")
    return good


def _unwrapped(address: Address) -> Address:
    # ::ffff:127.0.0.1 goes to 127.0.0.1, so it is judged as that.
    return getattr(address, "ipv4_mapped", None) or address


def _is_embedding(address: Address) -> bool:
    return address.version == 6 and (int(address) >> 32) & 0xFFFFFFFF in ISATAP


def check_url(url: str, allow: Sequence[Network] = (), key: str = "url") -> str:
    """The URL as it came, or WrongSetting: only http and https, a host, no credentials, no refused literal address."""
    parts = _split(url, key)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise WrongSetting(key, "a receiver needs a URL with a host", "write it like https://receiver.example/path")
    if parts.username is not None or parts.password is not None:
        raise WrongSetting(key, "credentials in a URL end up in logs", "sign messages with a secret instead")
    _refuse_inside(parts.hostname, allow, key)
    return url


def _split(url: str, key: str) -> SplitResult:
    if not url.isascii() or any(letter <= " " for letter in url):
        raise WrongSetting(
            key, "a URL holds no spaces and only ASCII", "write a host's xn-- form and %XX for other letters"
        )
    try:
        parts = urlsplit(url)
        _ = parts.port  # a port that is no number is found only when asked for
    except ValueError as wrong:
        raise WrongSetting(key, f"not a URL: {wrong}", "write it like https://receiver.example/path") from wrong
    return parts


def _refuse_inside(host: str, allow: Sequence[Network], key: str) -> None:
    literals = _literals(host)
    if literals and not any(is_allowed(literal, allow) for literal in literals):
        refused = RefusedAddress(host, ", ".join(literals))
        raise WrongSetting(key, str(refused)) from refused


def _literals(host: str) -> tuple[str, ...]:
    """The addresses that a host name stands for without asking anybody; empty for an ordinary name."""
    name = host.rstrip(".").lower()
    if name == "localhost" or name.endswith(".localhost"):
        return ("127.0.0.1", "::1")  # RFC 6761 section 6.3
    try:
        return (str(ipaddress.ip_address(name)),)
    except ValueError:
        return _old_forms(name)


def _old_forms(name: str) -> tuple[str, ...]:
    # 2130706433, 0x7f.1 and 127.1 are 127.0.0.1 to the resolver; inet_aton reads them as it does.
    if not name or not all(part and part[0].isdigit() for part in name.split(".")):
        return ()
    try:
        return (socket.inet_ntoa(socket.inet_aton(name)),)
    except OSError:
        return ()
