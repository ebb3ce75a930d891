"""Joins the procedure's photo views with the vision room: which setup measures which view."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from capture.bench.session import Looked
from capture.errors import UsageError
from capture.judge.entry import PhotoResult

if TYPE_CHECKING:
    from capture.procedure.model import PhotoView, Procedure
    from vision import Photo, Setup

_RIM_TOLERANCE_MM = 0.5


class SetupMeasurer:
    """Measures a picture with the setup that belongs to its view.

    Values are told to 0.01 mm, uncertainties rounded up to it; the measurement beside them keeps all digits.

    Args:
        procedure: whose photo views may be asked for.
        setups: view id -> setup file.

    Raises:
        UsageError: a view is unknown, or a setup's case is not the procedure's.
        vision.errors.VisionError: a setup file is wrong.
    """

    def __init__(self, procedure: Procedure, setups: Mapping[str, Path]) -> None:
        from vision import load_setup

        self._procedure = procedure
        known = {view.id for view in procedure.photos}
        for view in setups:
            if view not in known:
                raise UsageError(f"setup for '{view}': no such photo view; known are {', '.join(sorted(known))}")
        self._setups: dict[str, Setup] = {view: load_setup(path) for view, path in setups.items()}
        for view, setup in self._setups.items():
            _same_case(procedure.photo(view), setup, setups[view])

    def __call__(
        self,
        data: bytes,
        view: str,
        points: Mapping[str, Sequence[tuple[float, float]]] | None = None,
        *,
        more: Sequence[bytes] = (),
        shown: float = 1.0,
    ) -> Looked:
        """Measure one picture; every failure is an answer with its reason.

        Args:
            data: the picture file.
            view: the procedure's photo view.
            points: what a person set, ``tip`` and ``rim`` (see ``vision.measure_at``).
            more: other frames of the same view, combined with it (see ``vision.measure_burst``).
            shown: pixels of the picture to one of the screen on which the points were set.
        """
        from vision import Refusal, burst_json, load_photo, measure_at, measure_burst, overlay, to_json
        from vision.burst import combine
        from vision.errors import PointsError, VisionError

        setup = self._setups.get(view)
        if self._procedure.photo(view).measures is None:
            return Looked(
                PhotoResult(view, "not_measured", sentence="Kept as a picture; nothing is measured on it."), None
            )
        if setup is None:
            sentence = "No measuring setup was given for this view; give one with --setup and measure again."
            return Looked(PhotoResult(view, "not_measured", reason="no_setup", sentence=sentence), None)
        try:
            photo = load_photo(data)
        except VisionError as error:
            return Looked(PhotoResult(view, "not_measured", reason="unreadable", sentence=str(error)), None)
        if points:
            tip = points.get("tip", ())
            try:
                at = measure_at(photo, setup, tip=tip[0] if tip else None, rim=points.get("rim", ()), shown=shown)
            except PointsError as error:
                sentence = str(error)
                return Looked(PhotoResult(view, "refused", reason="points_unusable", sentence=sentence), None)
            burst = combine([at])
        else:
            burst = measure_burst(_frames(photo, more), setup)
        result = burst.result
        drawn = overlay(_shown(photo, more, result.photo_sha256), result)
        facts = burst_json(burst) if more else to_json(result)
        if isinstance(result, Refusal):
            refused = PhotoResult(view, "refused", reason=result.reason, sentence=result.sentence, measurement=facts)
            return Looked(refused, drawn)
        flags = tuple((flag.id, flag.sentence) for flag in result.flags)
        value, expanded = round(result.value_mm, 2), math.ceil(result.expanded_mm * 100) / 100
        return Looked(PhotoResult(view, "measured", value, expanded, flags=flags, measurement=facts), drawn)


def _frames(photo: Photo, more: Sequence[bytes]) -> Iterator[Photo]:
    """The picture and the other frames of its burst, each decoded when its turn comes, without what cannot be."""
    from vision import PhotoError, load_photo

    yield photo
    for data in more:
        with suppress(PhotoError):
            yield load_photo(data)


def _shown(photo: Photo, more: Sequence[bytes], digest: str) -> Photo:
    """The frame of this hash, on which the result is drawn."""
    from vision import load_photo

    return next((load_photo(data) for data in more if sha256(data).hexdigest() == digest), photo)


def _same_case(view: PhotoView, setup: Setup, path: Path) -> None:
    wanted, given = view.rim_diameter_mm, setup.geometry.rim_diameter_mm
    if wanted is not None and abs(float(wanted) - given) > _RIM_TOLERANCE_MM:
        raise UsageError(
            f"{path}: the rim is {given} mm across, the procedure's view '{view.name}' has {wanted} mm; "
            "measure the case and correct the one that is wrong"
        )
