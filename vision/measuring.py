"""Measuring one photograph: target, pose, rim, tip, height, uncertainty; or the reason why not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from vision import adjust, budget, markers, outline, rim, segment, tip
from vision.cameras import choose
from vision.model import Array, Camera, Flag, Measurement, Photo, Pixels, Refusal, Setup
from vision.optics import project
from vision.pose import Pose, fit_pose
from vision.refuse import refusal

MAX_ELEVATION, MAX_YAW, MAX_CARD_YAW = 19.0, 25.0, 40.0
"""Degrees: looked at more steeply over the rim plane, or more from the side of the case or of the card, nothing is
measured."""


_LEAST_SEEN, _ASTRAY_MM = 0.2, 0.15
"""Share of the rim's outline that must be told, and how far it may depart from a circle."""
_VAGUE_MM = 0.5
"""Told no better than this (standard uncertainty), a tip is not told."""
_LEAST_EDGE = 0.3
"""Share of the tip's upper edge that must stand out clearly."""
_RIVAL, _ANOTHER = 0.5, 0.1
"""More than this share of what was taken for the lever may not be seen of something else that it might be; from what
share on a person is told to look."""
_BESIDE_RIM_MM = 0.5
"""A tip seen nearer than this to the rim's far edge may be taken for it."""
_DEEPEST_MM = 2.5
"""What is surely seen further below the rim is another part of the inside, not the lever's tip."""
_CLASSES_U_MM, _DEPTH_U_MM = 5.0, 2.4
"""How far off the case's depth may be by its width in the classes; with a larger uncertainty than the second, mm, its
sides were not found and the classes' word counts."""


class _Refused(Exception):
    def __init__(self, answer: Refusal) -> None:
        self.answer = answer
        super().__init__(answer.reason)


def measure(
    photo: Photo, setup: Setup, *, points: Mapping[str, Sequence[tuple[float, float]]] | None = None
) -> Measurement | Refusal:
    """Height of the lever's tip over the case's rim.

    Args:
        photo: the picture.
        setup: camera, target and case.
        points: places given by a person, px: ``tip`` one point, ``rim`` two or more points of the rim's upper
            outline. What is given is taken instead of what is found; the result is then marked as assisted.

    Returns:
        the measurement with its uncertainty (k = 2) and reservations; or why none can be made.
    """
    choice = choose(photo, setup)
    if isinstance(choice, Refusal):
        return replace(choice, photo_sha256=photo.sha256, setup_name=setup.name)
    try:
        found = _measure(photo, replace(setup, camera=choice.camera), points or {})
    except _Refused as no:
        found = no.answer
    if isinstance(found, Measurement):
        found = replace(found, flags=found.flags + choice.flags)
    return replace(found, photo_sha256=photo.sha256, setup_name=setup.name)


def _measure(photo: Photo, setup: Setup, points: Mapping[str, Sequence[tuple[float, float]]]) -> Measurement | Refusal:
    import cv2

    camera = setup.camera
    grey8 = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    pose = _pose(grey8, setup, camera)
    outlines = Pixels(target=tuple(pose.seen.outlines.values()))
    yaw = _yaw(pose)
    if abs(yaw) > MAX_CARD_YAW:
        raise _Refused(refusal("too_oblique", f"The card is seen {abs(yaw):.0f} degrees from the side.", outlines))
    target, geometry = setup.target, setup.geometry
    steep = _elevation_of_card(pose)
    if abs(steep) > MAX_ELEVATION + 3:
        raise _Refused(refusal("too_oblique", f"The camera looks down at {steep:.0f} degrees.", outlines))
    y = -target.depth_offset_mm
    pointed = {k: array(v) for k, v in points.items()}
    view, seen = _view(photo, pose, camera, y)
    if len(pointed.get("rim", ())) >= 3:
        found = rim.fit_given(pointed["rim"], pose, y, geometry, camera)
    else:
        found = _rim(photo.rgb, pose, view, seen, setup, camera, outlines)
    _check_rim(found, y, setup, outlines)
    at = (
        tip.given(pointed["tip"][0])
        if len(pointed.get("tip", ()))
        else tip.find(photo.rgb, view, found, y, geometry.tip_from_axis_mm)
    )
    outlines = _with_rim(outlines, found)
    if at is None:
        raise _Refused(refusal("lever_hidden", pixels=outlines))
    doubt = _doubt(at)
    if doubt is not None:
        raise _Refused(refusal("tip_doubtful", doubt, replace(outlines, tip=at.image)))
    _check_exposure(grey8, at)
    result = replace(_result(setup, pose, found, at, y, outlines, camera), assisted=bool(pointed))
    if "tip" not in pointed and result.value_mm + result.expanded_mm < -_DEEPEST_MM:
        what = f"What looks most like one lies {-result.value_mm:.1f} millimetres below the rim."
        raise _Refused(refusal("lever_hidden", what, replace(outlines, tip=at.image)))
    return result


