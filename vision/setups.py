"""Reads setup files (TOML or JSON) and mappings; every fault at once, each with its place and what to do."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from vision.errors import SetupError
from vision.model import Camera, Charuco, Geometry, Setup, Target

DICTIONARIES = (
    *(f"DICT_{n}X{n}_{m}" for n in (4, 5, 6, 7) for m in (50, 100, 250, 1000)),
    "DICT_APRILTAG_16h5",
    "DICT_APRILTAG_25h9",
    "DICT_APRILTAG_36h10",
    "DICT_APRILTAG_36h11",
    "DICT_ARUCO_ORIGINAL",
)
_MAX_BYTES = 1_000_000
_FACTS: dict[str, type] = {
    "model": str,
    "lens": str,
    "focal_length_mm": float,
    "zoom": float,
    "focus": str,
    "turn": int,
    "calibrated": str,
}


def load_setup(path: str | Path, *, camera: str | Path | None = None) -> Setup:
    """Read a setup file.

    ``camera`` in it may be a table, the path of a camera file, or that of a folder of camera files, relative to the
    setup's folder. Of a folder's cameras each picture's own is taken, by what the picture tells.

    Args:
        path: the setup file.
        camera: another camera file or folder to take instead, or the name of one of the folder's cameras.

    Raises:
        SetupError: with every fault found.
    """
    path = Path(path)
    data = read_table(path)
    given = data.get("camera")
    name = None
    if camera is not None and Path(camera).exists():
        given = str(Path(camera).absolute())
    elif camera is not None:
        name = str(camera)
    if not isinstance(given, str):
        cameras: list[Camera] = []
    else:
        cameras = load_cameras(path.parent / given, name)
        data = {**data, "camera": camera_to_mapping(cameras[0])}
    setup = setup_from_mapping(data, where=str(path), name=str(data.get("name", path.stem)))
    if name is not None and not cameras and setup.camera.name != name:
        raise SetupError(str(path), [f"its camera is called '{setup.camera.name}', not '{name}'; give that or a file"])
    return replace(setup, others=tuple(cameras[1:]))


def load_cameras(place: Path, name: str | None = None) -> list[Camera]:
    """The camera of a file, or all cameras of a folder's files; with ``name`` those of that name only.

    Raises:
        SetupError: there is none, or a file is wrong.
    """
    files = sorted(place.glob("*.json")) + sorted(place.glob("*.toml")) if place.is_dir() else [place]
    found = [camera_from_mapping(read_table(file), where=str(file)) for file in files]
    if not found:
        raise SetupError(str(place), ["holds no camera file; make one with 'benchwitness calibrate --out'"])
    fits = [camera for camera in found if name is None or camera.name == name]
    if not fits:
        raise SetupError(str(place), [f"has no camera '{name}'; there is {', '.join(sorted({c.name for c in found}))}"])
    return fits


def read_table(path: Path) -> dict[str, Any]:
    """A TOML or JSON file's top table.

    Raises:
        SetupError: not there, too large or not well formed.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise SetupError(str(path), [f"cannot be opened ({error.strerror}); check the path"]) from error
    if len(raw) > _MAX_BYTES:
        raise SetupError(str(path), ["is larger than 1 MB; a setup is a short text file"])
    try:
        text = raw.decode("utf-8")
        data = json.loads(text) if path.suffix.lower() == ".json" else tomllib.loads(text)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise SetupError(str(path), [f"is not well formed ({error}); correct it there"]) from error
    if not isinstance(data, dict):
        raise SetupError(str(path), ["holds no table; begin with [camera], [target] and [geometry]"])
    return data


