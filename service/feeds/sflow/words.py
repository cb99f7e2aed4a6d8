"""XDR (RFC 4506) as far as datagrams use it: words of four octets, and opaque octets padded to them."""

from __future__ import annotations

import struct

from service.errors import BrokenDatagram

_WORD = struct.Struct("!I")


class Words:
    """A place in octets that moves on with each reading; BrokenDatagram where they end too soon."""

    def __init__(self, octets: bytes) -> None:
        self._octets, self._at = octets, 0

    def word(self) -> int:
        """The next unsigned number."""
        if len(self._octets) - self._at < 4:
            raise BrokenDatagram("sFlow", "ends too soon")
        (value,) = _WORD.unpack_from(self._octets, self._at)
        self._at += 4
        return int(value)

    def skip(self, words: int) -> None:
        """Pass over so many words."""
        self.fixed(4 * words)

    def fixed(self, length: int) -> bytes:
        """The next so many octets, a whole number of words."""
        if len(self._octets) - self._at < length:
            raise BrokenDatagram("sFlow", "ends too soon")
        told = self._octets[self._at : self._at + length]
        self._at += length
        return told

    def opaque(self) -> bytes:
        """Octets that say how many they are, without their padding."""
        length = self.word()
        return self.fixed(length + -length % 4)[:length]
