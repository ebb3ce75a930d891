# mypy: ignore-errors
"""What a camera makes of a rendered view: resampling, exposure, blur, noise, sharpening, JPEG, a hand before it.

A *raster* is the simulated picture: its pixel (u, v) shows the lever's plane at x, z by ``mm_of``; ``at`` samples it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
import torch.nn.functional as nnf

CLEAN = 0.22
"""Share of simulated pictures that are sharp, without noise and hardly compressed."""
_FILTER = 0.45
"""Width (sigma, pixels) of the tracer's own pixel."""
_LUM = torch.tensor(
    [
        [16, 11, 10, 16, 24, 40, 51, 61],
        [12, 12, 14, 19, 26, 58, 60, 55],
        [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62],
        [18, 22, 37, 56, 68, 109, 103, 77],
        [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101],
        [72, 92, 95, 98, 112, 100, 103, 99],
    ]
).float()
_YCC = torch.tensor([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])
_CHR = torch.full((8, 8), 99.0)
_CHR[:4, :4] = torch.tensor([[17, 18, 24, 47], [18, 21, 26, 66], [24, 26, 56, 99], [47, 66, 99, 99]]).float()
_D = torch.tensor(
    [
        [(math.sqrt(0.125) if k == 0 else 0.5 * math.cos((2 * n + 1) * k * math.pi / 16)) for n in range(8)]
        for k in range(8)
    ]
)


def _u(n: int, a: float, b: float, device: torch.device) -> torch.Tensor:
    return torch.rand(n, 1, 1, 1, device=device) * (b - a) + a


def gauss(x: torch.Tensor, sx: float, sy: float) -> torch.Tensor:
    """Blur (N, C, H, W) by sigma sx across, sy down, in pixels."""
    for s, dim in ((sx, 3), (sy, 2)):
        if s < 0.05:
            continue
        r = int(3 * s) + 1
        t = torch.arange(-r, r + 1, device=x.device, dtype=x.dtype)
        k = torch.exp(-0.5 * (t / s) ** 2)
        k = k / k.sum()
        c = x.shape[1]
        k = (k.view(1, 1, 1, -1) if dim == 3 else k.view(1, 1, -1, 1)).repeat(c, 1, 1, 1)
        pad = (r, r, 0, 0) if dim == 3 else (0, 0, r, r)
        x = nnf.conv2d(nnf.pad(x, pad, mode="replicate"), k, groups=c)
    return x


