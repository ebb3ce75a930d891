"""The nouns of measuring: camera, target, geometry, setup; measurement or refusal. All frozen, all pure.

Card frame: x right, z up, y away from the camera; the print lies in y = 0; mm. Image points are (N, 2) x, y with
(0, 0) in the centre of the first pixel.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Point = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Photo:
    """A decoded picture: ``rgb`` (H, W, 3) uint8, upright; ``sha256`` of the original bytes; what EXIF told (see
    :mod:`vision.exif`); ``turn``: by how many quarters it was turned clockwise to be upright."""

    rgb: npt.NDArray[np.uint8]
    sha256: str
    captured: str | None = None
    camera_model: str | None = None
    focal_length_mm: float | None = None
    lens: str | None = None
    zoom: float | None = None
    focus: str | None = None
    focal_35mm: float | None = None
    turn: int | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Width, height in pixels."""
        return int(self.rgb.shape[1]), int(self.rgb.shape[0])


@dataclass(frozen=True, eq=False)
class Camera:
    """Pinhole matrix (3, 3) in pixels, distortion k1 k2 p1 p2 k3, picture size it holds for (width, height).

    ``covariance`` is that of (fx, fy, cx, cy, k1, k2, p1, p2, k3) or None when unknown. The rest says which camera it
    is and how it was set when it was calibrated, as its pictures tell it (see :mod:`vision.cameras`).
    """

    matrix: Array
    distortion: Array
    image_size: tuple[int, int]
    name: str = "camera"
    covariance: Array | None = None
    model: str | None = None
    lens: str | None = None
    focal_length_mm: float | None = None
    zoom: float | None = None
    focus: str | None = None
    turn: int | None = None
    calibrated: str | None = None


@dataclass(frozen=True)
class Charuco:
    """A chessboard with markers: squares (across, down), sides in mm, and where its top left corner lies (x, z)."""

    squares: tuple[int, int]
    square_mm: float
    marker_mm: float
    origin_mm: tuple[float, float]


@dataclass(frozen=True)
class Target:
    """A printed card. ``markers``: id -> four corners (x, z) in mm: top left, top right, bottom right, bottom left.

    ``depth_offset_mm``: how far the print stands behind the lever tip (negative: before it), with its standard
    uncertainty; ``print_scale_u``: relative standard uncertainty of the print's size. ``edge_z_mm``: z of the lower
    edge when the card stands on the rim itself.
    """

    dictionary: str
    markers: Mapping[int, tuple[tuple[float, float], ...]]
    charuco: Charuco | None = None
    depth_offset_mm: float = 0.0
    depth_offset_u_mm: float = 0.3
    print_scale_u: float = 0.01
    edge_z_mm: float | None = None


@dataclass(frozen=True)
class Geometry:
    """What is known of the case: outermost rim diameter; how far the tip may stand off the case's axis; the rim's
    edge break and flatness; how upright card and case stand to each other; the lever's width (all standard
    uncertainties are one sigma)."""

    rim_diameter_mm: float
    tip_from_axis_mm: float = 6.5
    edge_break_mm: float = 0.3
    edge_break_u_mm: float = 0.15
    rim_flatness_mm: float = 0.02
    card_lean_u_deg: float = 1.0
    lever_width_mm: float = 5.0
    rim_diameter_u_mm: float = 0.05


@dataclass(frozen=True)
class Setup:
    """All that must be known beside the picture. ``others``: further calibrations, one of which is taken when its
    camera and not ``camera`` took the picture."""

    camera: Camera
    target: Target
    geometry: Geometry
    name: str = "setup"
    others: tuple[Camera, ...] = ()


@dataclass(frozen=True)
class Flag:
    """A reservation: stable ``id`` and one sentence."""

    id: str
    sentence: str


@dataclass(frozen=True)
class Component:
    """One row of the uncertainty budget: ``u`` of the input in ``unit``, ``sensitivity`` (mm per unit),
    ``contribution_mm`` = |sensitivity| x u, degrees of freedom (inf: known)."""

    source: str
    value: float | None
    unit: str
    u: float
    sensitivity: float
    contribution_mm: float
    dof: float = float("inf")


@dataclass(frozen=True)
class Pixels:
    """What the overlay draws, in picture pixels: rim line at the tip's depth (2, 2), rim outline (N, 2), tip (2,),
    foot of the tip on the rim line (2,), outlines of the markers."""

    rim_line: Array | None = None
    rim_outline: Array | None = None
    tip: Array | None = None
    foot: Array | None = None
    target: tuple[Array, ...] = ()
    up: Array | None = None


@dataclass(frozen=True)
class Measurement:
    """Height of the lever tip over the rim plane, mm, with its expanded uncertainty (coverage factor ``k``).

    ``points``: what a person set, px, when it is assisted.
    """

    value_mm: float
    expanded_mm: float
    k: float
    tilt_deg: float | None
    tilt_u_deg: float | None
    flags: tuple[Flag, ...]
    budget: tuple[Component, ...]
    pixels: Pixels
    scale_mm_per_px: float
    pose: Mapping[str, float] = field(default_factory=dict)
    assisted: bool = False
    photo_sha256: str = ""
    setup_name: str = ""
    points: Mapping[str, tuple[Point, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Refusal:
    """No value. ``reason`` is a stable id; ``sentence`` says what is wrong and what to do next."""

    reason: str
    sentence: str
    pixels: Pixels = field(default_factory=Pixels)
    detail: Mapping[str, Any] = field(default_factory=dict)
    photo_sha256: str = ""
    setup_name: str = ""
