"""Measuring rendered scenes whose truth is exact, and refusing those that carry no value."""

import io
from contextlib import nullcontext
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.vision.render import World, render, setup_table
from vision import (
    Measurement,
    Photo,
    Refusal,
    adjust,
    closer,
    load_photo,
    measure,
    measuring,
    overlay,
    rim,
    setup_from_mapping,
    tip,
    to_json,
)
from vision.model import Array, Pixels
from vision.rim import Rim


def photo_of(world: World) -> Photo:
    return Photo(render(world), "0" * 64)


def measured(world: World, **target: object) -> Measurement | Refusal:
    return measure(photo_of(world), setup_from_mapping(setup_table(world, **target)))


def must(world: World, **target: object) -> Measurement:
    got = measured(world, **target)
    assert isinstance(got, Measurement), got
    return got


BASE = World(height=3.2)
CASES = [
    BASE,
    replace(BASE, height=0.8, elevation=7, yaw=-8),
    replace(BASE, height=3.4, layout="arch", distance=160, offset=4.0),
    replace(BASE, height=2.6, layout="single", elevation=3.5),
    replace(BASE, distortion=(-0.12, 0.02, 0, 0, 0), case=(150, 70, 40), blur=1.2, noise=3),
    replace(BASE, height=3.0, elevation=1.0, case=(50, 52, 55)),
]


@pytest.mark.parametrize("world", CASES, ids=range(len(CASES)))
def test_known_heights_come_back(world: World) -> None:
    got = must(world)
    assert abs(got.value_mm - world.height) <= 1.5 * got.expanded_mm  # k = 3: one in 370 lies outside
    assert abs(got.value_mm - world.height) < 0.2
    assert got.expanded_mm < 0.6
    assert got.k == 2.0


def test_the_budget_adds_up() -> None:
    got = must(BASE)
    total = 2 * float(np.sqrt(sum(c.contribution_mm**2 for c in got.budget)))
    assert got.expanded_mm == pytest.approx(total)
    for c in got.budget:
        assert c.contribution_mm == pytest.approx(abs(c.sensitivity) * c.u)


def test_of_rim_and_target_is_stated_what_they_err_by_not_how_carefully_they_are_weighed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = must(BASE)
    monkeypatch.setattr(rim, "_ERRS", 1.0)
    carefully = must(BASE)
    assert now.value_mm == carefully.value_mm
    for less, more in zip(now.budget, carefully.budget, strict=True):
        share = 0.65 if less.source.startswith("rim and target edges") else 1.0
        assert less.contribution_mm == pytest.approx(share * more.contribution_mm), less.source


def test_same_picture_same_answer() -> None:
    photo, setup = photo_of(BASE), setup_from_mapping(setup_table(BASE))
    assert to_json(measure(photo, setup)) == to_json(measure(photo, setup))


def test_depth_offset_is_corrected() -> None:
    """A card d behind the lever at distance D makes a plain scale wrong by d/D; here that is 0.1 mm of 4."""
    world = replace(BASE, offset=5.0, height=4.0)
    right = must(world)
    assert abs(right.value_mm - 4.0) < 0.15


def test_below_the_rim_is_an_answer() -> None:
    got = must(replace(BASE, height=-0.8, elevation=9, tip_y=-1))
    assert got.value_mm < 0
    assert "not_above_rim" in {f.id for f in got.flags}


def test_far_below_the_rim_another_part_of_the_inside_is_not_taken_for_a_tip() -> None:
    world = replace(BASE, height=-3.6, elevation=15, tip_y=-1)
    got = measured(world)
    assert isinstance(got, Refusal)
    assert (got.reason, got.pixels.tip is None) == ("lever_hidden", False)
    assert "3." in got.sentence
    pointed = measure(photo_of(world), setup_from_mapping(setup_table(world)), points={"tip": [tuple(got.pixels.tip)]})  # type: ignore[arg-type]
    assert isinstance(pointed, Measurement)
    assert pointed.value_mm == pytest.approx(-3.6, abs=pointed.expanded_mm)
    must(replace(world, height=-1.5))


def refused(world: World, reason: set[str], **target: object) -> None:
    got = measured(world, **target)
    assert isinstance(got, Refusal), f"measured {got.value_mm}"
    assert got.reason in reason
    assert got.sentence.count(".") >= 2


def test_no_target() -> None:
    world = replace(BASE, ids=(7, 23, 31, 42))
    photo = Photo(
        np.full((960, 1280, 3), 140, np.uint8) + np.random.default_rng(1).integers(0, 60, (960, 1280, 3), np.uint8), ""
    )
    got = measure(photo, setup_from_mapping(setup_table(world)))
    assert isinstance(got, Refusal)
    assert got.reason == "no_target"