def find_rim(photo: Photo, setup: Setup) -> rim.Rim | Refusal:
    """Where the rim is found by ``setup.camera``, whatever it is worth; for training networks."""
    import cv2

    try:
        pose = _pose(np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), np.uint8), setup, setup.camera)
        view, seen = _view(photo, pose, setup.camera, -setup.target.depth_offset_mm)
        return _rim(photo.rgb, pose, view, seen, setup, setup.camera, Pixels())
    except _Refused as no:
        return no.answer


def _pose(grey: npt.NDArray[np.uint8], setup: Setup, camera: Camera) -> Pose:
    seen = markers.find(grey, setup.target, camera)
    if seen is None:
        raise _Refused(_no_target(grey, setup))
    outlines = Pixels(target=tuple(seen.outlines.values()))
    pose = fit_pose(seen, camera) if len(seen.card) >= 4 else None
    if pose is None:
        raise _Refused(refusal("blurred", "The target's edges are not sharp enough.", outlines))
    side = _marker_side(pose)
    if seen.blur > max(3.2, 0.03 * side):
        raise _Refused(refusal("blurred", f"Edges are {2.4 * seen.blur:.0f} pixels wide.", outlines))
    if seen.contrast < 25:
        raise _Refused(refusal("dark", pixels=outlines))
    if pose.rms > max(1.2, 0.012 * side):
        raise _Refused(
            refusal("not_this_target", f"The markers lie {pose.rms:.1f} pixels off where the setup has them.", outlines)
        )
    return pose


def _marker_side(pose: Pose) -> float:
    quads = list(pose.seen.outlines.values())
    return float(np.mean([np.linalg.norm(np.roll(q, -1, 0) - q, axis=1).mean() for q in quads])) if quads else 100.0


def _no_target(grey: npt.NDArray[np.uint8], setup: Setup) -> Refusal:
    import cv2

    if float(np.mean(grey > 250)) > 0.35:
        return refusal("overexposed")
    h, w = grey.shape
    small = cv2.resize(grey, (640, max(64, round(640 * h / w))), interpolation=cv2.INTER_AREA)
    sharp = float(cv2.Laplacian(cv2.GaussianBlur(small, (0, 0), 1.0), cv2.CV_64F).std())
    if sharp < 2.2:
        return refusal("blurred")
    others = [
        d
        for d in ("DICT_4X4_50", "DICT_5X5_50", "DICT_6X6_50", "DICT_7X7_50", "DICT_APRILTAG_36h11")
        if d != setup.target.dictionary
    ]
    if markers.detect(grey, setup.target.dictionary) or any(markers.detect(grey, d) for d in others):
        return refusal("not_this_target")
    return refusal("no_target")


def _yaw(pose: Pose) -> float:
    q = np.zeros(adjust.SIZE)
    q[:6] = pose.vector
    return _from_the_side(q, np.array([pose.seen.card[:, 0].mean(), 0]))


def _from_the_side(q: Array, at: Array) -> float:
    """Degrees that the camera stands to the right of straight before a place x, y of the card's frame."""
    right, away = (adjust.camera_centre(q)[:2] - at).tolist()
    return float(np.degrees(np.arctan2(right, -away)))


def _elevation_of_card(pose: Pose) -> float:
    q = np.zeros(adjust.SIZE)
    q[:6] = pose.vector
    c = adjust.camera_centre(q)
    return float(np.degrees(np.arctan2(c[2], np.hypot(c[0], c[1]))))