class _Reader:
    """Takes values out of nested tables and collects what is wrong with them."""

    def __init__(self) -> None:
        self.faults: list[str] = []

    def table(self, data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
        value = data.get(key)
        if isinstance(value, Mapping):
            return value
        self.faults.append(f"[{key}] is missing; add the table")
        return {}

    def number(
        self, data: Mapping[str, Any], key: str, place: str, default: float | None, low: float, high: float
    ) -> float:
        value = data.get(key, default)
        if value is None:
            self.faults.append(f"{place}.{key} is missing; give a number")
            return low
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.faults.append(f"{place}.{key} is {value!r}; give a number")
            return low
        if not low <= value <= high:
            self.faults.append(f"{place}.{key} is {value}; it must lie between {low} and {high}")
        return float(value)

    def array(
        self, value: Any, shape: tuple[int | None, ...], place: str
    ) -> np.ndarray[Any, np.dtype[np.float64]] | None:
        try:
            a = np.asarray(value, np.float64)
        except (TypeError, ValueError):
            a = np.zeros(())
        fits = a.ndim == len(shape) and all(n is None or n == m for n, m in zip(shape, a.shape, strict=True))
        if value is None or not fits or not np.isfinite(a).all():
            wanted = " x ".join("n" if n is None else str(n) for n in shape)
            self.faults.append(f"{place} must be {wanted} numbers")
            return None
        return a

    def unknown(self, data: Mapping[str, Any], known: set[str], place: str) -> None:
        for key in data:
            if key not in known:
                self.faults.append(f"{place}.{key} is not known; known are {', '.join(sorted(known))}")


def setup_from_mapping(data: Mapping[str, Any], *, where: str = "setup", name: str = "setup") -> Setup:
    """A setup from nested tables ``camera``, ``target``, ``geometry`` as in a setup file.

    Raises:
        SetupError: with every fault found.
    """
    r = _Reader()
    r.unknown(data, {"name", "camera", "target", "geometry", "note"}, "setup")
    camera = _camera(r, r.table(data, "camera"))
    target = _target(r, r.table(data, "target"))
    geometry = _geometry(r, r.table(data, "geometry"))
    if r.faults or camera is None or target is None or geometry is None:
        raise SetupError(where, r.faults)
    return Setup(camera, target, geometry, name)


def camera_from_mapping(data: Mapping[str, Any], *, where: str = "camera") -> Camera:
    """A camera from a table as :func:`camera_to_mapping` writes it.

    Raises:
        SetupError: with every fault found.
    """
    r = _Reader()
    camera = _camera(r, data)
    if r.faults or camera is None:
        raise SetupError(where, r.faults)
    return camera


def camera_to_mapping(camera: Camera) -> dict[str, Any]:
    """The camera as plain lists and numbers, keys as in a setup file."""
    out: dict[str, Any] = {
        "name": camera.name,
        "image_size_px": list(camera.image_size),
        "matrix": camera.matrix.tolist(),
        "distortion": np.ravel(camera.distortion).tolist(),
    }
    for key in _FACTS:
        if getattr(camera, key) is not None:
            out[key] = getattr(camera, key)
    if camera.covariance is not None:
        out["covariance"] = camera.covariance.tolist()
    return out


def _camera(r: _Reader, data: Mapping[str, Any]) -> Camera | None:
    known = {"name", "image_size_px", "matrix", "distortion", "covariance", "quality", *_FACTS}
    r.unknown(data, known, "camera")
    size = r.array(data.get("image_size_px"), (2,), "camera.image_size_px")
    matrix = r.array(data.get("matrix"), (3, 3), "camera.matrix")
    dist = r.array(data.get("distortion", [0.0] * 5), (None,), "camera.distortion")
    cov = r.array(data["covariance"], (9, 9), "camera.covariance") if "covariance" in data else None
    if size is None or matrix is None or dist is None:
        return None
    if not 4 <= len(dist) <= 5:
        r.faults.append(f"camera.distortion has {len(dist)} numbers; give k1, k2, p1, p2 and perhaps k3")
        return None
    if min(matrix[0, 0], matrix[1, 1]) < 50 or min(size) < 64:
        r.faults.append("camera.matrix or camera.image_size_px is not in pixels; give what calibrating wrote")
    full = np.zeros(5)
    full[: len(dist)] = dist
    return Camera(matrix, full, (int(size[0]), int(size[1])), str(data.get("name", "camera")), cov, **_facts(r, data))


def _facts(r: _Reader, data: Mapping[str, Any]) -> dict[str, Any]:
    """Which camera it is and how it was set."""
    out: dict[str, Any] = {}
    for key, kind in _FACTS.items():
        value = data.get(key)
        if value is None:
            continue
        if kind is str:
            out[key] = str(value)
        elif isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            r.faults.append(f"camera.{key} is {value!r}; give a number, or leave it out")
        else:
            out[key] = kind(value)
    return out


def _target(r: _Reader, data: Mapping[str, Any]) -> Target | None:
    r.unknown(
        data,
        {
            "dictionary",
            "markers",
            "charuco",
            "depth_offset_mm",
            "depth_offset_u_mm",
            "print_scale_u",
            "edge_z_mm",
            "layout",
        },
        "target",
    )
    dictionary = data.get("dictionary")
    if dictionary not in DICTIONARIES:
        r.faults.append(f"target.dictionary is {dictionary!r}; known are {', '.join(DICTIONARIES)}")
    markers: dict[int, tuple[tuple[float, float], ...]] = {}
    table = data.get("markers")
    if not isinstance(table, list) or not table:
        r.faults.append("target.markers is missing; give [[target.markers]] with id and corners_mm")
        table = []
    for k, entry in enumerate(table):
        place = f"target.markers[{k}]"
        if not isinstance(entry, Mapping) or not isinstance(entry.get("id"), int):
            r.faults.append(f"{place} has no whole number id; give it")
            continue
        corners = r.array(entry.get("corners_mm"), (4, 2), f"{place}.corners_mm")
        if corners is None:
            continue
        side = np.linalg.norm(np.roll(corners, -1, 0) - corners, axis=1)
        x, z = corners.T
        area = 0.5 * float(np.sum(x * np.roll(z, -1) - np.roll(x, -1) * z))
        if side.min() < 1 or side.max() > 1.02 * side.min() or area > -0.9 * side.min() ** 2:
            r.faults.append(
                f"{place}.corners_mm is no square: top left, top right, bottom right, bottom left, x to "
                "the right and z up, in mm"
            )
        if entry["id"] in markers:
            r.faults.append(f"{place}: id {entry['id']} occurs twice; every marker needs its own")
        markers[entry["id"]] = tuple((float(a), float(b)) for a, b in corners)
    num = r.number
    return Target(
        str(dictionary),
        markers,
        _charuco(r, data.get("charuco")),
        num(data, "depth_offset_mm", "target", None, -100, 100),
        num(data, "depth_offset_u_mm", "target", 0.3, 0, 20),
        num(data, "print_scale_u", "target", 0.01, 0, 0.1),
        num(data, "edge_z_mm", "target", None, -200, 200) if "edge_z_mm" in data else None,
    )


def _charuco(r: _Reader, data: Any) -> Charuco | None:
    if data is None:
        return None
    if not isinstance(data, Mapping):
        r.faults.append("target.charuco must be a table")
        return None
    squares = r.array(data.get("squares"), (2,), "target.charuco.squares")
    origin = r.array(data.get("origin_mm"), (2,), "target.charuco.origin_mm")
    side = r.number(data, "square_mm", "target.charuco", None, 1, 200)
    marker = r.number(data, "marker_mm", "target.charuco", None, 0.5, 200)
    if squares is None or origin is None:
        return None
    return Charuco((int(squares[0]), int(squares[1])), side, marker, (float(origin[0]), float(origin[1])))


def _geometry(r: _Reader, data: Mapping[str, Any]) -> Geometry | None:
    r.unknown(data, {f.name for f in fields(Geometry)}, "geometry")
    limits = {
        "rim_diameter_mm": (5, 500),
        "tip_from_axis_mm": (0, 100),
        "edge_break_mm": (0, 5),
        "edge_break_u_mm": (0.01, 5),
        "rim_flatness_mm": (0, 2),
        "card_lean_u_deg": (0.05, 20),
        "lever_width_mm": (0.2, 50),
        "rim_diameter_u_mm": (0, 5),
    }
    values = {}
    for f in fields(Geometry):
        low, high = limits[f.name]
        default = None if f.name == "rim_diameter_mm" else float(f.default)  # type: ignore[arg-type]
        values[f.name] = r.number(data, f.name, "geometry", default, low, high)
    return Geometry(**values)
