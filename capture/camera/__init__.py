"""Where pictures come from: a webcam, a folder that a phone or microscope writes to, or a file that somebody gives.

::

    FrameSource ── frames ──► take() ──► Shot ──► the live job, calibrating
    Watch ── complete new files ─────────┘
"""

from capture.camera.opening import open_camera
from capture.camera.shots import Frame, FrameSource, Shot, take
from capture.camera.watch import Watch

__all__ = ["Frame", "FrameSource", "Shot", "Watch", "open_camera", "take"]
