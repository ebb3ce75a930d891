"""Where the camera stands to the card: from the target's points to a pose (6,), robust against a bad marker."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vision.markers import Seen
from vision.model import Array, Camera
from vision.optics import project_each, undistort

# card axes x, z, -y are the print's own plane axes: a right-handed frame with the print in its third coordinate 0
_FLAT = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])


@dataclass(frozen=True, eq=False)
class Pose:
    """Rotation vector and translation (6,) card to camera; covariance (6, 6) scaled by the residuals; residual
    rms in px; the points it rests on; how many times worse the second solution of a flat target fits."""

    vector: Array
    covariance: Array
    rms: float
    seen: Seen
    ratio: float
    dropped: tuple[int, ...] = ()


def lift(card: Array) -> Array:
    """Points of the print (N, 2) x, z as points of the card frame (N, 3)."""
    return np.stack([card[:, 0], np.zeros(len(card)), card[:, 1]], axis=1)


def residuals(vectors: Array, seen: Seen, camera: Camera) -> Array:
    """Seen minus projected, in units of each point's sigma, for each of several poses (B, 6): (B, 2N)."""
    at = project_each(np.broadcast_to(lift(seen.card), (len(vectors), len(seen.card), 3)), vectors, camera)
    return np.asarray(((seen.image - at) / seen.sigma[:, None]).reshape(len(vectors), -1))


def jacobian(fn: object, x: Array, steps: Array) -> Array:
    """Central differences of ``fn`` (n,) -> (m,) at ``x``; ``steps`` (n,)."""
    cols = []
    for k in range(len(x)):
        e = np.zeros(len(x))
        e[k] = steps[k]
        cols.append((fn(x + e) - fn(x - e)) / (2 * steps[k]))  # type: ignore[operator]
    return np.stack(cols, axis=-1)


def jacobian_at_once(fn: Callable[[Array], Array], x: Array, steps: Array) -> Array:
    """The same of ``fn`` that takes many at once, (B, n) -> (B, m): much quicker than one after another."""
    rows = fn(np.concatenate([x + np.diag(steps), x - np.diag(steps)]))
    return np.asarray((rows[: len(x)] - rows[len(x) :]).T / (2 * steps))


_CONTRADICTS_PX, _CROOKED = 2.0, 5.0
"""Two markers that fit each other no better than this contradict each other; something lies across one whose sides are
so many times less straight than the other's."""
_STEPS = np.array([1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-3])


def _slopes(vector: Array, seen: Seen, camera: Camera) -> Array:
    return jacobian_at_once(lambda many: residuals(many, seen, camera), vector, _STEPS)


def _refine(vector: Array, seen: Seen, camera: Camera) -> tuple[Array, float]:
    lam, r = 1e-3, residuals(vector[None], seen, camera)[0]
    for _ in range(30):
        j = _slopes(vector, seen, camera)
        a, g = j.T @ j, j.T @ r
        step = np.linalg.solve(a + lam * np.diag(np.diag(a)), -g)
        new = residuals((vector + step)[None], seen, camera)[0]
        if new @ new <= r @ r:
            done = r @ r - new @ new < 1e-9 * (1 + r @ r)
            vector, r, lam = vector + step, new, lam / 5
            if done:
                break
        else:
            lam *= 8
            if lam > 1e8:
                break
    return vector, float(r @ r)


def _start(seen: Seen, camera: Camera) -> list[Array]:
    import cv2

    flat = np.concatenate([seen.card, np.zeros((len(seen.card), 1))], axis=1)
    n = undistort(seen.image, camera)
    count, rvecs, tvecs, _ = cv2.solvePnPGeneric(flat, n, np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE)
    out = []
    for k in range(int(count)):
        r = cv2.Rodrigues(rvecs[k])[0] @ _FLAT
        out.append(np.concatenate([cv2.Rodrigues(r)[0].ravel(), np.asarray(tvecs[k]).ravel()]))
    return out


def _crooked(seen: Seen, px: Array) -> int | None:
    """Of two markers that do not fit each other (residuals ``px``) the one whose sides are far less straight."""
    owners = [int(o) for o in np.unique(seen.owner)]
    if len(owners) != 2 or px.max() < _CONTRADICTS_PX:
        return None
    (least, _), (most, crooked) = sorted((float(seen.sigma[seen.owner == o].min()), o) for o in owners)
    return crooked if most > _CROOKED * least and px[seen.owner == crooked].max() == px.max() else None


def fit_pose(seen: Seen, camera: Camera) -> Pose | None:
    """Pose from at least one marker.

    Of several markers one that contradicts the others (a cable across its edge) is dropped: worst first, until
    none has a corner more than 4 sigma and 1 px off. Of two that contradict each other the one with crooked sides is.

    Returns:
        None when the points carry no pose.
    """
    dropped: list[int] = []
    while len(seen.card) >= 4:
        try:
            fits = [_refine(v, seen, camera) for v in _start(seen, camera)]
        except Exception:
            return None
        fits = [f for f in fits if np.isfinite(f[1]) and f[0][5] > 0]
        if not fits:
            return None
        fits.sort(key=lambda f: f[1])
        vector, cost = fits[0]
        off = np.linalg.norm(residuals(vector[None], seen, camera).reshape(-1, 2), axis=1)
        px = off * seen.sigma
        owners = [int(o) for o in np.unique(seen.owner)]
        bad = {
            o: float(off[seen.owner == o].max())
            for o in owners
            if o >= 0 and off[seen.owner == o].max() > 4 and px[seen.owner == o].max() > 1.0
        }
        many = sum(o >= 0 for o in owners) > (2 if -1 not in owners else 1)
        worst = max(bad, key=lambda o: bad[o], default=None) if many else _crooked(seen, px)
        if worst is not None:
            dropped.append(worst)
            seen = seen.only(seen.owner != worst)
            continue
        dof = max(2 * len(seen.card) - 6, 1)
        j = _slopes(vector, seen, camera)
        scale = max(1.0, cost / dof)
        cov = np.asarray(np.linalg.pinv(j.T @ j) * scale, np.float64)
        rms = float(np.sqrt(np.mean(px**2)))
        other = [f for f in fits[1:] if np.abs(f[0][:3] - vector[:3]).max() > 1e-3]
        ratio = float(np.sqrt((other[0][1] + 1) / (cost + 1))) if other else 99.0
        return Pose(vector, cov, rms, seen, ratio, tuple(dropped))
    return None