def _view(photo: Photo, pose: Pose, camera: Camera, y: float) -> tuple[segment.View, outline.Rough | None]:
    view = segment.look(photo.rgb, pose.vector, camera, y, (0.0, 0.0))
    seen = outline.rough(view)
    if seen is not None and (abs(seen.middle_x) > 5 or abs(seen.rim_z) > 6):  # look again, squarely
        view = segment.look(photo.rgb, pose.vector, camera, y, (seen.middle_x, seen.rim_z))
        seen = outline.rough(view)
    return view, seen


def _rim(
    rgb: npt.NDArray[np.uint8],
    pose: Pose,
    view: segment.View,
    seen: outline.Rough | None,
    setup: Setup,
    camera: Camera,
    outlines: Pixels,
) -> rim.Rim:
    edge, geometry = setup.target.edge_z_mm, setup.geometry
    found = None if seen is None else rim.fit(rgb, pose, view, seen, geometry, camera, edge)
    if edge is not None and (found is None or not _followed(found)):
        return rim.fit_standing(pose, view.y, geometry, camera, edge)
    if found is None:
        raise _Refused(refusal("rim_hidden", pixels=outlines))
    return found


def _followed(found: rim.Rim) -> bool:
    """Whether the rim is what was found: enough of a circle, whose land does not end outside the case."""
    if found.q[adjust.INNER] > found.problem.geometry.rim_diameter_mm / 2:
        return False
    return found.covered >= _LEAST_SEEN and found.rms <= max(1.0, _ASTRAY_MM * found.scale)


def _doubt(at: tip.Tip) -> str | None:
    if at.rival > _RIVAL:
        return "Two things are seen that may be it."
    if at.told_mm > _VAGUE_MM:
        return f"Its height shows only to {2 * at.told_mm:.1f} millimetres."
    if at.share < _LEAST_EDGE:
        return f"Only {100 * at.share:.0f} % of its upper edge stand out."
    return None


def _check_rim(found: rim.Rim, y: float, setup: Setup, outlines: Pixels) -> None:
    q, cov = found.q, found.covariance
    pixels = _with_rim(outlines, found)
    e = adjust.elevation(found.q, y)
    if abs(e) > MAX_ELEVATION:
        raise _Refused(refusal("too_oblique", f"The camera looks down on the rim at {e:.0f} degrees.", pixels))
    yaw = _from_the_side(q, np.array([q[6], y]))
    if abs(yaw) > MAX_YAW:
        raise _Refused(refusal("too_oblique", f"The case is seen {abs(yaw):.0f} degrees from the side.", pixels))
    off = y - q[7]
    u = float(np.hypot(np.sqrt(cov[7, 7]), setup.target.depth_offset_u_mm))
    scale_u = setup.target.print_scale_u * 180.0
    classes, most = found.classes_mm, setup.geometry.tip_from_axis_mm + _CLASSES_U_MM
    if abs(classes) > most and u > _DEPTH_U_MM:
        off, u = -classes, 0.5 * _CLASSES_U_MM
    if abs(off) > setup.geometry.tip_from_axis_mm + float(np.hypot(u, min(scale_u, 1.0))):
        where = "before" if off < 0 else "behind"
        raise _Refused(
            refusal(
                "wrong_depth",
                f"By the rim's apparent width the lever would stand {abs(off):.0f} "
                f"millimetres {where} the case's axis.",
                pixels,
            )
        )
    if not _followed(found):
        raise _Refused(refusal("rim_hidden", pixels=pixels))


def _check_exposure(grey: npt.NDArray[np.uint8], at: tip.Tip) -> None:
    x, y = np.round(at.image).astype(int)
    r = 60
    part = grey[max(0, y - r) : y + r, max(0, x - r) : x + r]
    if part.size and float(np.mean(part >= 253)) > 0.6:
        raise _Refused(refusal("overexposed"))


def _with_rim(pixels: Pixels, found: rim.Rim) -> Pixels:
    q, p = found.q, found.problem
    ring = adjust.circle(q, p.geometry.rim_diameter_mm / 2 - q[adjust.BREAK], np.linspace(0, 2 * np.pi, 181))
    return replace(pixels, rim_outline=project(ring, q[:6], p.camera))


