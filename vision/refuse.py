"""Why a picture is not measured: stable reasons, each with one sentence that can be spoken."""

from __future__ import annotations

from vision.model import Pixels, Refusal

REASONS: dict[str, tuple[str, str]] = {
    "no_target": (
        "No printed target is seen.",
        "Put the whole card into the picture, beside the case, and take it again.",
    ),
    "not_this_target": (
        "The card in the picture is not the one the setup describes.",
        "Use the card that belongs to the setup, or give the setup that belongs to the card.",
    ),
    "blurred": ("The picture is blurred.", "Rest the camera, focus on the rim and take it again."),
    "dark": ("The picture has too little contrast.", "Give more light and take it again."),
    "overexposed": ("The picture is overexposed.", "Take the light away from the lens and take it again."),
    "wrong_depth": (
        "The target does not stand where the setup says.",
        "Put the card at its marked distance from the lever and take it again.",
    ),
    "too_oblique": ("The view is too oblique.", "Hold the camera level with the rim, straight before the card."),
    "rim_hidden": (
        "The case's rim cannot be followed.",
        "Clear what hides the rim, put a plain background behind it and take it again.",
    ),
    "lever_hidden": (
        "No lever tip is seen near the middle of the case.",
        "Raise the camera a little over the rim until the tip is seen, and take it again.",
    ),
    "tip_doubtful": (
        "The lever's tip cannot be told for certain.",
        "Raise the camera a little, put a plain background behind the lever and take it again.",
    ),
    "camera_unknown": (
        "The camera of the setup did not take this picture.",
        "Use the calibrated camera at its full resolution, or calibrate this one.",
    ),
}


def refusal(reason: str, found: str | None = None, pixels: Pixels | None = None) -> Refusal:
    """The refusal for ``reason``; ``found`` replaces the general statement by what was seen in this picture."""
    what, todo = REASONS[reason]
    says = what if found is None else f"{what} {found}"
    return Refusal(reason, f"{says} {todo}", pixels or Pixels())
