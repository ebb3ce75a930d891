"""The machine's microphones, through PortAudio (the optional package ``sounddevice``).

A microphone that is unplugged is told as lost, looked for every second, and taken up again when it is back.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import Any

from capture.bench.live_level import RATE
from capture.bench.live_source import Feed, SourceError, StreamResampler, Tell

_BLOCK_S = 0.1
_SILENT_FOR_S = 1.5
_LOOK_EVERY_S = 1.0


@dataclass(frozen=True)
class Device:
    """One microphone: its name, its usual rate in Hz, whether it is the machine's default."""

    name: str
    rate: int
    default: bool


def backend() -> Any:
    """The module ``sounddevice``.

    Raises:
        SourceError: it, or the PortAudio library that it needs, is not installed.
    """
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        raise SourceError(
            f"The machine's microphones cannot be used ({error}); install the package sounddevice and the PortAudio "
            "library, or use the browser's microphone."
        ) from error
    return sounddevice


def microphones(sound: Any = None) -> tuple[Device, ...]:
    """The machine's microphones.

    Raises:
        SourceError: see ``backend``.
    """
    sound = sound or backend()
    chosen = sound.default.device[0]
    return tuple(
        Device(str(found["name"]), int(found["default_samplerate"]), number == chosen)
        for number, found in enumerate(sound.query_devices())
        if found["max_input_channels"] > 0
    )


class Microphone:
    """One microphone of this machine.

    Args:
        name: a part of its name; empty for the machine's default.
        sound: the module to use instead of ``sounddevice``.

    Raises:
        SourceError: there is no such microphone, or more than one.
    """

    def __init__(self, name: str = "", sound: Any = None) -> None:
        self._sound = sound or backend()
        self._wanted = name
        found = self._find()
        if found is None:
            known = ", ".join(device.name for device in microphones(self._sound)) or "none"
            raise SourceError(f"There is no one microphone '{name or 'default'}' here; there are: {known}.")
        self.name = found.name
        self._stop = threading.Event()
        self._last = time.monotonic()
        self._thread: threading.Thread | None = None

    def start(self, feed: Feed, tell: Tell) -> None:
        """Begin to listen."""
        self._thread = threading.Thread(target=self._run, args=(feed, tell), name="microphone", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop listening."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=5)

    def _run(self, feed: Feed, tell: Tell) -> None:
        while not self._stop.is_set():
            device = self._find()
            stream = None if device is None else self._opened(device, feed)
            if stream is not None:
                tell("listening", self.name)
                self._watch(stream)
                _close(stream)
            if not self._stop.is_set():
                tell("lost", f"The microphone {self.name} is gone; plug it in again, it will be taken up by itself.")
                self._stop.wait(_LOOK_EVERY_S)
                self._look_again()

    def _find(self) -> Device | None:
        devices = microphones(self._sound)
        if not self._wanted:
            return next((device for device in devices if device.default), devices[0] if devices else None)
        exact = [device for device in devices if device.name == self._wanted]
        close = exact or [device for device in devices if self._wanted.casefold() in device.name.casefold()]
        return close[0] if len(close) == 1 else None

    def _opened(self, device: Device, feed: Feed) -> Any | None:
        for rate in dict.fromkeys((RATE, device.rate)):
            resampler = StreamResampler(rate)

            def heard(data: Any, _frames: int, _time: Any, _status: Any, to_rate: StreamResampler = resampler) -> None:
                self._last = time.monotonic()
                made = to_rate.feed(bytes(data))
                if made:
                    feed(made)

            try:
                stream = self._sound.RawInputStream(
                    samplerate=rate,
                    blocksize=int(_BLOCK_S * rate),
                    device=device.name,
                    channels=1,
                    dtype="int16",
                    callback=heard,
                )
                self._last = time.monotonic()
                stream.start()
            except (self._sound.PortAudioError, ValueError):
                continue
            return stream
        return None

    def _watch(self, stream: Any) -> None:
        while not self._stop.wait(0.2):
            if not stream.active or time.monotonic() - self._last > _SILENT_FOR_S:
                return

    def _look_again(self) -> None:
        """PortAudio lists the devices once; only a new start sees those plugged in since."""
        for name in ("_terminate", "_initialize"):
            again = getattr(self._sound, name, None)
            if again is not None:
                again()


def _close(stream: Any) -> None:
    try:
        stream.close(ignore_errors=True)
    except Exception:
        # A device that is gone may fail in any way; the next look decides.
        return