def test_other_target() -> None:
    other = replace(BASE, ids=(1, 2, 3, 4))
    got = measure(photo_of(BASE), setup_from_mapping(setup_table(other)))
    assert isinstance(got, Refusal)
    assert got.reason == "not_this_target"


def test_blurred() -> None:
    refused(replace(BASE, blur=9.0), {"blurred"})


def test_wrong_depth_claim() -> None:
    for wrong in (-16.0, 18.0):
        refused(replace(BASE, offset=0.0), {"wrong_depth"}, depth_offset_mm=wrong)


@pytest.mark.parametrize("side", [-1, 1])
def test_a_lever_may_stand_off_the_axis_as_far_as_the_setup_says_and_its_uncertainty_more(side: int) -> None:
    setup = setup_from_mapping(setup_table(BASE))
    found = measuring.find_rim(photo_of(BASE), setup)
    assert isinstance(found, Rim)
    y, u = -setup.target.depth_offset_mm, 1.6
    q, covariance = found.q.copy(), found.covariance.copy()
    covariance[7, 7] = u**2
    for off, refuses in ((0.5 * u, False), (1.5 * u, True)):
        q[7] = y + side * (setup.geometry.tip_from_axis_mm + off)
        with pytest.raises(measuring._Refused, match="wrong_depth") if refuses else nullcontext():
            measuring._check_rim(replace(found, q=q, covariance=covariance), y, setup, Pixels())


@pytest.mark.parametrize(
    ("world", "low", "hidden", "looks"),
    [
        pytest.param(BASE, 0.0, False, 1, id="as expected"),
        pytest.param(BASE, 0.6, False, 2, id="elsewhere"),
        pytest.param(replace(BASE, elevation=1.0), 0.0, False, 2, id="level"),
        pytest.param(BASE, 0.0, True, 2, id="one side"),
    ],
)
def test_a_rim_is_looked_at_again_where_it_lay_elsewhere_or_level_or_lacks_a_side(
    monkeypatch: pytest.MonkeyPatch, world: World, low: float, hidden: bool, looks: int
) -> None:
    """Expected ``low`` mm too low, or with its left side ``hidden``, it is found where it is."""
    far = 0
    solve, follow, choose = adjust.solve, closer.follow, rim.sides.choose

    def solved(q: Array, p: adjust.Problem, free: Any, **coarse: float) -> Array:
        q = solve(q, p, free, **coarse)
        if coarse:
            q[8] -= low
        return q

    def followed(*args: Any) -> closer.Course:
        nonlocal far
        far += not args[-1]
        return follow(*args)

    def chosen(*args: Any) -> adjust.Problem:
        p = choose(*args)
        return replace(p, left=p.left[:0]) if hidden else p

    monkeypatch.setattr(adjust, "solve", solved)
    monkeypatch.setattr(closer, "follow", followed)
    monkeypatch.setattr(rim.sides, "choose", chosen)
    got = must(world)
    assert far == looks
    assert abs(got.value_mm - world.height) <= 1.5 * got.expanded_mm


def test_too_oblique() -> None:
    refused(replace(BASE, elevation=35), {"too_oblique"})
    refused(replace(BASE, yaw=38, distance=400, span=300, size=(1920, 1440)), {"too_oblique", "blurred"})


def test_it_is_the_case_that_must_not_be_seen_from_the_side() -> None:
    near = replace(BASE, layout="single", distance=170)
    refused(replace(near, yaw=30), {"too_oblique"})  # the card, on that side, is seen nearly straight
    got = must(replace(near, yaw=-20))  # the card is seen 33 degrees from the side
    assert abs(got.value_mm - near.height) < got.expanded_mm


def test_no_lever() -> None:
    refused(replace(BASE, lever=False, elevation=7), {"lever_hidden"})


def test_a_lever_of_which_the_classes_see_nothing_is_found_along_the_rim(monkeypatch: pytest.MonkeyPatch) -> None:
    found = []
    classes = tip._in_classes
    monkeypatch.setattr(tip, "_in_classes", lambda *args: found.append(classes(*args)) or found[-1])
    sliver = replace(BASE, height=-0.1, elevation=1.5, lever_width=3.0, metal=(150, 150, 148))
    got = must(sliver)
    assert found == [None]
    assert abs(got.value_mm - sliver.height) < 0.15
    seen = must(BASE)
    monkeypatch.setattr(tip, "_in_classes", lambda *args: None)
    again = must(BASE)
    assert again.value_mm == pytest.approx(seen.value_mm, abs=0.06)
    assert again.expanded_mm < 1.3 * seen.expanded_mm
    refused(replace(BASE, lever=False, elevation=2), {"lever_hidden"})


