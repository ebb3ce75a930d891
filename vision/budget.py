"""The uncertainty budget of a height (GUM, JCGM 100:2008, 5.1 and annex H: input, sensitivity, contribution)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from vision import adjust
from vision.model import Array, Component, Setup
from vision.pose import jacobian
from vision.rim import Rim
from vision.tip import Tip, height_of

K = 2.0
_THICK_MM, _POINTED_MM = 1.5, 0.16
"""A lever's thickness; standard uncertainty of a person's choice of the tip."""
_FOCAL_U, _CENTRE_U_PX = 0.003, 3.0  # assumed when the camera comes without covariance


def build(
    setup: Setup, found: Rim, at: Tip, y: float, elevation_deg: float, value: float
) -> tuple[tuple[Component, ...], float]:
    """All components and the expanded uncertainty (k = 2).

    Args:
        setup: the setup's stated uncertainties.
        found: the adjustment.
        at: the tip.
        y: the lever plane's depth in the card frame, mm.
        elevation_deg: of the camera over the rim plane.
        value: the height, mm.
    """
    q, p = found.q, found.problem
    image = at.image[None]

    def height(v: Array) -> Array:
        return height_of(image, v, p, y)

    grad = jacobian(height, q, adjust.STEPS)[0]
    rows: list[Component] = []

    def add(source: str, unit: str, u: float, sens: float, val: float | None = None, dof: float = float("inf")) -> None:
        rows.append(Component(source, val, unit, u, sens, abs(sens) * u, dof))

    fit = found.errs * float(np.sqrt(max(grad @ found.covariance @ grad, 0)))
    add("rim and target edges in the picture", "mm", fit, 1.0)
    off = height_of(image + np.array([[0, 0.5]]), q, p, y) - height_of(image - np.array([[0, 0.5]]), q, p, y)
    add("rim edge's course against a circle", "px", found.rms, abs(float(off[0])))
    inputs = p.inputs()

    def through(v: Array) -> Array:
        moved = p.with_inputs(v)
        return height_of(image, q, moved, y) * 1.0

    direct = jacobian(through, inputs, adjust.INPUT_STEPS)[0]
    total = direct + grad @ found.gain
    add("tip's edge in the picture", "px", at.sigma_px, float(off[0]))
    add("rim diameter", "mm", setup.geometry.rim_diameter_u_mm, float(total[0]), setup.geometry.rim_diameter_mm)
    add("size of the print", "1", setup.target.print_scale_u, float(total[1]), 1.0)
    _camera(add, setup, inputs, total[2:])
    depth = float((height_of(image, q, p, y + 0.05) - height_of(image, q, p, y - 0.05))[0]) / 0.1
    add(
        "distance of the target from the lever",
        "mm",
        setup.target.depth_offset_u_mm,
        depth,
        setup.target.depth_offset_mm,
    )
    add("rim flatness", "mm", setup.geometry.rim_flatness_mm, 1.0)
    if not at.told:
        bias, bias_u = depth_bias(setup, at, elevation_deg)
        add("choice of the tip by a person", "mm", _POINTED_MM, 1.0)
        add("lever's depth seen from above", "mm", bias_u, 1.0, bias)
    return tuple(rows), K * float(np.sqrt(sum(r.contribution_mm**2 for r in rows)))


def depth_bias(setup: Setup, at: Tip, elevation_deg: float) -> tuple[float, float]:
    """The expected bias of a height at the point that looks highest, mm, and its standard uncertainty (rectangular).

    Seen from above, what looks highest lies behind the tip by nothing up to half the lever's depth. A lever is at least
    as deep as thick; seen from its side it is as deep as wide, and may lie half of that before or behind the tip. Of a
    tip that was found, all this is in its place and its uncertainty already.
    """
    if at.told:
        return 0.0, 0.0
    rise = float(np.tan(np.radians(abs(elevation_deg))))
    return _THICK_MM / 4 * rise, setup.geometry.lever_width_mm / float(np.sqrt(12)) * rise


def _camera(add: Callable[..., None], setup: Setup, inputs: Array, sens: Array) -> None:
    cov = setup.camera.covariance
    if cov is not None:
        s = sens[: len(cov)]
        add("camera calibration", "mm", float(np.sqrt(max(float(s @ cov @ s), 0.0))), 1.0)
        return
    add("focal length (assumed)", "px", float(inputs[2]) * _FOCAL_U, float(sens[0] + sens[1]), float(inputs[2]))
    add("principal point (assumed)", "px", _CENTRE_U_PX, float(np.sqrt(sens[2] ** 2 + sens[3] ** 2)))
