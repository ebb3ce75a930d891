"""Our voice: sentences spoken by ``espeak-ng``, played by this machine or by the page; silence when there is none.

A voice says one thing at a time. ``say`` returns at once with the sound (int16 mono, 16 kHz) that is being played,
which the echo gate needs, and calls ``done`` with the line's number when it came to its end; ``hush`` cuts it off, and
then ``done`` is not called.
"""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
import threading
import wave
from collections.abc import Callable
from typing import Protocol

import numpy as np

RATE = 16_000
WORDS_PER_MINUTE = 165
LONGEST_TEXT = 700
_PLAYERS = (("pw-play", "-"), ("paplay",), ("aplay", "-q", "-"), ("afplay", "/dev/stdin"))
_RENDER_LIMIT_S = 10
_LATE_S = 2.0


class Voice(Protocol):
    """Something that can speak."""

    def say(self, text: str, number: int, done: Callable[[int], None]) -> bytes:
        """Begin to say ``text``; returns its sound, empty when nothing will be heard."""

    def hush(self) -> None:
        """Stop at once."""


class NoVoice:
    """Says nothing: everything is on the page."""

    def say(self, text: str, number: int, done: Callable[[int], None]) -> bytes:
        """Done already."""
        done(number)
        return b""

    def hush(self) -> None:
        """Nothing to stop."""


class Synthesiser:
    """Sentences to sound through ``espeak-ng``."""

    def __init__(self, program: str, voice: str = "en-gb") -> None:
        self._call = [program, "-v", voice, "-s", str(WORDS_PER_MINUTE), "--stdin", "--stdout"]

    @classmethod
    def found(cls) -> Synthesiser | None:
        """The machine's own, or None when it is not installed."""
        program = shutil.which("espeak-ng")
        return None if program is None else cls(program)

    def render(self, text: str) -> bytes:
        """``text`` as int16 mono samples at 16 kHz; nothing when the program fails."""
        try:
            made = subprocess.run(
                self._call, input=text[:LONGEST_TEXT].encode(), capture_output=True, timeout=_RENDER_LIMIT_S, check=True
            )
        except (OSError, subprocess.SubprocessError):
            return b""
        return _pcm_of_stream(made.stdout)


class MachineVoice:
    """Plays on this machine's loudspeaker through the first player that is installed."""

    def __init__(self, synthesiser: Synthesiser, player: tuple[str, ...]) -> None:
        self._synthesiser = synthesiser
        self._player = player
        self._playing: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    @staticmethod
    def player() -> tuple[str, ...] | None:
        """The program that plays sound here, or None."""
        return next((call for call in _PLAYERS if shutil.which(call[0])), None)

    def say(self, text: str, number: int, done: Callable[[int], None]) -> bytes:
        """Begin to play ``text``."""
        pcm = self._synthesiser.render(text)
        if not pcm:
            done(number)
            return b""
        with self._lock:
            try:
                playing = subprocess.Popen(
                    self._player, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
                )
            except OSError:
                playing = None
            self._playing = playing
        if playing is None:
            done(number)
            return b""
        threading.Thread(target=self._play, args=(playing, wav_of(pcm), number, done), daemon=True).start()
        return pcm

    def hush(self) -> None:
        """Stop the player."""
        with self._lock:
            playing, self._playing = self._playing, None
        if playing is not None:
            playing.kill()

    def _play(self, playing: subprocess.Popen[bytes], sound: bytes, number: int, done: Callable[[int], None]) -> None:
        try:
            playing.communicate(sound)
        except (OSError, ValueError):
            playing.kill()
            playing.wait()
        with self._lock:
            ours = self._playing is playing
            if ours:
                self._playing = None
        if ours:
            done(number)


class PageVoice:
    """Hands the sound to the page, which plays it and reports the end; a page that is away does not hold us up.

    Args:
        synthesiser: makes the sound.
        show: tells the page that line ``number`` is to be played, or stopped (0); returns whether any page listens.
    """

    def __init__(self, synthesiser: Synthesiser, show: Callable[[int], bool]) -> None:
        self._synthesiser = synthesiser
        self._show = show
        self._lock = threading.Lock()
        self._now: tuple[int, bytes, Callable[[int], None], threading.Timer] | None = None

    def say(self, text: str, number: int, done: Callable[[int], None]) -> bytes:
        """Begin to say ``text`` on the page."""
        pcm = self._synthesiser.render(text)
        if not pcm:
            done(number)
            return b""
        timer = threading.Timer(len(pcm) / 2 / RATE + _LATE_S, self.ended, (number,))
        timer.daemon = True
        with self._lock:
            self._now = (number, wav_of(pcm), done, timer)
        if not self._show(number):
            with self._lock:
                self._now = None
            done(number)
            return b""
        timer.start()
        return pcm

    def hush(self) -> None:
        """Stop the page's playing."""
        with self._lock:
            now, self._now = self._now, None
        if now is not None:
            now[3].cancel()
            self._show(0)

    def ended(self, number: int) -> None:
        """The page came to the end of line ``number``."""
        with self._lock:
            if self._now is None or self._now[0] != number:
                return
            _, _, done, timer = self._now
            self._now = None
        timer.cancel()
        done(number)

    def wav(self, number: int) -> bytes | None:
        """The sound of line ``number`` while it is being said."""
        with self._lock:
            return self._now[1] if self._now is not None and self._now[0] == number else None


def wav_of(pcm: bytes) -> bytes:
    """Samples as a WAV file."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(pcm)
    return out.getvalue()


def _pcm_of_stream(sound: bytes) -> bytes:
    """The samples of a WAV stream whose sizes were not known when it began, at 16 kHz."""
    from capture.speech.resample import resample

    at = sound.find(b"data")
    if sound[:4] != b"RIFF" or at < 0 or len(sound) < 44:
        return b""
    (rate,) = struct.unpack_from("<I", sound, 24)
    body = sound[at + 8 :]
    samples = np.frombuffer(body[: len(body) // 2 * 2], "<i2").astype(np.float32) / 32768
    if not 8_000 <= rate <= 96_000 or not len(samples):
        return b""
    made = resample(samples, rate, RATE)
    return np.clip(np.round(made * 32767), -32768, 32767).astype("<i2").tobytes()