def _blocks(x: torch.Tensor, table: torch.Tensor) -> torch.Tensor:
    n, c, h, w = x.shape
    d = _D.to(x.device)
    b = x.reshape(n, c, h // 8, 8, w // 8, 8)
    f = torch.einsum("ki,nchiwj,lj->nchkwl", d, b, d)
    q = table.view(1, 1, 1, 8, 1, 8)
    f = torch.round(f / q) * q
    return torch.einsum("ki,nchkwl,lj->nchiwj", d, f, d).reshape(n, c, h, w)


def jpeg(x: torch.Tensor, quality: float) -> torch.Tensor:
    """JPEG's loss (ITU-T T.81 Annex K tables, chroma halved) on (N, 3, H, W) in 0..1; H and W multiples of 16."""
    scale = (5000 / quality if quality < 50 else 200 - 2 * quality) / 100
    ycc = torch.einsum("ab,nbhw->nahw", _YCC.to(x.device), x * 255)
    y = _blocks(ycc[:, :1] - 128, (_LUM.to(x.device) * scale).round().clamp(1, 255)) + 128
    c = nnf.avg_pool2d(ycc[:, 1:], 2)
    c = _blocks(c, (_CHR.to(x.device) * scale).round().clamp(1, 255))
    c = nnf.interpolate(c, scale_factor=2, mode="bilinear", align_corners=False)
    back = torch.einsum("ab,nbhw->nahw", torch.linalg.inv(_YCC).to(x.device), torch.cat([y, c], 1))
    return back / 255


@dataclass
class Raster:
    """A simulated picture: ``rgb`` (N, 3, H, W) in 0..1; ``free`` (N, 1, H, W): 0 where something is before the case;
    mm a pixel; turns of the pictures (N,); x and z of the middle (N,)."""

    rgb: torch.Tensor
    free: torch.Tensor
    pitch: float
    turn: torch.Tensor
    across: torch.Tensor
    middle: torch.Tensor

    def grid(self, x: torch.Tensor, z: torch.Tensor) -> torch.Tensor:
        """Sampling grid (N, h, w, 2) of places x, z (N, h, w) in mm."""
        h, w = self.rgb.shape[2:]
        c, s = torch.cos(self.turn).view(-1, 1, 1), torch.sin(self.turn).view(-1, 1, 1)
        dx, dz = x - self.across.view(-1, 1, 1), z - self.middle.view(-1, 1, 1)
        u, v = (c * dx + s * dz) / self.pitch, -(-s * dx + c * dz) / self.pitch
        return torch.stack([2 * u / w, 2 * v / h], -1)

    def at(self, x: torch.Tensor, z: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Colours (N, 3, h, w) and free view (N, 1, h, w) at places x, z (N, h, w) in mm."""
        g = self.grid(x, z)
        return (
            nnf.grid_sample(self.rgb, g, align_corners=False, padding_mode="border"),
            nnf.grid_sample(self.free, g, mode="nearest", align_corners=False, padding_mode="border"),
        )


def _middle(nine: list[torch.Tensor]) -> torch.Tensor:
    """The median of nine, place by place: columns sorted, then the largest least, middle middle, least largest."""

    def ordered(a: torch.Tensor, b: torch.Tensor, c: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        a, b = torch.minimum(a, b), torch.maximum(a, b)
        b, c = torch.minimum(b, c), torch.maximum(b, c)
        return torch.minimum(a, b), torch.maximum(a, b), c

    low, mid, high = zip(*(ordered(*nine[k : k + 3]) for k in (0, 3, 6)), strict=True)
    return ordered(ordered(*low)[2], ordered(*mid)[1], ordered(*high)[0])[1]


def calmed(linear: torch.Tensor) -> torch.Tensor:
    """Rendered colours (N, 3, H, W) with less of the tracer's noise: lone bright and dark pixels give way to their
    neighbours, then places are smoothed that differ by no more than the noise round them."""
    bright = torch.quantile(linear.float().mean(1).flatten(1)[:, ::37], 0.9, dim=1)
    level = bright.clamp(min=1e-3).view(-1, 1, 1, 1) / 0.6
    x = (linear.float() / level).clamp(min=0).sqrt()
    middle = _middle(_shifted(x, 1))
    noise = nnf.avg_pool2d((x - middle).abs().mean(1, keepdim=True), 9, 1, 4, count_include_pad=False)
    x = torch.minimum(torch.maximum(x, middle / 1.25 - 0.04), 1.25 * middle + 0.04)
    for alike in (3.0, 2.0, 1.5):
        x = _smoothed(x, (alike * noise).clamp(0.04, 0.25))
    return (x**2 * level).to(linear.dtype)


def _shifted(x: torch.Tensor, reach: int) -> list[torch.Tensor]:
    """``x`` (N, C, H, W) moved by every step up to ``reach``."""
    h, w = x.shape[2:]
    padded = nnf.pad(x, (reach,) * 4, mode="replicate")
    steps = range(2 * reach + 1)
    return [padded[..., i : i + h, j : j + w] for i in steps for j in steps]


def _smoothed(x: torch.Tensor, alike: torch.Tensor) -> torch.Tensor:
    """Means of (N, C, H, W) over near pixels whose colours differ by little against ``alike`` (N, 1, H, W)."""
    total, weight = torch.zeros_like(x), torch.zeros_like(x[:, :1])
    reach = 2
    for k, v in enumerate(_shifted(x, reach)):
        i, j = k // (2 * reach + 1) - reach, k % (2 * reach + 1) - reach
        near = math.exp(-(i * i + j * j) / (2 * 1.3**2))
        share = near * torch.exp(-((v - x) ** 2).sum(1, keepdim=True) / (2 * alike**2))
        total, weight = total + share * v, weight + share
    return total / weight


def _one(a: float, b: float) -> float:
    return float(torch.empty(()).uniform_(a, b))


def _happens(share: float) -> bool:
    return bool(torch.rand(()) < share)


def _some(n: int, share: float, device: torch.device) -> torch.Tensor:
    return torch.rand(n, 1, 1, 1, device=device) < share


def develop(
    linear: torch.Tensor, across: torch.Tensor, middle: torch.Tensor, fine: float, clean: bool | None = None
) -> Raster:
    """Simulate taking pictures of rendered views.

    Args:
        linear: colours (N, 3, H, W).
        across: x of the views' middle columns (N,), mm.
        middle: z of the views' middle rows (N,), mm.
        fine: mm a pixel of the views.
        clean: sharp, noiseless, hardly compressed; None: drawn.
    """
    n, dev = len(linear), linear.device
    h0, w0 = linear.shape[2:]
    clean = _happens(CLEAN) if clean is None else clean
    pitch = math.exp(_one(math.log(0.08), math.log(0.17)) if _happens(0.8) else _one(math.log(0.1), math.log(0.24)))
    h, w = int(h0 * fine / pitch) // 16 * 16, int(w0 * fine / pitch) // 16 * 16
    turn = (torch.rand(n, device=dev) - 0.5) * (0.14 if _happens(0.85) else 0.4)
    x = linear.float()
    own = (0.3 if clean else _one(0.3, 0.5)) * pitch / fine  # a camera's pixel
    if own > _FILTER:
        s = math.sqrt(own**2 - _FILTER**2)
        x = gauss(x, s, s)
    uu = (torch.arange(w, device=dev) - (w - 1) / 2) * pitch
    vv = (torch.arange(h, device=dev) - (h - 1) / 2) * pitch
    v, u = torch.meshgrid(vv, uu, indexing="ij")
    c, s = torch.cos(turn).view(-1, 1, 1), torch.sin(turn).view(-1, 1, 1)
    xx, zz = c * u + s * v, -s * u + c * v  # zz counts downwards
    g = torch.stack([2 * xx / (w0 * fine), 2 * zz / (h0 * fine)], -1)
    x = nnf.grid_sample(x, g, align_corners=False, padding_mode="border")
    free = torch.ones(n, 1, h, w, device=dev)
    for i in range(n):
        if float(torch.rand(())) < 0.06:  # a hand or a hose before the case
            r = torch.rand(2) * 9 + 1.5
            at = (torch.rand(2) - 0.5) * torch.tensor([70.0, 30.0])
            m = ((u - at[0]) / r[0]) ** 2 + ((v - at[1]) / r[1]) ** 2 < 1
            x[i] = torch.where(m, torch.rand(3, 1, 1, device=dev) * 0.5 * x[i].mean() * 2, x[i])
            free[i] = torch.where(m, torch.zeros_like(free[i]), free[i])
    level = torch.quantile(x.mean(1).flatten(1)[:, ::37], 0.9, dim=1).clamp(min=1e-3).view(-1, 1, 1, 1)
    gain = torch.where(_some(n, 0.85, dev), _u(n, -0.8, 0.45, dev), _u(n, -1.6, 1.1, dev))
    x = x * (0.6 / level) * torch.exp(gain) * (1 + (torch.rand(n, 3, 1, 1, device=dev) - 0.5) * 0.25)
    r = _one(0, 1)
    blur = r if r < 0.4 else 0.4 + 1.1 * (r - 0.4) / 0.4 if r < 0.8 else 1.5 + 2.7 * (r - 0.8) / 0.2
    blur = 0.5 * r if clean else blur
    side = _one(0, 1) if _happens(0.2) else 1.0
    up = _one(0, 1) if _happens(0.1) else 1.0
    x = gauss(x, blur * side, blur * up).clamp(0, 1)
    none, most = torch.zeros(n, 1, 1, 1, device=dev), 0.006 if clean else 0.042
    strong = torch.where(_some(n, 0.4 if clean else 0.12, dev), none, _u(n, 0, 1, dev) ** 2 * most)
    x = x + torch.randn_like(x) * torch.sqrt(x.clamp(min=0.02)) * strong
    x = x.clamp(0, 1) ** (1 / _u(n, 1.9, 2.5, dev))
    smooth = gauss(torch.randn_like(x), 0.8, 0.8) * 2.2
    smooth = torch.where(_some(n, 0.0 if clean else 0.3, dev), smooth, torch.zeros_like(x))
    x = x + smooth * _u(n, 0, 1, dev) ** 2 * 0.03
    bent = torch.where(_some(n, 0.35, dev), _u(n, -0.9, 0.9, dev), none)
    x = x.clamp(0, 1)
    x = x + bent * x * (1 - x) * (2 * x - 1 if _happens(0.5) else torch.ones_like(x) * 0.7)
    if _happens(0.15 if clean else 0.45):
        wide = _one(0.7, 2.0)
        x = x + (x - gauss(x, wide, wide)) * _u(n, 0.0, 1.1, dev)
    grey = x.mean(1, keepdim=True)
    vivid = torch.where(_some(n, 0.06, dev), none, _u(n, 0.4, 1.3, dev))
    x = (grey + (x - grey) * vivid).clamp(0, 1)
    if clean:
        x = jpeg(x, _one(88, 98)) if _happens(0.7) else x
    elif _happens(0.85):
        x = jpeg(x, _one(70, 96) if _happens(0.8) else _one(45, 75))
    return Raster(x.clamp(0, 1), free, pitch, turn, across, middle)
