"""Moves the spooled sound into the record: each full piece as one FLAC file, then it leaves the spool."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from capture.bench.live_level import RATE
from capture.bench.live_spool import Spool, Timeline, first_sample, piece_pcm, remove
from capture.bench.session import Session
from capture.record.trouble import told_plainly

_HEARD_AFTER_S = 20


class Keeper:
    """Keeps one session's sound.

    Args:
        session: whose record it goes to.
        spool: where it lies.
        timeline: when which sample was taken.
        whole: keep it all; else it is only removed from the spool (the clips of utterances are in the record anyway).
    """

    def __init__(self, session: Session, spool: Spool, timeline: Timeline, whole: bool) -> None:
        self._session, self._spool, self._timeline, self._whole = session, spool, timeline, whole

    def keep(self, heard_samples: int) -> None:
        """Keep the finished pieces that were heard, and everything that was said in them stored, long ago.

        Raises:
            CaptureError: it could not be stored; the piece stays in the spool.
        """
        for path in list(self._spool.finished):
            if first_sample(path) + path.stat().st_size // 2 + _HEARD_AFTER_S * RATE <= heard_samples:
                self._keep(path)

    def keep_all(self) -> None:
        """Keep every finished piece and remove the spool; as ``keep``."""
        for path in list(self._spool.finished):
            self._keep(path)
        remove(self._spool.folder)

    def _keep(self, path: Path) -> None:
        with told_plainly(path):
            if self._whole:
                keep_piece(self._session, self._timeline, path)
            path.unlink(missing_ok=True)
        self._spool.finished.remove(path)


def keep_piece(session: Session, timeline: Timeline, path: Path) -> None:
    """Put one piece of a spool into the record; its row says from where in the session's stream it is."""
    pcm = piece_pcm(path)
    if pcm:
        begin = first_sample(path) / RATE
        facts: dict[str, Any] = {"time_from": "bench clock", "fault": None, "stream_s": round(begin, 3)}
        name = f"{session.session}-{path.stem}.flac"
        session.source(name, flac_of(pcm), "audio/flac", timeline.moment(begin), facts)


def flac_of(pcm: bytes) -> bytes:
    """int16 mono samples at 16 kHz as a FLAC file, which loses nothing."""
    import soundfile

    out = io.BytesIO()
    soundfile.write(out, np.frombuffer(pcm, "<i2"), RATE, format="FLAC", subtype="PCM_16")
    return out.getvalue()
