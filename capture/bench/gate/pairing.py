"""Pairing a phone: a token that is shown as a picture, is good for a few minutes and once, and belongs to one job."""

from __future__ import annotations

import io
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256

VALID_S = 180.0


@dataclass(frozen=True)
class Offer:
    """A token to be shown. ``by`` is who asked for it, ``until`` the clock's second in which it ends."""

    token: str
    job: str
    by: str
    until: float


class Pairing:
    """At most one offer at a time: a new one ends the last. Safe for several threads.

    Args:
        clock: seconds that never run backwards.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._open: tuple[str, Offer] | None = None

    def offer(self, job: str, by: str) -> Offer:
        """Make a token for a job."""
        made = Offer(secrets.token_urlsafe(24), job, by, self._clock() + VALID_S)
        with self._lock:
            self._open = (_digest(made.token), made)
        return made

    def take(self, token: str) -> Offer | None:
        """Use a token up; None when it is not the one that is offered, or no longer."""
        with self._lock:
            known = self._open
            if known is None or not secrets.compare_digest(known[0], _digest(token)):
                return None
            self._open = None
            return known[1] if self._clock() < known[1].until else None

    def withdraw(self) -> None:
        """End the offer."""
        with self._lock:
            self._open = None


def qr_svg(text: str) -> str:
    """A QR code (ISO/IEC 18004, level M) as an SVG picture of its own, dark on white with its quiet zone."""
    import segno

    out = io.BytesIO()
    segno.make_qr(text, error="m").save(out, kind="svg", scale=8, border=4, light="#fff", dark="#000", xmldecl=False)
    return out.getvalue().decode()


def _digest(token: str) -> str:
    return sha256(token.encode("utf-8", "replace")).hexdigest()
