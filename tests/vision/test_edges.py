"""Edge positions: unbiased, as sharp as theory allows, and nowhere half a pixel off."""

import math

import numpy as np
import pytest

from vision.edges import coded, colour_profiles, erf, fit_edges, light, profiles, shrunk


def steps(x0: np.ndarray, blur: float, t: np.ndarray) -> np.ndarray:
    return np.array([[100 + 50 * math.erf((q - x) / (math.sqrt(2) * blur)) for q in t] for x in x0])


def test_erf_against_the_standard_library() -> None:
    x = np.linspace(-4, 4, 801)
    assert np.abs(erf(x) - np.array([math.erf(v) for v in x])).max() < 1.6e-7  # Abramowitz and Stegun 7.1.26


def test_noiseless_edges_come_back_exactly() -> None:
    x0, t = np.random.default_rng(1).uniform(-1, 1, 200), np.arange(-8, 8.1, 1.0)
    got = fit_edges(t, steps(x0, 1.3, t), np.zeros(200), 8.0)
    assert np.abs(got.offset - x0).max() < 1e-5
    assert np.abs(got.blur - 1.3).max() < 1e-4


def test_what_lies_beyond_reach_does_not_count() -> None:
    """Of rows whose windows lie apart, at a profile's very ends too."""
    start, t = np.array([-6.0, -1.0, 2.5, 6.0]), np.arange(-8, 8.1, 0.5)
    v = steps(start + 0.2, 1.0, t)
    alone = [float(fit_edges(t, v[k : k + 1], start[k : k + 1], 3.0).offset[0]) for k in range(4)]
    v[np.abs(t[None] - start[:, None]) > 3] = 1000.0
    assert np.abs(fit_edges(t, v, start, 3.0).offset - alone).max() < 1e-9


def test_edge_noise_reaches_the_known_bound() -> None:
    """Bound: sigma_x >= (noise / contrast) sqrt(2 sqrt(pi) blur)"""
    g, t = np.random.default_rng(2), np.arange(-8, 8.1, 1.0)
    x0 = g.uniform(-1, 1, 3000)
    v = steps(x0, 1.3, t) + g.normal(0, 2, (3000, len(t)))
    got = fit_edges(t, v, np.zeros(3000), 8.0)
    bound = 2 / 100 * math.sqrt(2 * math.sqrt(math.pi) * 1.3)
    sd = float(np.nanstd(got.offset - x0))
    assert bound * 0.97 < sd < bound * 1.25
    assert abs(float(np.nanmean(got.offset - x0))) < 4 * sd / math.sqrt(3000)


def test_flat_profiles_are_no_edges() -> None:
    g, t = np.random.default_rng(3), np.arange(-8, 8.1, 0.5)
    got = fit_edges(t, 100 + g.normal(0, 1, (50, len(t))), np.zeros(50), 6.0, min_step=8)
    assert not got.ok.any()


def area_edge(x0: float) -> np.ndarray:
    """A picture whose left part is dark up to x0, where pixel k covers k - 1/2 .. k + 1/2."""
    cover = np.clip(np.arange(60) + 0.5 - x0, 0, 1)
    return np.tile(40 + 160 * cover, (20, 1)).astype(np.float32)


def test_no_half_pixel_slip() -> None:
    for x0 in (29.5, 30.0, 30.25):
        grey = area_edge(x0)
        centre, direction = np.array([[30.0, 10.0]]), np.array([[1.0, 0.0]])
        t, v = profiles(grey, centre, direction, 6)
        e = fit_edges(t, v, np.zeros(1), 6.0, blur=0.6)
        assert abs(30 + float(e.offset[0]) - x0) < 0.08
        rgb = np.repeat(grey[..., None], 3, 2).astype(np.uint8)
        t, c = colour_profiles(rgb, centre, direction, 6)
        assert np.abs(c[..., 0] - v).max() < 1.01


def test_light_follows_the_standard_and_comes_back() -> None:
    """IEC 61966-2-1 (from memory): linear below 0.04045; half the coded range is 21.4 % of the light."""
    assert abs(light(np.array(127.5)) / 255 - 0.2140) < 1e-4
    assert abs(light(np.array(10.0)) - 10 / 12.92) < 1e-9
    values = np.arange(256.0)
    assert np.abs(coded(light(values)) - values).max() < 1e-3


def test_an_edge_blurred_in_light_is_found_in_light() -> None:
    t = np.arange(-8, 8.1, 1.0)
    shone = np.array([[5 + 90 * (1 + math.erf(q / (math.sqrt(2) * 1.5))) for q in t]])
    assert abs(float(fit_edges(t, light(coded(shone)), np.zeros(1), 8.0).offset[0])) < 1e-3
    assert float(fit_edges(t, coded(shone), np.zeros(1), 8.0).offset[0]) < -0.4


def test_profiles_in_light_are_those_of_the_whole_picture_in_light() -> None:
    """Also over the picture's border, where the outermost value repeats."""
    g = np.random.default_rng(4)
    grey = g.integers(0, 256, (60, 80)).astype(np.uint8)
    curve = light(np.arange(256.0)).astype(np.float32)
    centres, angles = np.array([[2.0, 3.0], [40.3, 30.7], [78.5, 58.0]]), g.uniform(0, 6.28, 3)
    directions = np.stack([np.cos(angles), np.sin(angles)], 1)
    for some in (slice(0, 1), slice(1, 2), slice(2, 3), slice(0, 3)):
        t, part = profiles(grey, centres[some], directions[some], 6, curve=curve)
        xy = centres[some, None] + t[:, None] * directions[some, None]
        x, y = np.clip(xy[..., 0], 0, 79), np.clip(xy[..., 1], 0, 59)
        i, j = np.minimum(y.astype(int), 58), np.minimum(x.astype(int), 78)
        fy, fx, lit = y - i, x - j, curve[grey]
        whole = (lit[i, j] * (1 - fx) + lit[i, j + 1] * fx) * (1 - fy)
        whole += (lit[i + 1, j] * (1 - fx) + lit[i + 1, j + 1] * fx) * fy
        assert np.abs(part - whole).max() < 0.5


@pytest.mark.parametrize("times", [1.3, 2.0, 3.1, 4.6, 9.7])
def test_a_picture_made_smaller_shows_the_same_at_the_same_places(times: float) -> None:
    """A slope is what it was where the small pixels' middles lie; with sides of odd length too."""
    high, wide = 101, 123
    y, x = np.mgrid[:high, :wide]
    small, exactly = shrunk(np.stack([2 * x, 2 * y, x + y], axis=-1).astype(np.uint8), times)
    assert np.abs(exactly / times - 1).max() < 0.05
    j, i = np.mgrid[: small.shape[0], : small.shape[1]]
    across, down = (i + 0.5) * exactly[0] - 0.5, (j + 0.5) * exactly[1] - 0.5
    for told, true in zip(np.moveaxis(small, -1, 0), (2 * across, 2 * down, across + down), strict=True):
        off = told[1:-1, 1:-1] - true[1:-1, 1:-1]
        assert abs(off.mean()) < 0.15
        assert np.abs(off).max() < 1.5


def test_a_picture_of_a_few_pixels_is_not_made_none() -> None:
    assert shrunk(np.zeros((2, 3, 3), np.uint8), 50.0)[0].shape == (2, 2, 3)
