"""What a workshop, a room, a microphone and a radio do to speech, on a whole batch at once.

Every step draws its strength for each utterance on its own; all work on (batch, samples) float tensors on the int16
scale and take their random numbers from one generator, so that a seed fixes them.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

RATE = 16000
SINC_HALF = 4


class Draw:
    """Random numbers for a batch from one generator."""

    def __init__(self, seed: int, device: torch.device) -> None:
        """Begin at a seed."""
        self.device = device
        self.generator = torch.Generator(device=device)
        self.plain = torch.Generator()
        self.seed(seed)

    def seed(self, seed: int) -> None:
        """Begin anew at a seed."""
        self.generator.manual_seed(seed)
        self.plain.manual_seed(seed)

    def number(self, high: int) -> int:
        """A plain number below ``high``, without waiting for the device."""
        return int(torch.randint(0, high, (1,), generator=self.plain))

    def uniform(self, n: int, low: float, high: float) -> Tensor:
        """(n,) in [low, high)."""
        return low + (high - low) * torch.rand(n, generator=self.generator, device=self.device)

    def chance(self, n: int, p: float) -> Tensor:
        """(n,) true with probability p."""
        return torch.rand(n, generator=self.generator, device=self.device) < p

    def normal(self, *shape: int) -> Tensor:
        """Standard normal numbers."""
        return torch.randn(*shape, generator=self.generator, device=self.device)

    def pick(self, n: int, high: int) -> Tensor:
        """(n,) whole numbers below ``high``."""
        return torch.randint(0, high, (n,), generator=self.generator, device=self.device)


def power(x: Tensor) -> Tensor:
    """Mean square of each signal, (batch, 1)."""
    return x.square().mean(1, keepdim=True)


def unit(x: Tensor) -> Tensor:
    """The same at unit power."""
    return x / power(x).sqrt().clamp_min(1e-6)


def gather(audio: Tensor, first: Tensor, count: Tensor, lead: Tensor, speed: Tensor, samples: int) -> Tensor:
    """Cut utterances out of one long recording, played at ``speed``, each after ``lead`` samples of nothing."""
    t = torch.arange(samples, device=audio.device)[None] - lead[:, None]
    at = t * speed[:, None]
    base = at.floor()
    part = (at - base)[:, :, None]
    k = torch.arange(-SINC_HALF + 1, SINC_HALF + 1, device=audio.device)
    out = torch.zeros(len(first), samples, device=audio.device)
    base = base.long()
    norm = torch.zeros_like(out)
    for tap in k.tolist():
        x = part[:, :, 0] - tap
        w = torch.sinc(x) * torch.cos(x * (math.pi / (2 * SINC_HALF + 1))).clamp_min(0)
        index = base + tap
        inside = (index >= 0) & (index < count[:, None])
        value = audio[(first[:, None] + index).clamp(0, len(audio) - 1)].float()
        out += torch.where(inside, value, 0.0) * w
        norm += w
    return out / norm.clamp_min(0.1) * ((t >= 0) & (at < count[:, None]))


def rooms(n: int, d: Draw, seconds: float = 0.45) -> Tensor:
    """Impulse responses of ``n`` invented rooms, (n, samples): a direct sound and a decaying tail."""
    m = int(seconds * RATE)
    t = torch.arange(m, device=d.device)[None] / RATE
    decay = d.uniform(n, 0.08, 0.6)[:, None]
    tail = d.normal(n, m) * torch.exp(-6.9 * t / decay)
    tail *= t > d.uniform(n, 0.001, 0.008)[:, None]
    early = (d.normal(n, m) * 3) * (torch.rand(n, m, generator=d.generator, device=d.device) < 0.004) * (t < 0.04)
    h = tail / tail.square().sum(1, keepdim=True).sqrt().clamp_min(1e-6)
    h = h * d.uniform(n, 0.1, 0.9)[:, None] + early * d.uniform(n, 0, 0.15)[:, None]
    h[:, 0] = 1
    return h / h.square().sum(1, keepdim=True).sqrt()


def curve(n: int, bins: int, d: Draw, decibel: float, knots: int = 10) -> Tensor:
    """Smooth random gains over frequency, (n, bins)."""
    points = d.normal(n, 1, knots) * decibel / 2
    gains = torch.nn.functional.interpolate(points, size=bins, mode="linear", align_corners=True)[:, 0]
    return torch.pow(10.0, gains.clamp(-2 * decibel, 2 * decibel) / 20)


def band(n: int, bins: int, d: Draw) -> Tensor:
    """Gains of narrow channels for some: telephone and 8 kHz sampling, radio; others pass whole."""
    f = torch.arange(bins, device=d.device)[None] * (RATE / 2 / (bins - 1))
    kind = d.uniform(n, 0, 1)[:, None]
    top = torch.where(kind < 0.18, d.uniform(n, 3300, 4000)[:, None], 2.0 * RATE)
    top = torch.where((kind > 0.18) & (kind < 0.26), d.uniform(n, 2600, 3600)[:, None], top)
    low = torch.where((kind > 0.14) & (kind < 0.26), d.uniform(n, 150, 400)[:, None], 0.0)
    low = torch.where(kind > 0.8, d.uniform(n, 40, 160)[:, None], low)
    slope = 60.0 + 100.0 * kind
    return torch.sigmoid((top - f) / slope) * torch.sigmoid((f - low) / (slope / 3))


def modulation(n: int, samples: int, d: Draw, slowest: float = 0.3, fastest: float = 30.0) -> Tensor:
    """Envelopes that swell, or switch on and off, (n, samples) in 0..1."""
    t = torch.arange(samples, device=d.device)[None] / RATE
    f = torch.exp(d.uniform(n, math.log(slowest), math.log(fastest)))[:, None]
    s = torch.sin(2 * math.pi * (f * t + d.uniform(n, 0, 1)[:, None]))
    return torch.sigmoid(s * d.uniform(n, 0.5, 12)[:, None] + d.uniform(n, -2, 2)[:, None])


def machine(n: int, samples: int, d: Draw) -> Tensor:
    """Hum and buzz of motors: a drifting harmonic tone."""
    t = torch.arange(samples, device=d.device)[None] / RATE
    f0 = torch.exp(d.uniform(n, math.log(45), math.log(420)))[:, None]
    drift = 1 + 0.02 * torch.sin(2 * math.pi * d.uniform(n, 0.1, 3)[:, None] * t)
    phase = 2 * math.pi * torch.cumsum(f0 * drift / RATE, 1)
    slope = d.uniform(n, 0.2, 1.6)[:, None]
    out = torch.zeros(n, samples, device=d.device)
    for h in range(1, 15):
        out += torch.sin(phase * h + d.uniform(n, 0, 6.28)[:, None]) / h**slope * (f0 * h < RATE / 2)
    return out


def knocks(n: int, samples: int, d: Draw) -> Tensor:
    """Tools put down, taps, clicks: short ringing bursts at random times."""
    out = torch.zeros(n, samples, device=d.device)
    t = torch.arange(int(0.15 * RATE), device=d.device)[None] / RATE
    for _ in range(6):
        f = torch.exp(d.uniform(n, math.log(300), math.log(6000)))[:, None]
        ring = torch.sin(2 * math.pi * f * t) + torch.sin(2 * math.pi * f * 1.47 * t) + d.normal(n, t.shape[1])
        burst = ring * torch.exp(-t / torch.exp(d.uniform(n, math.log(0.002), math.log(0.03)))[:, None])
        at = d.pick(n, max(1, samples - t.shape[1]))
        index = (at[:, None] + torch.arange(t.shape[1], device=d.device)[None]).clamp_max(samples - 1)
        out.scatter_add_(1, index, burst * d.uniform(n, 0, 1)[:, None] ** 2)
    return out


def hiss(n: int, samples: int, d: Draw, rising: bool) -> Tensor:
    """Noise of a random colour; ``rising`` for the hiss of escaping gas."""
    white = torch.fft.rfft(d.normal(n, samples))
    bins = white.shape[1]
    f = torch.arange(1, bins + 1, device=d.device)[None] / bins
    if rising:
        shape = torch.sigmoid((f * RATE / 2 - d.uniform(n, 500, 5000)[:, None]) / 300)
    else:
        shape = f ** (-d.uniform(n, 0.0, 1.0)[:, None])
    return unit(torch.fft.irfft(white * shape * curve(n, bins, d, 8.0), n=samples))


def talk(x: Tensor, rows: Tensor, d: Draw) -> Tensor:
    """One to five other utterances of the batch at once, for each of ``rows``."""
    n = len(x)
    out = torch.zeros(len(rows), x.shape[1], device=x.device)
    voices = 1 + d.pick(len(rows), 5)[:, None]
    for i in range(1, 6):
        other = (rows + i * 7 + 1) % n
        shift = d.number(x.shape[1])
        out += torch.roll(unit(x[other]), shift, 1) * (voices >= i)
    return unit(out)


def noise(x: Tensor, d: Draw) -> tuple[Tensor, Tensor]:
    """One kind of noise for each utterance, of unit power, and whether it is talk (other utterances of the batch)."""
    n, samples = x.shape
    kinds = torch.randint(0, 8, (n,), generator=d.plain)
    kind = kinds.to(x.device, non_blocking=True)
    out = torch.zeros_like(x)
    for k in range(8):
        rows = torch.nonzero(kinds == k)[:, 0].to(x.device, non_blocking=True)
        m = len(rows)
        if m == 0:
            continue
        base = hiss(m, samples, d, rising=k in (1, 4))
        if k in (2, 3):
            base = unit(unit(machine(m, samples, d)) + base * d.uniform(m, 0.05, 1.0)[:, None])
        if k in (3, 4):
            base = unit(base * modulation(m, samples, d))
        if k == 5:
            base = unit(unit(knocks(m, samples, d)) + 0.3 * base)
        if k >= 6:
            base = unit(talk(x, rows, d) + 0.1 * base)
        out[rows] = base
    return out, (kind >= 6)[:, None]


def damage(x: Tensor, d: Draw) -> Tensor:
    """Overload, compression and level: the last steps before the converter."""
    n = len(x)
    rms = power(x).sqrt().clamp_min(1.0)
    drive = d.uniform(n, 0.5, 6)[:, None]
    y = x / rms
    soft = torch.tanh(y / drive) * drive
    hard = y.clamp(-drive, drive)
    kind = d.uniform(n, 0, 1)[:, None]
    y = torch.where(kind < 0.12, soft, torch.where(kind < 0.2, hard, y))
    level = torch.exp(d.uniform(n, math.log(60), math.log(5500)))[:, None]
    y = y * level
    coarse = torch.round(y / 256) * 256
    y = torch.where(d.chance(n, 0.02)[:, None], coarse, y)
    return y.round().clamp(-32768, 32767)


def spoil(x: Tensor, spoken: Tensor, bank: Tensor, d: Draw, calm: float = 0.12) -> Tensor:
    """The whole chain for a batch: room, microphone, noise, converter.

    ``spoken`` (batch,) tells utterances from mere noise; ``bank`` holds the spectra of impulse responses for this
    length; a share ``calm`` of the utterances only changes its level.
    """
    n, samples = x.shape
    size = 2 * (bank.shape[1] - 1)
    quiet = d.chance(n, calm)[:, None]
    rms = power(x).sqrt()
    x = torch.where(spoken[:, None], x / rms.clamp_min(1e-3), torch.zeros_like(x))
    spectrum = torch.fft.rfft(x, size)
    room = bank[d.pick(n, len(bank))]
    spectrum = torch.where((d.chance(n, 0.5)[:, None] & ~quiet), spectrum * room, spectrum)
    bins = spectrum.shape[1]
    colour = torch.where(d.chance(n, 0.7)[:, None], curve(n, bins, d, 6.0), torch.ones(1, 1, device=x.device))
    y = torch.fft.irfft(torch.where(quiet, spectrum, spectrum * colour), size)[:, :samples]
    y = y / power(y).sqrt().clamp_min(1e-3) * spoken[:, None]
    z, is_talk = noise(torch.where(spoken[:, None], y, d.normal(n, 1).expand_as(y)), d)
    snr = torch.where(is_talk[:, 0], d.uniform(n, 6, 30), d.uniform(n, -3, 28))[:, None]
    strength = torch.pow(10.0, -snr / 20) * (d.chance(n, 0.85)[:, None] | ~spoken[:, None])
    strength = torch.where(quiet & spoken[:, None], torch.zeros_like(strength), strength)
    y = y + z * strength
    channel = torch.fft.rfft(y, size) * torch.where(quiet, torch.ones(1, 1, device=x.device), band(n, bins, d))
    y = torch.fft.irfft(channel, size)[:, :samples]
    floor = d.normal(n, samples) * torch.exp(d.uniform(n, math.log(0.2), math.log(6)))[:, None]
    floor = floor * d.chance(n, 0.85)[:, None]
    out = damage(y * 1000, d)
    out = torch.where(spoken[:, None], out, y / power(y).sqrt().clamp_min(1e-6) * d.uniform(n, 1, 2000)[:, None])
    return (out + floor).round().clamp(-32768, 32767)


def mask(log_mel: Tensor, d: Draw) -> Tensor:
    """Blank a few bands, or a short time, of some utterances (Park et al., "SpecAugment", 2019)."""
    n, frames, bins = log_mel.shape
    mean = log_mel.mean((1, 2), keepdim=True)
    b = torch.arange(bins, device=d.device)[None]
    low, wide = d.pick(n, bins)[:, None], d.pick(n, 7)[:, None]
    hidden = (b >= low) & (b < low + wide) & d.chance(n, 0.4)[:, None]
    t = torch.arange(frames, device=d.device)[None]
    start, long = d.pick(n, max(frames, 1))[:, None], d.pick(n, 9)[:, None]
    gone = (t >= start) & (t < start + long) & d.chance(n, 0.25)[:, None]
    return torch.where(hidden[:, None, :] | gone[:, :, None], mean, log_mel)
