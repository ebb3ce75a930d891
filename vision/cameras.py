"""Which calibration belongs to a picture, and what to think when the camera was changed since.

A calibration holds for one camera, one lens, one zoom and one focus. What a picture's EXIF tells of these is compared
with what was told when the camera was calibrated; nothing told is nothing to compare. Another camera, lens, focal
length, digital zoom or shape of picture is another camera: nothing is measured with it. Another focus or resolution
is measured with a larger uncertainty, and said.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np

from vision.model import Camera, Flag, Photo, Refusal, Setup
from vision.refuse import refusal

BREATHING = 0.01
"""Relative standard uncertainty of the focal length at another focus (common practice, no source)."""
_SHAPE, _LENGTH, _ZOOM = 0.005, 0.005, 0.01


@dataclass(frozen=True, eq=False)
class Choice:
    """The camera for one picture, at its size and turn, and what must be said about it."""

    camera: Camera
    flags: tuple[Flag, ...] = ()


def choose(photo: Photo, setup: Setup) -> Choice | Refusal:
    """The setup's camera that took this picture."""
    cameras = (setup.camera, *setup.others)
    fits = [camera for camera in cameras if not differences(photo, camera)]
    if not fits:
        said = "; ".join(differences(photo, cameras[0]))
        more = " None of the other cameras known fits either." if setup.others else ""
        return refusal("camera_unknown", f"{said[0].upper()}{said[1:]}.{more}")
    best = max(fits, key=lambda camera: _nearness(photo, camera))
    rivals = [c for c in fits if _nearness(photo, c) == _nearness(photo, best) and c is not best]
    if rivals and setup.others:
        names = ", ".join(sorted({c.name for c in (best, *rivals)}))
        return refusal("camera_unknown", f"The picture does not tell which camera took it: {names}. Name it.")
    return _for_picture(photo, best)


def differences(photo: Photo, camera: Camera) -> list[str]:
    """What tells that another camera took this picture, or this one set otherwise: one phrase each."""
    out = []
    for what, seen, known in (("camera", photo.camera_model, camera.model), ("lens", photo.lens, camera.lens)):
        if seen and known and seen != known:
            out.append(f"the {what} was '{seen}', the calibration is of '{known}'")
    if _apart(photo.focal_length_mm, camera.focal_length_mm, _LENGTH):
        out.append(f"the focal length was {photo.focal_length_mm:g} mm, calibrated was {camera.focal_length_mm:g} mm")
    if _apart(photo.zoom, camera.zoom, _ZOOM):
        out.append(f"the digital zoom was {photo.zoom:g}, calibrated was {camera.zoom:g}")
    (w, h), (cw, ch) = photo.size, camera.image_size
    if _turns(photo, camera) % 2:
        cw, ch = ch, cw
    if abs((w / cw) / (h / ch) - 1) > _SHAPE:
        out.append(
            f"the picture has {w} by {h} pixels, the camera was calibrated for "
            f"{camera.image_size[0]} by {camera.image_size[1]}"
        )
    return out


def _nearness(photo: Photo, camera: Camera) -> tuple[int, bool, bool]:
    """How many things agree, whether the focus does, and whether the resolution does."""
    pairs = (
        (photo.camera_model, camera.model),
        (photo.lens, camera.lens),
        (photo.focal_length_mm, camera.focal_length_mm),
        (photo.zoom, camera.zoom),
    )
    told = sum(seen is not None and known is not None for seen, known in pairs)
    focused = photo.focus is not None and camera.focus is not None and same_focus(photo.focus, camera.focus)
    return told, focused, set(photo.size) == set(camera.image_size)


def _for_picture(photo: Photo, camera: Camera) -> Choice:
    flags = []
    made = turned(camera, _turns(photo, camera))
    if made.image_size != photo.size:
        made = scaled(made, photo.size)
        flags.append(
            Flag(
                "other_resolution",
                f"The picture has {photo.size[0]} by {photo.size[1]} pixels, calibrated was "
                f"{camera.image_size[0]} by {camera.image_size[1]}: right only if it shows the same field.",
            )
        )
    if photo.focus is not None and camera.focus is not None and not same_focus(photo.focus, camera.focus):
        made = _breathing(made)
        flags.append(
            Flag(
                "other_focus",
                f"The lens was focused otherwise ({photo.focus}) than when it was calibrated ({camera.focus}).",
            )
        )
    return Choice(made, tuple(flags))