def _result(
    setup: Setup, pose: Pose, found: rim.Rim, at: tip.Tip, y: float, pixels: Pixels, camera: Camera
) -> Measurement:
    q, p = found.q, found.problem
    value = float(tip.height_of(at.image[None], q, p, y)[0])
    e = adjust.elevation(found.q, y)
    rows, expanded = budget.build(setup, found, at, y, e, value)
    seen_height = value
    value -= budget.depth_bias(setup, at, e)[0]
    n = adjust.axis(q)
    from vision.optics import rays, undistort

    centre, d = rays(undistort(at.image[None], camera), q[:6])
    point = (centre + (y - centre[1]) / d[:, 1:2] * d)[0]
    foot = point - seen_height * n
    e1, _, _ = adjust.basis(q)
    half = 0.55 * setup.geometry.rim_diameter_mm
    mid = q[6:9] + ((foot - q[6:9]) @ np.cross(n, e1)) * np.cross(n, e1)
    line = project(np.stack([mid - half * e1, mid + half * e1]), q[:6], camera)
    marks = project(np.stack([foot, foot + n]), q[:6], camera)
    scale = 1.0 / float(np.linalg.norm(marks[1] - marks[0]))
    pixels = replace(pixels, rim_line=line, tip=at.image, foot=marks[0], up=marks[1] - marks[0])
    tilt = None if at.slope is None else float(np.degrees(np.arctan(at.slope[0])))
    tilt_u = None if at.slope is None else float(np.degrees(at.slope[1]))
    centre_mm = adjust.camera_centre(q)
    facts = {
        "distance_mm": float(np.linalg.norm(point - centre_mm)),
        "elevation_deg": e,
        "yaw_deg": _yaw(pose),
        "target_rms_px": pose.rms,
        "rim_rms_px": found.rms,
        "rim_covered": found.covered,
        "rim_centre_behind_tip_mm": float(q[7] - y),
        "edge_blur_px": pose.seen.blur,
        "tip_x_from_axis_mm": float(point[0] - q[6]),
        "tip_width_mm": at.width_mm,
        "edge_apart_mm": at.apart_mm,
        "rim_spread_mm": found.spread_mm,
    }
    return Measurement(
        value,
        expanded,
        2.0,
        tilt,
        tilt_u,
        _flags(value, expanded, pose, found, at, e, tilt, tilt_u),
        rows,
        pixels,
        scale,
        facts,
    )


def _flags(
    value: float,
    expanded: float,
    pose: Pose,
    found: rim.Rim,
    at: tip.Tip,
    e: float,
    tilt: float | None,
    tilt_u: float | None,
) -> tuple[Flag, ...]:
    out = []
    if value <= 0:
        out.append(Flag("not_above_rim", "The lever's tip does not stand above the rim."))
    elif value - expanded <= 0:
        out.append(Flag("hardly_above_rim", "Within its uncertainty the tip may be level with the rim or below it."))
    if pose.dropped:
        out.append(
            Flag(
                "marker_left_out",
                f"Marker {', '.join(map(str, pose.dropped))} contradicts the others and "
                "was left out; see that nothing covers it.",
            )
        )
    if pose.ratio < 1.3:
        out.append(Flag("pose_ambiguous", "The card's direction is told weakly; use a larger or a second card."))
    if found.covered < 0.6:
        out.append(Flag("rim_partly_seen", "Part of the rim could not be followed; look at the overlay."))
    if at.share < 0.5:
        out.append(Flag("tip_unclear", "The tip's edge stands out weakly; look at the overlay."))
    if at.rival > _ANOTHER:
        what = "Something else is seen that may be the lever; look at the overlay whether the lever's tip is marked."
        out.append(Flag("another_like_it", what))
    if abs(at.rim_gap_mm) < _BESIDE_RIM_MM:
        out.append(
            Flag("tip_at_rim_edge", "The tip is seen just at the rim's far edge; raise or lower the camera a little.")
        )
    if expanded > 0.5:
        out.append(Flag("coarse", "The uncertainty is large; take the picture from nearer and level with the rim."))
    if tilt is not None and tilt_u is not None and abs(tilt) > 3 + 2 * tilt_u:
        out.append(Flag("tilted", f"The tip's upper edge leans by {abs(tilt):.0f} degrees."))
    return tuple(out)


def array(points: Sequence[tuple[float, float]]) -> Array:
    """Points given by a person as (N, 2)."""
    return np.asarray(points, np.float64).reshape(-1, 2)
