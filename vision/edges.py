"""Where an edge lies, to a fraction of a pixel: a blurred step fitted to the grey values across it.

Model: a + b erf((x - x0) / (sqrt(2) s)), the step response of a Gaussian blur; fitted by least squares, many
profiles at once. The error function is Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26
(|error| <= 1.5e-7). The bound a test holds it to: sigma_x >= (noise / contrast) sqrt(2 sqrt(pi) s) per profile.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vision.model import Array

Grey = npt.NDArray[np.float32]


def light(coded: Array) -> Array:
    """Picture values (0..255) in proportion to the light, 0..255: a blurred edge is a step in light, and lies too far
    on its dark side when it is sought in the values. Curve of sRGB (IEC 61966-2-1)."""
    c = np.clip(coded, 0, 255) / 255
    return np.asarray(255 * np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4))


def coded(shone: Array) -> Array:
    """The reverse of :func:`light`."""
    x = np.clip(shone, 0, 255) / 255
    return np.asarray(255 * np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055))


def erf(x: Array) -> Array:
    """Error function, elementwise."""
    return _erf(x, np.exp(-x * x))


def _erf(x: Array, bell: Array) -> Array:
    """The same where exp(-x x) is known already."""
    t = 1 / (1 + 0.3275911 * np.abs(x))
    p = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    return np.asarray(np.sign(x) * (1 - p * bell))


@dataclass(frozen=True)
class Edges:
    """One row per profile: offset from its middle in pixels along its direction (nan: none found), blur (sigma,
    px), step in grey values (signed, far side minus near side), residual rms, standard error of the offset."""

    offset: Array
    blur: Array
    step: Array
    rms: Array
    se: Array

    @property
    def ok(self) -> npt.NDArray[np.bool_]:
        """Which profiles carry an edge."""
        return np.isfinite(self.offset)


def profiles(
    grey: Grey | npt.NDArray[np.uint8],
    centres: Array,
    directions: Array,
    half: float,
    step: float = 0.5,
    curve: Grey | None = None,
) -> tuple[Array, Array]:
    """Grey values along short lines.

    Args:
        grey: picture (H, W).
        centres: (N, 2) middles of the lines, px.
        directions: (N, 2) unit vectors.
        half: half length, px.
        step: from one place of a line to the next, px.
        curve: what the picture's values 0 to 255 stand for (256,).

    Returns:
        positions (M,) along the line and values (N, M); outside the picture the border repeats. Only the part of the
        picture that is needed is converted.
    """
    import cv2

    t, xy = _along(centres, directions, half, step)
    lo, hi = needed(xy, grey)
    part = grey[lo[1] : hi[1], lo[0] : hi[0]]
    part = np.asarray(part if curve is None else cv2.LUT(part, curve), np.float32)
    mapped = xy.astype(np.float32) - lo.astype(np.float32)
    out = cv2.remap(part, mapped[..., 0], mapped[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return t, np.asarray(out, np.float64).reshape(len(centres), len(t))


def _along(centres: Array, directions: Array, half: float, step: float) -> tuple[Array, Array]:
    """Positions (M,) along lines and the places there (N, M, 2)."""
    n = int(np.ceil(half / step))
    t = np.asarray(np.arange(-n, n + 1) * step, np.float64)
    return t, centres[:, None, :] + t[None, :, None] * directions[:, None, :]


def needed(
    xy: Array, picture: npt.NDArray[np.generic], margin: int = 1
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First and last (exclusive) column and row of a picture between which values at ``xy`` (N, M, 2) are told, with
    so many pixels besides."""
    size = np.array([picture.shape[1], picture.shape[0]])
    x, y = xy[..., 0], xy[..., 1]
    lo = np.clip(np.floor([x.min(), y.min()]).astype(int) - margin, 0, size - 2)
    return lo, np.clip(np.ceil([x.max(), y.max()]).astype(int) + margin + 1, lo + 2, size)


def shrunk(picture: npt.NDArray[np.uint8], times: float) -> tuple[npt.NDArray[np.uint8], Array]:
    """A picture (H, W, 3) about so many ``times`` as small; how many times exactly, across and down. It is halved as
    often as it can be, which takes some third of what one step by an uneven factor does."""
    import cv2

    halves = 1
    while times >= 2 * halves and min(picture.shape[:2]) >= 4:
        high, wide = picture.shape[0] // 2, picture.shape[1] // 2
        even = picture[: 2 * high, : 2 * wide]
        picture = np.asarray(cv2.resize(even, (wide, high), interpolation=cv2.INTER_AREA), np.uint8)
        halves *= 2
    high, wide = picture.shape[:2]
    size = tuple(max(2, round(n * halves / times)) for n in (wide, high))
    small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    return small, halves * np.array([wide, high]) / size


