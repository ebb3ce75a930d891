"""Mel-frequency cepstra on a batch of signals, equal to what libvosk computes from ``conf/mfcc.conf``.

Method: Davis and Mermelstein (1980); details (window to the power 0.85 of a Hann window, removal of the frame's
mean, pre-emphasis, mel scale 1127 ln(1 + f/700), cepstral lifter) as Kaldi documents them for its MFCC.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

RATE = 16000
FRAME, SHIFT, FFT = 400, 160, 512
BINS = CEPSTRA = 40
LOW, HIGH = 20.0, 7600.0
PREEMPHASIS = 0.97
LIFTER = 22.0

CONF = (
    "--sample-frequency=16000",
    "--use-energy=false",
    f"--num-mel-bins={BINS}",
    f"--num-ceps={CEPSTRA}",
    "--low-freq=20",
    "--high-freq=7600",
    "--dither=0.0",
    "--allow-upsample=true",
    "--allow-downsample=true",
)


def mel(f: float) -> float:
    """Hertz to mel."""
    return 1127.0 * math.log(1.0 + f / 700.0)


WARPS = torch.linspace(0.88, 1.14, 27)
"""Stretches of the frequency axis that stand for longer and shorter throats."""


def filterbank(warp: float = 1.0) -> Tensor:
    """Triangular filters on the mel scale, (bins, FFT / 2 + 1); ``warp`` moves them along the frequency axis, less and
    less above 4.8 kHz so that the upper end stays."""
    low, high = mel(LOW), mel(HIGH)
    step = (high - low) / (BINS + 1)
    out = torch.zeros(BINS, FFT // 2 + 1)
    for b in range(BINS):
        left, centre, right = low + b * step, low + (b + 1) * step, low + (b + 2) * step
        for k in range(FFT // 2):
            m = mel(stretched(k * RATE / FFT, warp))
            if left < m < right:
                out[b, k] = (m - left) / step if m <= centre else (right - m) / step
    return out


def stretched(f: float, warp: float, knee: float = 4800.0) -> float:
    """Frequency times ``warp`` below the knee, then straight to the upper limit."""
    if f <= knee:
        return f * warp
    return knee * warp + (f - knee) * (HIGH - knee * warp) / (HIGH - knee)


def cosine() -> Tensor:
    """Discrete cosine transform with the lifter folded in, (cepstra, bins)."""
    k = torch.arange(CEPSTRA).double()[:, None]
    n = torch.arange(BINS).double()[None]
    m = torch.cos(math.pi * k * (n + 0.5) / BINS) * math.sqrt(2.0 / BINS)
    m[0] = math.sqrt(1.0 / BINS)
    lifter = 1 + 0.5 * LIFTER * torch.sin(math.pi * k / LIFTER)
    return (m * lifter).float()


def frames(samples: int) -> int:
    """Number of whole frames in so many samples."""
    return max(0, 1 + (samples - FRAME) // SHIFT)


class Mfcc(torch.nn.Module):
    """Cepstra of signals on the int16 scale."""

    window: Tensor
    bank: Tensor
    warped: Tensor
    dct: Tensor

    def __init__(self) -> None:
        """Prepare window, filters and transform."""
        super().__init__()
        n = torch.arange(FRAME).double()
        hann = 0.5 - 0.5 * torch.cos(2 * math.pi * n / (FRAME - 1))
        self.register_buffer("window", hann.pow(0.85).float())
        self.register_buffer("bank", filterbank())
        self.register_buffer("warped", torch.stack([filterbank(float(w)) for w in WARPS]), persistent=False)
        self.register_buffer("dct", cosine())

    def log_mel(self, pcm: Tensor, warp: Tensor | None = None) -> Tensor:
        """(batch, samples) to log mel energies (batch, frames, bins); ``warp`` names one of ``WARPS`` for each."""
        x = pcm.unfold(1, FRAME, SHIFT)
        x = x - x.mean(2, keepdim=True)
        first = x[..., :1] * (1 - PREEMPHASIS)
        x = torch.cat([first, x[..., 1:] - PREEMPHASIS * x[..., :-1]], 2) * self.window
        power = torch.fft.rfft(x, FFT).abs().square()
        bank = self.bank.T if warp is None else self.warped[warp].transpose(1, 2)
        energy: Tensor = power @ bank
        return energy.clamp_min(torch.finfo(torch.float32).eps).log()

    def forward(self, pcm: Tensor) -> Tensor:
        """(batch, samples) to cepstra (batch, frames, 40)."""
        return self.log_mel(pcm) @ self.dct.T
