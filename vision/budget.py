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
BESIDE_RIM_MM, _MERGED_MM = 0.5, 0.2
"""A tip seen nearer than this to the rim's far edge runs together with it; standard uncertainty when they coincide."""
_OPEN = 0.7
"""How much of the spread that the network tells for single places of the rim's edge goes into the height. Set, like the
next one, on rendered pictures that are not those of the benchmark."""
_SIDE_MM = 0.12
"""What remains doubtful of the rim's apparent half width, which tells how far the case stands from the camera."""
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

    fit = float(np.sqrt(max(grad @ found.covariance @ grad, 0)))
    add("rim and target edges in the picture", "mm", fit, 1.0)
    off = height_of(image + np.array([[0, 0.5]]), q, p, y) - height_of(image - np.array([[0, 0.5]]), q, p, y)
    add("rim edge's course against a circle", "px", found.rms, abs(float(off[0])))
    add("what is left open about the rim's edge", "mm", found.spread_mm, _OPEN)
    add("far land too thin to be told apart", "mm", thin_land(found, elevation_deg, float(off[0])), 1.0)
    far = float(np.linalg.norm(adjust.camera_centre(q) - q[6:9])) / (setup.geometry.rim_diameter_mm / 2)
    add("rim's sides: another edge taken", "mm", _SIDE_MM, far * abs(float(np.tan(np.radians(elevation_deg)))))
    near = max(0.0, 1 - abs(at.rim_gap_mm) / BESIDE_RIM_MM)
    add("tip seen at the rim's far edge", "mm", _MERGED_MM * near, 1.0, at.rim_gap_mm)
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
    bias, bias_u = depth_bias(setup, at, elevation_deg)
    add("lever's depth seen from above", "mm", bias_u, 1.0, bias)
    return tuple(rows), K * float(np.sqrt(sum(r.contribution_mm**2 for r in rows)))


def thin_land(found: Rim, elevation_deg: float, mm_per_px: float) -> float:
    """Standard uncertainty (mm) because the rim's far land, seen flat, is hardly wider than the blur: its two edges
    run together and the outline is found up to half the land's apparent width too low."""
    q, p = found.q, found.problem
    wide = max(0.0, p.geometry.rim_diameter_mm / 2 - q[adjust.BREAK] - q[adjust.INNER])
    seen = wide * max(0.0, float(np.sin(np.radians(elevation_deg))))
    resolved = seen / abs(mm_per_px) / (3 * float(np.hypot(p.seen.blur, 0.8)))
    return float(0.5 * seen * max(0.0, 1 - resolved))


def lever_depth(setup: Setup, at: Tip) -> float:
    """How deep (mm, along the view) the lever's upper edge is taken to be.

    A blade seen across shows its width below the tip too and is about as deep as thick; an arm seen from its side is
    as deep as the lever is wide; when what is below the tip is hidden, something between.
    """
    width = setup.geometry.lever_width_mm
    if at.body_mm is None:
        return 0.6 * width
    return 1.5 if at.body_mm >= 0.6 * width else width


def depth_bias(setup: Setup, at: Tip, elevation_deg: float) -> tuple[float, float]:
    """The point that looks highest from above lies behind the tip by nothing up to half the lever's depth
    (rectangular): the expected bias of the height, mm, and its standard uncertainty."""
    depth = lever_depth(setup, at) * (1 - at.told)
    rise = float(np.tan(np.radians(abs(elevation_deg))))
    return depth / 4 * rise, depth / 2 / float(np.sqrt(12)) * rise


def _camera(add: Callable[..., None], setup: Setup, inputs: Array, sens: Array) -> None:
    cov = setup.camera.covariance
    if cov is not None:
        s = sens[: len(cov)]
        add("camera calibration", "mm", float(np.sqrt(max(float(s @ cov @ s), 0.0))), 1.0)
        return
    add("focal length (assumed)", "px", float(inputs[2]) * _FOCAL_U, float(sens[0] + sens[1]), float(inputs[2]))
    add("principal point (assumed)", "px", _CENTRE_U_PX, float(np.sqrt(sens[2] ** 2 + sens[3] ** 2)))
