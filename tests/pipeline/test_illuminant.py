"""The light of an advert's photos: measured reflectances under the CIE's daylights, and plain least squares."""

from __future__ import annotations

import colour as reference
import numpy as np
import pytest

from pipeline.colorimetry import Floats
from pipeline.colour import colour_settings
from pipeline.illuminant import CommonLight, PhotoColours, common_light

SETTINGS = colour_settings().illuminant
# Reflectances measured by N. Ohta (1997) and the CIE's illuminants, as the library colour-science ships them.
PATCHES = reference.SDS_COLOURCHECKERS["ColorChecker N Ohta"]
PAINT, OTHER, GREY = PATCHES["foliage"], PATCHES["blue flower"], PATCHES["neutral 5 (.70 D)"]
OBSERVER, SHAPE = reference.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"], reference.SpectralShape(380, 730, 5)
LIGHTS = ("D65", "D55", "D50", "D75", "D60")


def seen(patch: reference.SpectralDistribution, light: str) -> np.ndarray:
    """ln R/G and ln B/G of a patch in a camera that is set to D65 and shows linear sRGB."""
    surface, lamp, observer = (one.copy().align(SHAPE) for one in (patch, reference.SDS_ILLUMINANTS[light], OBSERVER))
    xyz = reference.sd_to_XYZ(surface, observer, lamp, method="Integration") / 100
    red, green, blue = reference.XYZ_to_sRGB(xyz, apply_cctf_encoding=False)
    return np.array([np.log(red / green), np.log(blue / green)])


def fitted(photos: list[PhotoColours], **changes: float) -> CommonLight:
    light = common_light(photos, SETTINGS.model_copy(update=changes))
    assert light is not None
    return light


def doubt_of_common(light: CommonLight) -> float:
    return float(np.sqrt(light.covariance[1, 1]))


def doubt_of_photos(light: CommonLight) -> Floats:
    """Standard uncertainty (n,) of common light and own light together: the variance of a sum."""
    own = np.s_[2 : 2 + len(light.photos)]
    variances = np.diag(light.covariance)
    return np.asarray(np.sqrt(variances[1] + variances[own] + 2 * light.covariance[1, own]))


def test_the_body_tells_how_the_light_of_one_photo_differs_from_the_next() -> None:
    """No photo shows a neutral surface; what is known of the lights is the grey patch under each."""
    light = fitted([PhotoColours(body=seen(PAINT, name)) for name in LIGHTS])
    true = np.array([seen(GREY, name) for name in LIGHTS])
    found, true = light.photos - light.photos.mean(axis=0), true - true.mean(axis=0)
    assert np.abs(true).max() > 0.15
    assert np.abs(found - true).max() < 0.08  # five photos: a share stays with their errors
    assert (doubt_of_photos(light) > np.abs(found - true).max()).all()


def test_a_neutral_surface_in_some_photos_tells_the_light_of_all() -> None:
    shown = [PhotoColours(seen(PAINT, name), {"tyre": seen(GREY, name)} if name == "D50" else {}) for name in LIGHTS]
    some, none = fitted(shown), fitted([PhotoColours(body=photo.body) for photo in shown])
    for k, name in enumerate(LIGHTS):
        off = np.abs(some.photos[k] - seen(GREY, name))
        assert (off < 2 * doubt_of_photos(some)[k]).all()
    assert doubt_of_common(some) < doubt_of_common(none)
    assert (doubt_of_photos(some) < doubt_of_photos(none)).all()


@pytest.mark.parametrize("light", ["D50", "D75"])
def test_a_place_in_a_photo_without_body_and_neutral_is_told_by_the_common_light(light: str) -> None:
    """The same paint and another one, each alone in a photo, against the body in the others."""
    bodies = [PhotoColours(seen(PAINT, name), {"tyre": seen(GREY, name)}) for name in LIGHTS]
    own, other = (fitted([*bodies, PhotoColours(places={"bulkhead": seen(patch, light)})]) for patch in (PAINT, OTHER))
    doubt = float(np.sqrt(own.variance_against_paint("bulkhead")))
    assert np.abs(own.places["bulkhead"] - own.paint).max() < 2 * doubt
    assert np.abs(other.places["bulkhead"] - other.paint).max() > 2 * doubt
    helped = fitted([*bodies, PhotoColours(None, {"tyre": seen(GREY, light)}, {"bulkhead": seen(PAINT, light)})])
    assert helped.variance_against_paint("bulkhead") < own.variance_against_paint("bulkhead")


def test_without_tails_and_learning_it_is_least_squares() -> None:
    """numpy's lstsq on the same equations, and one more for each unknown: it is 0 within its deviation."""
    rng = np.random.default_rng(3)
    body, tyre, place = rng.normal(0, 0.3, (3, 2)), rng.normal(0, 0.2, 2), rng.normal(0, 0.3, 2)
    photos = [PhotoColours(one) for one in body[:2]] + [PhotoColours(body[2], {"tyre": tyre}, {"floor": place})]
    light = fitted(photos, freedom=1e12, known=1e12)
    #                   paint, common, own 1, 2, 3, floor
    rows = np.array(
        [[1, 1, 1, 0, 0, 0], [1, 1, 0, 1, 0, 0], [1, 1, 0, 0, 1, 0], [0, 1, 0, 0, 1, 0], [0, 1, 0, 0, 1, 1]]
    )
    values = np.concatenate([body, [tyre], [place], np.zeros((6, 2))])
    seen_by = [SETTINGS.body] * 3 + [SETTINGS.neutrals["tyre"], SETTINGS.place]
    deviations = np.array([*seen_by, SETTINGS.paint, SETTINGS.common, *[SETTINGS.photo] * 3, SETTINGS.paint])[:, None]
    system = np.concatenate([rows, np.eye(6)]) / deviations
    solution = np.linalg.lstsq(system, values / deviations, rcond=None)[0]
    assert light.paint == pytest.approx(solution[0])
    assert light.photos == pytest.approx(solution[1] + solution[2:5])
    assert light.places["floor"] == pytest.approx(solution[5])
    assert light.covariance == pytest.approx(np.linalg.inv(system.T @ system))


def test_one_photo_in_another_light_moves_the_paint_by_little() -> None:
    usual = [PhotoColours(seen(PAINT, name)) for name in LIGHTS]
    odd = PhotoColours(seen(PAINT, "A"))  # a filament lamp
    moved, without_tails = (
        np.abs(fitted([*usual, odd], **how).paint - fitted(usual, **how).paint).max() for how in ({}, {"freedom": 1e12})
    )
    assert moved < np.abs(seen(PAINT, "A") - seen(PAINT, "D65")).max() / 6  # its share in a mean
    assert moved < 0.7 * without_tails


def test_lights_that_scatter_make_what_stands_alone_less_sure() -> None:
    alone = PhotoColours(places={"floor": np.zeros(2)})
    calm, wild = (
        fitted([*(PhotoColours(np.array([k * step, -k * step])) for k in range(-3, 4)), alone]) for step in (0.01, 0.2)
    )
    assert wild.variance_against_paint("floor") > 2 * calm.variance_against_paint("floor")


def test_without_the_body_there_is_nothing_to_tie_photos_together_by() -> None:
    assert common_light([PhotoColours(neutrals={"tyre": np.zeros(2)})], SETTINGS) is None
    assert common_light([], SETTINGS) is None