def fit_edges(
    t: Array, values: Array, start: Array, reach: Array | float, blur: float = 1.2, min_step: float = 4.0
) -> Edges:
    """Fit one blurred step to every row.

    Args:
        t: positions (M,), px, evenly spaced.
        values: grey values (N, M).
        start: where to begin (N,).
        reach: half width of the window used around ``start`` (scalar or (N,)), px.
        blur: sigma to begin with, px.
        min_step: a smaller step is no edge.
    """
    n = len(values)
    reach_n = np.broadcast_to(np.asarray(reach, float), (n,))
    x0, s = start.astype(float).copy(), np.full(n, blur)
    at, values, w = _windows(t, values, start, reach_n)
    count = w.sum(1)
    a, b = np.zeros(n), np.zeros(n)
    cov = np.full(n, np.nan)
    for _ in range(12):
        away = at - x0[:, None]
        z = away / (np.sqrt(2) * s[:, None])
        bell = np.exp(-z * z)
        e = _erf(z, bell)
        # a and b are linear: solve them exactly, then one Gauss-Newton step in x0 and s
        we = w * e
        se_, see = we.sum(1), _dot(we, e)
        sv, sev = _dot(w, values), _dot(we, values)
        det = count * see - se_**2
        det = np.where(np.abs(det) < 1e-9, np.nan, det)
        a, b = (see * sv - se_ * sev) / det, (count * sev - se_ * sv) / det
        jx = (-2 / np.sqrt(np.pi) * b / (np.sqrt(2) * s))[:, None] * bell
        js = jx * away / s[:, None]
        r = values - a[:, None] - b[:, None] * e
        wx, ws = w * jx, w * js
        axx, axs, ass = _dot(wx, jx), _dot(wx, js), _dot(ws, js)
        ass = ass * 1.05 + 1e-9
        bx, bs = _dot(wx, r), _dot(ws, r)
        d2 = axx * ass - axs**2
        d2 = np.where(np.abs(d2) < 1e-12, np.nan, d2)
        x0 = x0 + np.clip((ass * bx - axs * bs) / d2, -1, 1)
        s = np.clip(s + np.clip((axx * bs - axs * bx) / d2, -0.5, 0.5), 0.35, 12)
        cov = ass / d2
    rms = np.sqrt(_dot(w * r, r) / np.maximum(count - 4, 1))
    with np.errstate(invalid="ignore"):
        bad = ~np.isfinite(x0) | (np.abs(x0 - start) > reach_n) | (np.abs(2 * b) < min_step) | (count < 6)
        bad |= np.abs(2 * b) < 2.0 * rms
        se = rms * np.sqrt(np.maximum(cov, 0))
    x0 = np.where(bad, np.nan, x0)
    return Edges(x0, s, 2 * b, rms, se)


def _dot(one: Array, other: Array) -> Array:
    """Sums (N,) of the products of each row."""
    return np.asarray(np.einsum("nm,nm->n", one, other))


def _windows(t: Array, values: Array, start: Array, reach: Array) -> tuple[Array, Array, Array]:
    """Of profiles what lies within ``reach`` (N,) of ``start`` (N,): positions and values (N, M) and which of them do,
    1 or 0; what no profile needs is left out."""
    near = np.abs(t[None, :] - start[:, None]) <= reach[:, None]
    wide = max(1, int(near.sum(1).max(initial=0)))
    columns = np.minimum(near.argmax(1), len(t) - wide)[:, None] + np.arange(wide)
    return t[columns], np.take_along_axis(values, columns, 1), np.take_along_axis(near, columns, 1).astype(float)


def colour_profiles(
    rgb: npt.NDArray[np.uint8], centres: Array, directions: Array, half: float, step: float = 0.5
) -> tuple[Array, Array]:
    """Like :func:`profiles` on a colour picture (H, W, 3): positions (M,) and values (N, M, 3).

    Only the part of the picture that is needed is converted.
    """
    import cv2

    t, xy = _along(centres, directions, half, step)
    lo, hi = needed(xy, rgb)
    part = rgb[lo[1] : hi[1], lo[0] : hi[0]].astype(np.float32)
    local = (xy - lo).astype(np.float32)
    out = cv2.remap(part, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return t, np.asarray(out, np.float64).reshape(len(centres), len(t), 3)


def slopes(t: Array, values: Array, smooth: float) -> Array:
    """First derivative of profiles (N, M, C) after smoothing by a Gaussian of ``smooth`` px, per px."""
    h = float(t[1] - t[0])
    r = max(1, int(np.ceil(3 * smooth / h)))
    k = np.arange(-r, r + 1) * h
    d = k * np.exp(-0.5 * (k / smooth) ** 2)
    d /= np.sum(k * d)
    padded = np.pad(values, ((0, 0), (r, r), (0, 0)), mode="edge")
    win = np.lib.stride_tricks.sliding_window_view(padded, 2 * r + 1, axis=1)
    return np.asarray(win @ d)


def summits(strength: Array) -> npt.NDArray[np.bool_]:
    """Where rows of ``strength`` (N, M) have a local maximum."""
    top = np.zeros(strength.shape, bool)
    top[:, 1:-1] = (strength[:, 1:-1] >= strength[:, :-2]) & (strength[:, 1:-1] > strength[:, 2:])
    return top


def fit_colour(t: Array, values: Array, slope: Array, index: npt.NDArray[np.int64], reach: float) -> Edges:
    """Fit steps at sample ``index`` (N,) of colour profiles, along the direction in which the colour changes there.

    The direction is averaged over the rows on either side where they agree, so that noise does not choose it.
    """
    n = len(values)
    d = slope[np.arange(n), index]
    unit = d / np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-9)
    same = (np.sum(unit[1:] * unit[:-1], axis=1) > 0.8)[:, None]
    mean = d.copy()
    mean[1:] += np.where(same, d[:-1], 0)
    mean[:-1] += np.where(same, d[1:], 0)
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-9)
    scalar = np.einsum("nmc,nc->nm", values, mean)
    return fit_edges(t, scalar, t[index], reach)
