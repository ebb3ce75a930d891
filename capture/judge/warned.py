"""Every warning that the judge can give: one table, and the one way of making them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from capture.judge.entry import Severity, Warned


@dataclass(frozen=True)
class WarningKind:
    """A kind of warning. ``severity``: ``stop`` the unit must not leave as it is; ``warning`` somebody must look into
    it; ``notice`` good to know. ``meaning`` says when it is given."""

    id: str
    severity: Severity
    title: str
    meaning: str


_TABLE: tuple[WarningKind, ...] = (
    WarningKind(
        "out_of_limits", "stop", "Out of limits",
        "The value fails its limit at this stage by the reading's decision rule.",
    ),
    WarningKind(
        "guard_band", "warning", "Undecided",
        "The value lies closer to a limit than its uncertainty: neither pass nor fail is proven.",
    ),
    WarningKind(
        "implausible", "warning", "Implausible",
        "The value lies outside what this reading can sensibly be; most likely it was misheard or misread.",
    ),
    WarningKind(
        "missing_at_stage_end", "warning", "Missing",
        "A stage ended, or the job ended without it, and something it needs is not on record or not confirmed.",
    ),
    WarningKind(
        "out_of_order", "warning", "Out of order",
        "Something was done before what must come first, or a stage was skipped.",
    ),
    WarningKind(
        "no_stage", "warning", "No stage",
        "Something was done before any stage was begun, so no limit or budget could be applied.",
    ),
    WarningKind(
        "turn_budget", "stop", "Turned too far",
        "A counter was moved further or more often than this stage allows, or while its budget was locked.",
    ),
    WarningKind(
        "unexpected_change", "warning", "Unexpected change",
        "The difference of a reading between two stages is not the expected one, even allowing for uncertainty.",
    ),
    WarningKind(
        "unexpected_rate", "warning", "Unexpected change per turn",
        "A reading did not change with the turns made as expected, even allowing for uncertainty.",
    ),
    WarningKind(
        "repeat_differs", "stop", "Repeat differs",
        "A repeated measurement does not agree with the first one, even allowing for uncertainty.",
    ),
    WarningKind(
        "photo_disagrees", "warning", "Photo disagrees",
        "The spoken and the photographed value of one stage differ by more than their combined uncertainty.",
    ),
    WarningKind(
        "photo_refused", "warning", "Photo not measured",
        "A picture that should have been measured could not be.",
    ),
    WarningKind(
        "photo_doubtful", "notice", "Photo with reservations",
        "The measurement of a picture has reservations of its own.",
    ),
    WarningKind(
        "photo_unasked", "warning", "Photo unasked",
        "A picture came in that nobody had asked for.",
    ),
    WarningKind(
        "photo_awaited", "warning", "Photo did not come",
        "A stage ended and a picture that was asked for is not on record.",
    ),
    WarningKind(
        "instrument_missing", "warning", "Instrument not named",
        "The gauge behind a reading, or its number or its calibration date, is not on record.",
    ),
    WarningKind(
        "instrument_overdue", "stop", "Calibration overdue",
        "The gauge's calibration was due before the day it was used.",
    ),
    WarningKind(
        "part_left_over", "stop", "Part left over",
        "A part of the kit is not on record as fitted.",
    ),
    WarningKind(
        "part_missing", "stop", "Part missing",
        "An old part is not accounted for, or more old parts came out than new ones went in.",
    ),
    WarningKind(
        "part_too_many", "warning", "More parts than in the kit",
        "More parts are on record as fitted than the kit holds.",
    ),
    WarningKind(
        "lot_missing", "warning", "Lot not said",
        "A part whose lot must be on record was fitted without it.",
    ),
    WarningKind(
        "check_not_good", "stop", "Check not good",
        "A check was answered otherwise than it should be.",
    ),
    WarningKind(
        "identity_differs", "stop", "Another unit?",
        "The unit's identity was said differently before in the same job.",
    ),
    WarningKind(
        "words_doubtful", "warning", "Words doubtful",
        "The words may have been misheard or may mean something else.",
    ),
    WarningKind(
        "unit_assumed", "notice", "Unit assumed",
        "No unit was said; the procedure's own was taken.",
    ),
    WarningKind(
        "corrected_after_sign_off", "stop", "Changed after sign-off",
        "An entry was corrected or withdrawn after somebody had signed.",
    ),
    WarningKind(
        "same_person", "stop", "Same person signed twice",
        "Two roles that must be held by different persons were signed by the same one.",
    ),
    WarningKind(
        "signer_unknown", "warning", "Signer unknown",
        "A role was signed and nobody's name is known for it.",
    ),
    WarningKind(
        "role_unsigned", "notice", "Not signed",
        "The job ended and a role has not signed.",
    ),
    WarningKind(
        "media_missing", "warning", "No proof kept",
        "The sound or picture that should prove an entry could not be kept.",
    ),
    WarningKind(
        "clock_jumped", "warning", "Clock jumped",
        "The wall clock moved otherwise than the time that really passed, or backwards.",
    ),
)  # fmt: skip

WARNINGS: Mapping[str, WarningKind] = MappingProxyType({kind.id: kind for kind in _TABLE})
"""All kinds of warnings by id, in the order of the table."""


def warned(id_: str, sentence: str, todo: str) -> Warned:
    """A warning of the kind ``id_`` with its two sentences; KeyError for a kind that is not in the table."""
    return Warned(id_, WARNINGS[id_].severity, sentence, todo)
