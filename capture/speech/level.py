"""Was the sound fit to be heard: clipped, or too quiet."""

from __future__ import annotations

import numpy as np

from .heard import Clip, Doubt

CLIPPED_SHARE = 0.005
QUIET_RMS = 20.0  # of 32768: -64 dB


def level_doubts(clip: Clip, words: int) -> tuple[Doubt, ...]:
    """Doubts about a whole utterance whose sound is overloaded or hardly there."""
    x = np.frombuffer(clip.pcm, "<i2").astype(np.float32)
    if not len(x):
        return ()
    last = max(0, words - 1)
    if float((np.abs(x) >= 32700).mean()) > CLIPPED_SHARE:
        return (Doubt("level", 0, last, "The sound is overloaded; move the microphone away or turn it down."),)
    if float(np.sqrt((x**2).mean())) < QUIET_RMS:
        return (Doubt("level", 0, last, "The sound is very faint; come closer to the microphone or turn it up."),)
    return ()
