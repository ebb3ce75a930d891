"""Measures how far a lever's tip stands above a case's rim, from one calibrated photograph.

>>> from vision import load_photo, load_setup, measure
>>> result = measure(load_photo("IMG_0042.jpg"), load_setup("bench.toml"))  # doctest: +SKIP

What this room offers is loaded when it is first used, so that importing it costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vision.assisted import measure_at
    from vision.burst import Burst, burst_json, measure_burst
    from vision.calibration import Board, calibrate
    from vision.drawing import overlay
    from vision.errors import CalibrationError, PhotoError, PointsError, SetupError, VisionError
    from vision.measuring import measure
    from vision.model import (
        Camera,
        Charuco,
        Component,
        Flag,
        Geometry,
        Measurement,
        Photo,
        Pixels,
        Refusal,
        Setup,
        Target,
    )
    from vision.photo import load_photo
    from vision.report import to_json
    from vision.setups import load_setup, setup_from_mapping

_WHERE = {
    **dict.fromkeys(
        [
            "Camera",
            "Charuco",
            "Component",
            "Flag",
            "Geometry",
            "Measurement",
            "Photo",
            "Pixels",
            "Refusal",
            "Setup",
            "Target",
        ],
        "model",
    ),
    **dict.fromkeys(["CalibrationError", "PhotoError", "PointsError", "SetupError", "VisionError"], "errors"),
    "load_photo": "photo",
    "load_setup": "setups",
    "setup_from_mapping": "setups",
    "measure": "measuring",
    "measure_at": "assisted",
    **dict.fromkeys(["Burst", "burst_json", "measure_burst"], "burst"),
    "overlay": "drawing",
    "to_json": "report",
    "calibrate": "calibration",
    "Board": "calibration",
}

__all__ = [
    "Board",
    "Burst",
    "CalibrationError",
    "Camera",
    "Charuco",
    "Component",
    "Flag",
    "Geometry",
    "Measurement",
    "Photo",
    "PhotoError",
    "Pixels",
    "PointsError",
    "Refusal",
    "Setup",
    "SetupError",
    "Target",
    "VisionError",
    "burst_json",
    "calibrate",
    "load_photo",
    "load_setup",
    "measure",
    "measure_at",
    "measure_burst",
    "overlay",
    "setup_from_mapping",
    "to_json",
]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'vision' has no attribute '{name}'")
    value = getattr(import_module(f"vision.{_WHERE[name]}"), name)
    globals()[name] = value
    return value
