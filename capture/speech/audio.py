"""Sound files to samples: WAV of any rate, width and number of channels, FLAC and Ogg, all at 16 kHz mono afterwards.

WAV is read here, because its sizes are checked against the file; other formats go through libsndfile.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from .errors import AudioError
from .resample import resample

RATE = 16000
LONGEST_S = 600.0
MOST_BYTES = 400_000_000
PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE


@dataclass(frozen=True)
class Audio:
    """Mono samples (n,) as float32 in -1..1 at ``rate`` Hz, the rate of the source, and a name for messages."""

    samples: npt.NDArray[np.float32]
    rate: int
    source_rate: int
    name: str

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return len(self.samples) / self.rate

    def pcm(self) -> bytes:
        """As int16 samples, little endian."""
        return np.clip(np.round(self.samples * 32768), -32768, 32767).astype("<i2").tobytes()


def read_audio(source: str | Path | bytes, name: str | None = None) -> Audio:
    """Read a sound file, given by its path or its bytes.

    Raises:
        AudioError: it is missing, damaged, empty, longer than ten minutes, or of a kind that is not read.
    """
    label = name or (Path(source).name if not isinstance(source, bytes) else "sound")
    data = source if isinstance(source, bytes) else _load(Path(source), label)
    if not data:
        raise AudioError(f"{label} is empty; record or copy it again.")
    if data[:4] == b"RIFF" and data[8:12] == b"WAVE":
        samples, rate = _wav(data, label)
    elif data[:4] in (b"fLaC", b"OggS"):
        samples, rate = _other(data, label)
    else:
        raise AudioError(f"{label} is neither WAV nor FLAC nor Ogg; record or convert it as 16-bit WAV.")
    if not 4000 <= rate <= 384000:
        raise AudioError(f"{label} claims {rate} samples a second, outside 4000 to 384000; record it again.")
    if len(samples) == 0:
        raise AudioError(f"{label} holds no sound; record it again.")
    if len(samples) / rate > LONGEST_S:
        minutes = len(samples) / rate / 60
        raise AudioError(f"{label} lasts {minutes:.1f} minutes, more than {LONGEST_S / 60:.0f}; split it.")
    if not np.isfinite(samples).all():
        raise AudioError(f"{label} holds values that are not numbers; export it again as 16-bit WAV.")
    mono = samples.mean(1) if samples.ndim == 2 else samples
    return Audio(resample(mono.astype(np.float32), rate, RATE), RATE, rate, label)


def _load(path: Path, label: str) -> bytes:
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise AudioError(f"{label} is {size / 1e6:.0f} MB, more than {MOST_BYTES / 1e6:.0f} MB; split it.")
        return path.read_bytes()
    except FileNotFoundError:
        raise AudioError(f"There is no sound file {path}; check the name.") from None
    except OSError as fault:
        raise AudioError(f"{path} cannot be read ({fault.strerror}); check the file and its rights.") from fault


def _wav(data: bytes, label: str) -> tuple[npt.NDArray[np.float32], int]:
    form: tuple[int, int, int, int] | None = None
    at = 12
    while at + 8 <= len(data):
        kind, size = data[at : at + 4], struct.unpack_from("<I", data, at + 4)[0]
        body = at + 8
        if kind == b"fmt ":
            form = _format(data[body : body + size], label)
        if kind == b"data":
            if form is None:
                raise AudioError(f"{label} is a damaged WAV file: sound before its description; export it again.")
            if body + size > len(data):
                missing = body + size - len(data)
                raise AudioError(f"{label} is cut off: {missing} bytes announced are missing; copy it again.")
            return _samples(data[body : body + size], form, label), form[2]
        at = body + size + size % 2
    raise AudioError(f"{label} is a WAV file without sound data; export it again.")


def _format(body: bytes, label: str) -> tuple[int, int, int, int]:
    if len(body) < 16:
        raise AudioError(f"{label} is a damaged WAV file: its description is too short; export it again.")
    code, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", body)
    if code == EXTENSIBLE and len(body) >= 26:
        code = struct.unpack_from("<H", body, 24)[0]
    if channels not in (1, 2):
        raise AudioError(f"{label} has {channels} channels; record one or two.")
    if (code, bits) not in {(PCM, 8), (PCM, 16), (PCM, 24), (PCM, 32), (FLOAT, 32), (FLOAT, 64)}:
        raise AudioError(f"{label} is WAV of kind {code} with {bits} bits, which is not read; use 16-bit PCM.")
    return code, channels, rate, bits


def _samples(body: bytes, form: tuple[int, int, int, int], label: str) -> npt.NDArray[np.float32]:
    code, channels, _, bits = form
    step = channels * bits // 8
    if len(body) % step:
        raise AudioError(f"{label} ends within a sample; copy it again.")
    x: npt.NDArray[np.float32]
    if code == FLOAT:
        x = np.frombuffer(body, "<f4" if bits == 32 else "<f8").astype(np.float32)
    elif bits == 8:
        x = (np.frombuffer(body, np.uint8).astype(np.float32) - np.float32(128)) / np.float32(128)
    elif bits == 24:
        raw = np.frombuffer(body, np.uint8).reshape(-1, 3).astype(np.int32)
        x = ((raw[:, 0] << 8 | raw[:, 1] << 16 | raw[:, 2] << 24) / 2147483648.0).astype(np.float32)
    else:
        x = np.frombuffer(body, f"<i{bits // 8}").astype(np.float32) / np.float32(2 ** (bits - 1))
    return x.reshape(-1, channels)


def _other(data: bytes, label: str) -> tuple[npt.NDArray[np.float32], int]:
    try:
        import soundfile
    except (ImportError, OSError):
        raise AudioError(f"{label} needs the package 'soundfile' to be read; install it or use WAV.") from None
    try:
        with soundfile.SoundFile(io.BytesIO(data)) as f:
            rate, count = int(f.samplerate), int(f.frames)
            if f.channels not in (1, 2):
                raise AudioError(f"{label} has {f.channels} channels; record one or two.")
            if count / rate > LONGEST_S:
                raise AudioError(f"{label} lasts {count / rate / 60:.1f} minutes, more than 10; split it.")
            return f.read(dtype="float32", always_2d=True), rate
    except (RuntimeError, OSError) as fault:
        raise AudioError(f"{label} is damaged or of an unknown kind ({fault}); export it again.") from fault