def test_a_tip_that_hardly_shows_is_no_measurement(monkeypatch: pytest.MonkeyPatch) -> None:
    find = tip.find

    def vague(*args: Any) -> tip.Tip | None:
        found = find(*args)
        return None if found is None else replace(found, told_mm=0.55)

    monkeypatch.setattr(tip, "find", vague)
    refused(BASE, {"tip_doubtful"})


def test_a_rim_whose_land_would_end_outside_the_case_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    fit = rim.fit

    def wider(over_mm: float) -> None:
        def fitted(*args: Any) -> Rim | None:
            found = fit(*args)
            if found is not None:
                found.q[adjust.INNER] = BASE.radius + over_mm
            return found

        monkeypatch.setattr(rim, "fit", fitted)

    wider(0.1)
    refused(BASE, {"rim_hidden"})
    wider(-0.1)
    must(BASE)


def with_another(world: World, columns: int) -> Photo:
    """A lever, and so many columns of another part of its metal that stands behind it and higher."""
    other = replace(world, tip_x=6.0, height=3.2)
    none, right = (render(replace(other, lever=on)) for on in (False, True))
    differs = np.abs(right.astype(int) - none).max(2) > 2
    first = int(np.flatnonzero(differs.any(0))[0])
    differs[:, first + columns :] = False
    return Photo(np.where(differs[..., None], right, render(world)), "")


TWO = replace(BASE, noise=0.0, tip_x=-5.0, height=1.5, elevation=7)


def test_of_two_things_that_may_be_the_lever_a_person_must_say_which() -> None:
    photo, setup = with_another(TWO, 1000), setup_from_mapping(setup_table(TWO))
    got = measure(photo, setup)
    assert isinstance(got, Refusal)
    assert got.reason == "tip_doubtful"
    assert "Two things" in got.sentence
    top = tuple(TWO.project(TWO.lever_corners()[:4].mean(0))[0])
    got = measure(photo, setup, points={"tip": [top]})
    assert isinstance(got, Measurement)
    assert abs(got.value_mm - TWO.height) < got.expanded_mm
    assert isinstance(measure(Photo(render(TWO), ""), setup), Measurement), "one of them alone is measured"


def test_of_a_smaller_thing_that_may_be_the_lever_a_person_is_told() -> None:
    flags = {}
    for columns in (0, 12):
        got = measure(with_another(TWO, columns), setup_from_mapping(setup_table(TWO)))
        assert isinstance(got, Measurement)
        assert abs(got.value_mm - TWO.height) < got.expanded_mm
        flags[columns] = "another_like_it" in {f.id for f in got.flags}
    assert flags == {0: False, 12: True}


def test_other_aspect_is_another_camera() -> None:
    table = setup_table(BASE)
    table["camera"]["image_size_px"] = [1280, 720]
    got = measure(photo_of(BASE), setup_from_mapping(table))
    assert isinstance(got, Refusal)
    assert got.reason == "camera_unknown"


def test_half_resolution_is_the_same_camera() -> None:
    rgb = cv2.resize(render(BASE), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    got = measure(Photo(rgb, ""), setup_from_mapping(setup_table(BASE)))
    assert isinstance(got, Measurement)
    assert abs(got.value_mm - BASE.height) < 0.3


def test_exif_rotated_file_measures_the_same() -> None:
    image = Image.fromarray(render(BASE))
    exif = Image.Exif()
    exif[0x0112] = 6
    out = io.BytesIO()
    image.transpose(Image.Transpose.ROTATE_90).save(out, "PNG", exif=exif)
    setup = setup_from_mapping(setup_table(BASE))
    a, b = measure(load_photo(out.getvalue()), setup), measure(photo_of(BASE), setup)
    assert isinstance(a, Measurement)
    assert isinstance(b, Measurement)
    assert a.value_mm == pytest.approx(b.value_mm, abs=1e-6)


def test_overlay_and_json_of_both_answers() -> None:
    photo, setup = photo_of(BASE), setup_from_mapping(setup_table(BASE))
    no = measure(Photo(np.full((960, 1280, 3), 90, np.uint8), ""), setup)
    for answer in (measure(photo, setup), no):
        drawn = overlay(photo, answer, limits=(1.0, 3.0))
        assert Image.open(io.BytesIO(drawn)).format == "JPEG"
        assert to_json(answer)["outcome"] in ("measured", "refused")


def test_a_refusal_shows_what_looked_most_like_the_tip() -> None:
    photo = Photo(np.full((480, 640, 3), 90, np.uint8), "")
    answers = [Refusal("tip_doubtful", "Not told.", Pixels(tip=tip)) for tip in (None, np.array([400.0, 120.0]))]
    without, marked = (np.asarray(Image.open(io.BytesIO(overlay(photo, a))), int) for a in answers)
    differ = np.abs(marked - without).max(2) > 60
    assert differ[100:140, 380:430].sum() > 60
    differ[100:140, 380:430] = False
    assert not differ.any()
