"""Identifiers that sort by time: UUID version 7 (RFC 9562, section 5.7)."""

from __future__ import annotations

from uuid import UUID


def uuid7(unix_ms: int, random: bytes) -> UUID:
    """Build a UUIDv7.

    Args:
        unix_ms: milliseconds since 1970-01-01T00:00Z, 48 bits.
        random: ten bytes; 74 of their 80 bits are used (12 for ``rand_a``, 62 for ``rand_b``).

    Raises:
        ValueError: the time does not fit 48 bits, or there are not ten bytes.
    """
    if not 0 <= unix_ms < 1 << 48:
        raise ValueError(f"{unix_ms} ms does not fit the 48 bits of a UUIDv7; check the clock.")
    if len(random) != 10:
        raise ValueError(f"A UUIDv7 takes 10 random bytes, not {len(random)}.")
    bits = int.from_bytes(random, "big")
    rand_a, rand_b = bits >> 68, bits & ((1 << 62) - 1)
    return UUID(int=unix_ms << 80 | 0x7 << 76 | rand_a << 64 | 0b10 << 62 | rand_b)