def same_focus(one: str, other: str) -> bool:
    """Whether two focus settings are the same for measuring: distances within a dioptre, positions of a webcam's lens
    within five steps, anything else word for word (common practice, no source)."""
    if one == other:
        return True
    a, b = (re.fullmatch(r"(focus )?(\d+(?:\.\d+)?)( m)?", text) for text in (one, other))
    if a is None or b is None or (a[1], a[3]) != (b[1], b[3]):
        return False
    x, y = float(a[2]), float(b[2])
    return bool(abs(1 / max(x, 0.01) - 1 / max(y, 0.01)) <= 1.0 if a[3] else abs(x - y) <= 5)


def _turns(photo: Photo, camera: Camera) -> int:
    """Quarters clockwise from the calibrated picture to this one; 0 where one does not tell or the size denies it."""
    lies = (photo.size[0] < photo.size[1]) != (camera.image_size[0] < camera.image_size[1])
    if photo.turn is None or camera.turn is None:
        return 0
    turns = (photo.turn - camera.turn) % 4
    return turns if lies == bool(turns % 2) else 0


def turned(camera: Camera, quarters: int) -> Camera:
    """The camera of the same pictures turned clockwise by so many quarters."""
    for _ in range(quarters % 4):
        m, k = camera.matrix, np.zeros(5)
        k[: np.size(camera.distortion)] = np.ravel(camera.distortion)[:5]
        w, h = camera.image_size
        new = np.array([[m[1, 1], 0, h - 1 - m[1, 2]], [0, m[0, 0], m[0, 2]], [0, 0, 1.0]])
        dist = np.array([k[0], k[1], k[3], -k[2], k[4]])
        cov = camera.covariance
        if cov is not None:  # fx fy cx cy k1 k2 p1 p2 k3
            a = np.zeros((9, 9))
            for row, (col, sign) in enumerate(
                [(1, 1), (0, 1), (3, -1), (2, 1), (4, 1), (5, 1), (7, 1), (6, -1), (8, 1)]
            ):
                a[row, col] = sign
            cov = a @ cov @ a.T
        camera = replace(camera, matrix=new, distortion=dist, image_size=(h, w), covariance=cov)
    return camera


def scaled(camera: Camera, size: tuple[int, int]) -> Camera:
    """The camera of the same pictures at another resolution; pixel (0, 0) is the centre of the first pixel."""
    fx, fy = size[0] / camera.image_size[0], size[1] / camera.image_size[1]
    m = camera.matrix.copy()
    m[0, :2] *= fx
    m[1, 1] *= fy
    m[0, 2] = (m[0, 2] + 0.5) * fx - 0.5
    m[1, 2] = (m[1, 2] + 0.5) * fy - 0.5
    cov = camera.covariance
    if cov is not None:
        by = np.array([fx, fy, fx, fy, 1, 1, 1, 1, 1])
        cov = cov * np.outer(by, by)
    return replace(camera, matrix=m, image_size=size, covariance=cov)


def _breathing(camera: Camera) -> Camera:
    """With the focal length less certain, both directions alike."""
    if camera.covariance is None:  # the budget then assumes more than this
        return camera
    cov = camera.covariance.copy()
    both = BREATHING * np.array([camera.matrix[0, 0], camera.matrix[1, 1]])
    cov[:2, :2] += np.outer(both, both)
    return replace(camera, covariance=cov)


def drift(old: Camera, new: Camera) -> tuple[bool, str] | None:
    """Whether two calibrations of one camera agree, and in words; None when their uncertainties are not known or they
    are of different resolutions. Further apart than three standard uncertainties of the difference is a change."""
    if old.covariance is None or new.covariance is None or old.image_size != new.image_size:
        return None
    a, b = (np.array([c.matrix[0, 0], c.matrix[1, 1], c.matrix[0, 2], c.matrix[1, 2]]) for c in (old, new))
    u = np.sqrt(np.diag(old.covariance)[:4] + np.diag(new.covariance)[:4])
    worst = float(np.max(np.abs(b - a) / np.maximum(u, 1e-12)))
    since = "the earlier calibration" if not old.calibrated else f"the calibration of {old.calibrated[:10]}"
    change = 100 * (b[0] / a[0] - 1)
    if worst <= 3:
        return True, f"It agrees with {since} (focal length {change:+.2f} %)."
    return False, (
        f"It differs from {since} by more than both allow (focal length {change:+.2f} %, middle by "
        f"{float(np.hypot(*(b - a)[2:])):.1f} px): was the lens turned, focused or knocked?"
    )


def _apart(seen: float | None, known: float | None, share: float) -> bool:
    return bool(seen and known and abs(seen / known - 1) > share)
