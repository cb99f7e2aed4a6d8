"""People whom a proxy in front of the service has signed in by OpenID Connect.

The proxy passes the ID token (OpenID Connect Core 1.0, section 2) in a header of its own. It counts only from the
addresses that the settings trust, and only where the issuer signed it: a name alone could be typed by anybody.
"""

from __future__ import annotations

import ipaddress
import json
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from service.errors import NoKey, WrongSetting

if TYPE_CHECKING:
    import jwt

# Signatures that only the issuer can make (RFC 7518, section 3.1; RFC 8037): no HMAC, and never "none".
ALGORITHMS = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "EdDSA")
KINDS = ("RSA", "EC", "OKP")
TIMES = ("verify_exp", "verify_nbf", "verify_iat")
SKEW_S = 60  # by which clocks may differ
MOST_LETTERS = 16_384  # of a token
MOST_NAME = 200
REFUSED = "the proxy's token does not hold here: "


class Granted(NamedTuple):
    """The role of those in whose token a claim has, or lists, a value."""

    claim: str
    value: str
    role: str


class Keys:
    """The issuer's public keys, of a file with a JWK set (RFC 7517, section 5); read again when it was changed."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._lock = threading.Lock()
        self._read: tuple[tuple[int, int], Sequence[jwt.PyJWK]] | None = None

    def of(self, key_id: str | None) -> Sequence[jwt.PyJWK]:
        """Those of an id, all where a token names none; WrongSetting where the file cannot be used."""
        return [key for key in self._all() if key_id is None or key.key_id == key_id]

    def _all(self) -> Sequence[jwt.PyJWK]:
        import jwt

        try:
            found = self._file.stat()
            stamp = (found.st_mtime_ns, found.st_size)
            with self._lock:
                if self._read is None or self._read[0] != stamp:
                    self._read = (stamp, _public(self._file.read_text(encoding="utf-8")))
                return self._read[1]
        except (OSError, ValueError, jwt.PyJWTError) as failure:
            why = f"{self._file} is no set of keys: {failure}"
            raise WrongSetting("people.keys_file", why, "save what the issuer has at its jwks_uri there") from failure


@dataclass(frozen=True)
class People:
    """Whose tokens count, from where, and what those who bear them may do."""

    header: str
    trusted: tuple[ipaddress.IPv4Network | ipaddress.IPv6Network, ...]
    issuer: str
    audience: str
    keys: Keys
    name_claim: str
    granted: tuple[Granted, ...]
    ranks: tuple[str, ...] = field(default=("view", "operate", "admin"))

    def who(self, token: str, peer: str, now_s: float) -> tuple[str, str]:
        """The name and the role of whoever bears a token that was passed by a peer; NoKey where it does not hold."""
        if not self._is_trusted(peer):
            raise NoKey(f"{self.header} counts only from the proxy that the settings trust")
        claims = self.claims(token)
        self._hold_times(claims, now_s)
        return self._name(claims), self._role(claims)

    def claims(self, token: str) -> Mapping[str, Any]:
        """What the issuer says to us of somebody, its signature found good; when it holds is not looked at."""
        import jwt

        if len(token) > MOST_LETTERS:
            raise NoKey(REFUSED + "it is too long")
        told: dict[str, Any] = {
            "algorithms": ALGORITHMS,
            "issuer": self.issuer,
            "audience": self.audience,
            # By the clock that we are handed, not by the library's.
            "options": {"require": ["iss", "aud", "exp", "iat", "sub"]} | dict.fromkeys(TIMES, False),
        }
        return self._tried(token, lambda key: jwt.decode(token, key, **told))

    def _tried(self, token: str, decode: Callable[[jwt.PyJWK], Mapping[str, Any]]) -> Mapping[str, Any]:
        """What one of the issuer's keys makes of a token."""
        import jwt

        why = "it is signed by nobody known"
        try:
            head = jwt.get_unverified_header(token)
            for key in self.keys.of(head.get("kid")):
                try:
                    return decode(key)
                except (jwt.InvalidSignatureError, jwt.InvalidAlgorithmError, jwt.InvalidKeyError) as failure:
                    why = str(failure)
        except (jwt.PyJWTError, ValueError, TypeError) as failure:
            why = str(failure)
        raise NoKey(REFUSED + why)

    def _is_trusted(self, peer: str) -> bool:
        try:
            address = ipaddress.ip_address(peer)
        except ValueError:
            return False
        mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
        return any((mapped or address) in network for network in self.trusted)

    def _hold_times(self, claims: Mapping[str, Any], now_s: float) -> None:
        ends, begins = claims["exp"], [claims[name] for name in ("iat", "nbf") if name in claims]
        if not all(isinstance(at, int | float) for at in (ends, *begins)):
            raise NoKey(REFUSED + "its times are no numbers")
        if now_s >= ends + SKEW_S:
            raise NoKey(REFUSED + "it has run out; sign in again")
        if any(at > now_s + SKEW_S for at in begins):
            raise NoKey(REFUSED + "it is of the future; the clocks differ")

    def _name(self, claims: Mapping[str, Any]) -> str:
        name = claims.get(self.name_claim)
        if not isinstance(name, str) or not name.strip() or not name.isprintable() or len(name) > MOST_NAME:
            raise NoKey(f"{REFUSED}its {self.name_claim} is no name")
        if self.name_claim == "email" and claims.get("email_verified") is False:
            raise NoKey(REFUSED + "the address in it was never verified")
        return name.strip()

    def _role(self, claims: Mapping[str, Any]) -> str:
        """The highest role that any of the claims grants."""
        found = {one.role for one in self.granted if one.value in _listed(claims.get(one.claim))}
        role = max(found, key=self.ranks.index, default="")
        if not role:
            raise NoKey(REFUSED + "nothing in it grants a role; people.roles of the settings say what does")
        return role


def _public(text: str) -> Sequence[jwt.PyJWK]:
    """The keys of a set that check signatures and make none."""
    import jwt

    told = json.loads(text)
    listed = told.get("keys", []) if isinstance(told, dict) else []
    keys = [jwt.PyJWK.from_dict(key) for key in listed if isinstance(key, dict) and key.get("kty") in KINDS]
    if not keys:
        raise ValueError("it holds no public key")
    return keys


def _listed(value: Any) -> Sequence[str]:
    found = value if isinstance(value, list) else [value]
    return [one for one in found if isinstance(one, str)]
