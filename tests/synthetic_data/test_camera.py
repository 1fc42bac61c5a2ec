from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.records import SURFACES, ZONES
from synthetic_data.camera import (
    CameraSettings,
    Exposure,
    PhoneCamera,
    _set_black,
    add_sensor_noise,
    camera_settings,
    circle_of_confusion_mm,
    date_stamp,
    decode_srgb,
    defocus,
    develop,
    encode_jpeg,
    encode_srgb,
    exposure_program,
    grey_gains,
    hours_from_noon,
    illuminant_gains,
    illuminant_rgb,
    meter,
    noise_by_level,
    planckian_xy,
    sample_phone,
    suppress_fireflies,
    tone_curve,
)

colour = pytest.importorskip("colour")
SETTINGS = camera_settings()
PLAIN = PhoneCamera(focal_length_mm=5.6, f_number=1.8, sensor_width_mm=7.6, sensor_width_px=4000, full_well_e=1e9)


def calm() -> CameraSettings:
    """The settings without anything that is drawn anew for each photo."""
    return SETTINGS.model_copy(
        update={
            "metering": SETTINGS.metering.model_copy(update={"error_ev": 0.0, "gross_error_probability": 0.0}),
            "white_balance": SETTINGS.white_balance.model_copy(
                update={"error_mired": 0.0, "error_duv": 0.0, "gross_error_probability": 0.0}
            ),
            "shake": SETTINGS.shake.model_copy(update={"motion_probability": 0.0, "misfocus_probability": 0.0}),
        }
    )


def exposure(radiance: Any, **changes: Any) -> Exposure:
    height, width = radiance.shape[:2]
    mask = np.zeros((height, width), bool)
    mask[height // 4 : height // 2, width // 4 : width // 2] = True
    surface = np.where(mask, np.uint8(3), np.uint8(2))
    values = {
        "radiance": np.asarray(radiance, np.float32),
        "surface": surface,
        "zone": surface + np.uint8(1),
        "side": mask.astype(np.uint8),
        "cues": {"filler": mask},
        "depth_m": None,
        "focus_m": 1.0,
    }
    return Exposure(**{**values, **changes})


def picture(seed: int = 0, size: tuple[int, int] = (192, 256)) -> Any:
    small = np.random.default_rng(seed).uniform(0.02, 1.0, (12, 16, 3)).astype(np.float32)
    return np.maximum(cv2.resize(small, size[::-1], interpolation=cv2.INTER_CUBIC), 0.0)


# --- published values ---------------------------------------------------------------------------------------------


def test_srgb_curve_is_that_of_the_standard() -> None:
    # IEC 61966-2-1, as implemented by the library colour-science
    linear = np.linspace(0, 1, 201)
    assert encode_srgb(linear) == pytest.approx(colour.models.eotf_inverse_sRGB(linear), abs=1e-9)
    assert decode_srgb(encode_srgb(linear)) == pytest.approx(linear, abs=1e-9)
    assert tone_curve("plain", 1.0, 0.0) == pytest.approx(
        colour.models.eotf_inverse_sRGB(np.linspace(0, 1, 4096) ** 2), abs=1e-6
    )


@pytest.mark.parametrize("temperature_k", [1800, 2700, 3500, 4500, 6500, 9000, 15000])
def test_planckian_locus_is_that_of_planck_and_the_standard_observer(temperature_k: float) -> None:
    # independent route: Planck's law integrated against the CIE 1931 observer by the library colour-science
    spectrum = colour.sd_blackbody(temperature_k)
    wanted = colour.XYZ_to_xy(colour.sd_to_XYZ(spectrum))
    assert planckian_xy(temperature_k) == pytest.approx(wanted, abs=1.2e-3)
    assert planckian_xy(temperature_k) == pytest.approx(colour.temperature.CCT_to_xy_Kang2002(temperature_k), abs=1e-6)


def test_a_tint_leaves_the_locus_by_the_distance_asked_for() -> None:
    # Ohno 2013 (colour-science) measures CCT and Duv back from the chromaticity
    xyz = np.linalg.inv(np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]))
    for duv in (-0.006, 0.0, 0.008):
        uv = colour.UCS_to_uv(colour.XYZ_to_UCS(xyz @ illuminant_rgb(5000, duv)))
        cct, measured = colour.temperature.uv_to_CCT_Ohno2013(uv)
        assert cct == pytest.approx(5000, rel=0.01)
        assert measured == pytest.approx(duv, abs=6e-4)


def test_a_warm_error_makes_grey_warm_and_none_changes_nothing() -> None:
    assert illuminant_gains(0.0, 0.0) == pytest.approx(np.ones(3), abs=1e-3)
    warm, cool = illuminant_gains(40.0, 0.0), illuminant_gains(-40.0, 0.0)
    assert warm[0] > 1 > warm[2] and cool[0] < 1 < cool[2]


def test_circle_of_confusion_follows_the_thin_lens() -> None:
    # textbook lens equation 1/f = 1/d + 1/v: image distances of object and focus, similar triangles at the aperture
    f_mm, n = 6.0, 1.8
    for depth_m, focus_m in ((0.15, 0.3), (1.0, 0.3), (3.0, 0.25), (50.0, 2.0)):
        image_of_focus = 1 / (1 / f_mm - 1 / (focus_m * 1000))
        image_of_depth = 1 / (1 / f_mm - 1 / (depth_m * 1000))
        wanted = f_mm / n * abs(image_of_depth - image_of_focus) / image_of_depth
        assert float(circle_of_confusion_mm(depth_m, focus_m, f_mm, n)) == pytest.approx(wanted, rel=1e-9)
    infinite = float(circle_of_confusion_mm(math.inf, 0.3, f_mm, n))
    assert infinite == pytest.approx(f_mm**2 / (n * (300 - f_mm)), rel=1e-9)
    assert float(circle_of_confusion_mm(0.3, 0.3, f_mm, n)) == pytest.approx(0.0, abs=1e-12)


def test_blur_by_depth_has_the_diameter_of_the_circle() -> None:
    # a point spreads to a disk; for a disk of diameter c the second moment along one axis is c² / 16 (textbook)
    for diameter in (4.0, 9.0, 16.0):
        image = np.zeros((129, 129, 3), np.float32)
        image[64, 64] = 1
        coc = np.full((129, 129), diameter, np.float32)
        blurred = defocus(image, coc, np.zeros((129, 129), bool))[..., 0]
        assert blurred.sum() == pytest.approx(1.0, abs=0.02)
        offset = np.arange(129) - (blurred.sum(axis=0) * np.arange(129)).sum() / blurred.sum()
        moment = float((blurred.sum(axis=0) * offset**2).sum() / blurred.sum())
        assert 4 * math.sqrt(moment) == pytest.approx(diameter, rel=0.15)


def test_shot_noise_is_poisson_and_read_noise_adds() -> None:
    # variance of a Poisson count is its mean (textbook); mean-variance line of a sensor, EMVA 1288
    grey = np.full((256, 256, 3), 0.25, np.float32)
    balance = np.array([2.0, 1.0, 1.5])
    noisy = add_sensor_noise(grey, 4000.0, 10.0, balance, np.random.default_rng(1))
    electrons = noisy.reshape(-1, 3) * 4000 / balance
    assert electrons.mean(axis=0) == pytest.approx(1000 / balance, rel=0.005)
    assert electrons.var(axis=0) == pytest.approx(1000 / balance + 100, rel=0.03)


def test_exposure_follows_incident_metering() -> None:
    # ISO 2720:1974, E = C N² / (t S), C = 250 (from memory); the rule "f/16 at 1/S s in full sun", about 80 klx (common
    # practice, no source)
    assert exposure_program(80_000, replace(PLAIN, f_number=16.0), SETTINGS.sensor)[1] == pytest.approx(
        1 / 50, rel=0.25
    )
    iso, time_s = exposure_program(20, PLAIN, SETTINGS.sensor)
    assert time_s == PLAIN.longest_exposure_s
    assert 250 * PLAIN.f_number**2 / (time_s * iso) == pytest.approx(20, rel=1e-6)
    assert exposure_program(10_000, PLAIN, SETTINGS.sensor)[0] == SETTINGS.sensor.base_iso


def test_focal_length_and_angle_of_view_belong_together() -> None:
    # 36 mm wide frame, 26 mm lens: 69.4° along the long side (textbook)
    phone = replace(PLAIN, focal_length_mm=26 * 7.6 / 36)
    assert phone.field_of_view_deg == pytest.approx(69.39, abs=0.01)


def test_a_sun_height_gives_the_hours_from_noon() -> None:
    # textbook: at the equinox the sun rises six hours before noon, when it stands 90° less the latitude high; at
    # midsummer it stands 23.45° higher
    assert hours_from_noon(0.0, 81, 50.0) == pytest.approx(6.0, abs=0.05)
    assert hours_from_noon(39.9, 81, 50.0) == pytest.approx(0.0, abs=0.4)
    assert hours_from_noon(63.4, 172, 50.0) == pytest.approx(0.0, abs=0.3)
    assert hours_from_noon(64.0, 172, 50.0) is None
    # sunrise equation, cos H = -tan φ tan δ: half a midsummer's day at 50° lasts 8.08 h
    assert hours_from_noon(0.0, 172, 50.0) == pytest.approx(8.08, abs=0.05)


def test_noise_by_level_is_that_of_many_noisy_greys() -> None:
    # the formula against a count: pixels of one grey through the sensor and the curve
    curve = tone_curve("filmic", 2.0, 0.4)
    by_level = noise_by_level(curve, 2.0, 4000.0, 5.0)
    for linear in (0.02, 0.18, 0.6):
        grey = np.full((200, 200, 1), linear, np.float32).repeat(3, 2)
        noisy = add_sensor_noise(grey, 4000.0, 5.0, np.ones(3), np.random.default_rng(3))
        encoded = np.interp(noisy, 2.0 * np.linspace(0, 1, len(curve)) ** 2, curve)
        level = np.interp(linear, 2.0 * np.linspace(0, 1, len(curve)) ** 2, curve)
        assert by_level[round(255 * level)] == pytest.approx(encoded.std(), rel=0.08)


# --- the chain ----------------------------------------------------------------------------------------------------


def test_a_plain_camera_gives_the_srgb_of_the_scene() -> None:
    scene = picture()
    photo = develop(exposure(scene), replace(PLAIN, white_balance_strength=0.0), np.random.default_rng(0), calm())
    gain = meter(scene, SETTINGS.metering)
    wanted = np.rint(encode_srgb(scene * gain) * 255)
    assert np.abs(photo.srgb - wanted).max() <= 1


def grey_cast(scene: Any, lux: float) -> Any:
    balanced = scene * grey_gains(scene, 1.0, lux, SETTINGS.white_balance).astype(np.float32)
    mean = balanced.reshape(-1, 3).mean(axis=0)
    return mean / mean[1]


@pytest.mark.parametrize(("temperature_k", "lux"), [(2700, 100), (4000, 300), (5000, 20_000), (8000, 8_000)])
def test_the_white_balance_takes_the_colour_of_lamps_and_skies_out(temperature_k: float, lux: float) -> None:
    grey = np.repeat(picture().mean(axis=2, keepdims=True), 3, axis=2) * 0.6
    lit = (grey * illuminant_rgb(temperature_k)).astype(np.float32)
    assert grey_cast(lit / lit.max(), lux) == pytest.approx(np.ones(3), abs=0.08)


@pytest.mark.parametrize("paint", [(0.45, 0.06, 0.05), (0.05, 0.25, 0.08), (0.06, 0.1, 0.4)])
def test_the_white_balance_does_not_take_the_colour_of_paint_out(paint: tuple[float, float, float]) -> None:
    panel = np.broadcast_to(np.float32(paint), (72, 96, 3)) * np.linspace(0.6, 1.2, 96, dtype=np.float32)[None, :, None]
    cast = grey_cast(panel, 10_000)
    before = np.asarray(paint) / paint[1]
    assert np.abs(np.log(cast / before)).max() < math.log(1.5)


def test_the_meter_reaches_its_target_at_any_scale() -> None:
    scene = picture()
    for scale in (1e-4, 1.0, 3e3):
        assert meter(scene * np.float32(scale), SETTINGS.metering) * scale == pytest.approx(
            meter(scene, SETTINGS.metering), rel=1e-3
        )
    bright = develop(
        exposure(scene), replace(PLAIN, exposure_bias_ev=1.0), np.random.default_rng(0), calm()
    ).srgb.mean()
    dark = develop(exposure(scene), replace(PLAIN, exposure_bias_ev=-1.0), np.random.default_rng(0), calm()).srgb.mean()
    assert dark < bright


@pytest.mark.parametrize("tone", ["plain", "filmic", "local"])
@pytest.mark.parametrize("headroom", [1.0, 1.8, 3.2])
@pytest.mark.parametrize("contrast", [0.0, 0.55])
def test_tone_curves_rise_and_keep_middle_grey(tone: Any, headroom: float, contrast: float) -> None:
    curve = tone_curve(tone, headroom, contrast)
    assert (np.diff(curve) >= -1e-6).all()
    assert curve[0] == pytest.approx(0, abs=1e-6) and 0.9 < curve[-1] <= 1
    grey = np.interp(0.18, headroom * np.linspace(0, 1, 4096) ** 2, curve)
    assert grey == pytest.approx(float(encode_srgb(0.18)), abs=0.01)


def test_the_same_numbers_give_the_same_photo() -> None:
    scene = exposure(picture(), depth_m=np.full((192, 256), 2.0, np.float32))
    files = set()
    for _ in range(2):
        rng = np.random.default_rng(8)
        files.add(encode_jpeg(develop(scene, sample_phone(rng, SETTINGS), rng, SETTINGS)))
    assert len(files) == 1


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**31), lux=st.floats(0.5, 1e5), dark=st.booleans())
def test_any_phone_gives_a_photo_with_labels_that_fit(seed: int, lux: float, dark: bool) -> None:
    rng = np.random.default_rng(seed)
    scene = (
        np.zeros((96, 128, 3), np.float32)
        if dark
        else picture(seed % 50, (96, 128)) * np.float32(10 ** rng.uniform(-4, 4))
    )
    depth = np.where(rng.random((96, 128)) < 0.3, np.inf, rng.uniform(0.1, 9, (96, 128))).astype(np.float32)
    before = scene.copy()
    photo = develop(exposure(scene, depth_m=depth), sample_phone(rng, SETTINGS), rng, SETTINGS, illuminance_lux=lux)
    assert (scene == before).all(), "the exposure is not written to"
    assert photo.srgb.dtype == np.uint8 and photo.srgb.shape[2] == 3
    for labels in (photo.surface, photo.zone, photo.side, photo.cues["filler"]):
        assert labels.shape == photo.srgb.shape[:2]
    assert set(np.unique(photo.surface)) <= {0, 2, 3}
    decoded = cv2.imdecode(np.frombuffer(encode_jpeg(photo), np.uint8), cv2.IMREAD_COLOR)
    assert decoded.shape == photo.srgb.shape


@pytest.mark.parametrize("bad", [np.nan, np.inf, -1.0])
def test_radiance_that_is_none_is_refused(bad: float) -> None:
    scene = picture()
    scene[3, 4, 1] = bad
    with pytest.raises(ValueError, match="radiance must be finite and not negative"):
        develop(exposure(scene), PLAIN, np.random.default_rng(0), SETTINGS)


def test_labels_move_with_the_picture() -> None:
    scene = np.full((480, 640, 3), 0.05, np.float32)
    start = exposure(scene)
    scene[start.cues["filler"]] = 0.9
    phone = replace(PLAIN, distortion_k1=-0.08, resized=0.7)
    site = SETTINGS.site.model_copy(update={"least_long_side_px": 100})
    photo = develop(exposure(scene), phone, np.random.default_rng(0), calm().model_copy(update={"site": site}))
    bright = photo.srgb[..., 1] > 128
    assert photo.srgb.shape[:2] == (336, 448)
    overlap = (bright & photo.cues["filler"]).sum() / (bright | photo.cues["filler"]).sum()
    assert overlap > 0.97
    assert ((photo.surface == 3) == photo.cues["filler"]).mean() > 0.995
    rows = np.nonzero(photo.cues["filler"].any(axis=1))[0]
    assert rows[0] != round(120 * 0.7) or rows[-1] != round(240 * 0.7) - 1, "the lens bends the picture"


def test_the_near_is_sharp_and_the_far_is_not() -> None:
    rng = np.random.default_rng(2)
    scene = np.repeat(rng.uniform(0.1, 1, (192, 256, 1)), 3, axis=2).astype(np.float32)
    depth = np.full((192, 256), 0.25, np.float32)
    depth[:, 128:] = 6.0
    photo = develop(exposure(scene, depth_m=depth, focus_m=0.25), PLAIN, np.random.default_rng(0), calm())
    detail = np.abs(np.diff(photo.srgb[..., 1].astype(float), axis=0))
    assert detail[:, :110].mean() > 2.5 * detail[:, 150:].mean()
    assert photo.meta["cue_blur_px"] == {"filler": 0.0}


def test_a_sharp_thing_does_not_bleed_into_the_blurred_far() -> None:
    scene = np.full((128, 128, 3), 0.2, np.float32)
    scene[:, :64] = 5.0
    coc = np.zeros((128, 128), np.float32)
    coc[:, 64:] = 12.0
    blurred = defocus(scene, coc, np.zeros((128, 128), bool))
    assert blurred[:, :62] == pytest.approx(5.0, rel=0.01)
    assert blurred[:, 70:].max() < 0.5


def test_darkness_brings_noise() -> None:
    flat = np.full((192, 256, 3), 0.2, np.float32)
    phone = replace(PLAIN, full_well_e=5000, read_noise_e=3.0)
    spread = [
        develop(exposure(flat), phone, np.random.default_rng(0), calm(), illuminance_lux=lux).srgb[..., 1].std()
        for lux in (50_000, 300, 10)
    ]
    assert spread[0] < spread[1] < spread[2]


def flat_photo(lux: float, **phone: Any) -> Any:
    """A grey wall as float YCrCb, from a phone of few electrons."""
    flat = np.full((192, 256, 3), 0.2, np.float32)
    noisy = replace(PLAIN, full_well_e=4000, read_noise_e=3.0, sensor_width_px=512, **phone)
    photo = develop(exposure(flat), noisy, np.random.default_rng(0), calm(), illuminance_lux=lux)
    return cv2.cvtColor(photo.srgb, cv2.COLOR_RGB2YCrCb).astype(float)


def test_colour_noise_is_left_in_blotches_and_brightness_noise_is_fine() -> None:
    luma, red = np.moveaxis(flat_photo(20, denoise=0.2, chroma_blur_px=1.0, blotch=0.2, blotch_px=6.0), 2, 0)[:2]

    def alike(plane: Any) -> float:
        """Correlation of pixels three apart."""
        return float(np.corrcoef(plane[:, :-3].ravel(), plane[:, 3:].ravel())[0, 1])

    assert alike(red) > 0.4 > 0.25 > alike(luma)
    assert red.std() < luma.std()


def test_corners_are_noisier_than_the_middle() -> None:
    luma = flat_photo(300, shading=0.6)[..., 0]
    corner = np.mean([luma[:40, :40].std(), luma[:40, -40:].std(), luma[-40:, :40].std(), luma[-40:, -40:].std()])
    # electrons in the middle of a 40 px corner: shot noise grows by the root of the loss, 0.6 · (0.6 r² + 0.4 r⁴)
    assert 1.1 < corner / luma[76:116, 108:148].std() < 1.5


def test_sharpening_sharpens_edges_by_no_more_than_its_halo_and_hardly_noise() -> None:
    step = np.full((192, 256, 3), 0.1, np.float32)
    step[:, 128:] = 0.4
    plain = develop(exposure(step), PLAIN, np.random.default_rng(0), calm()).srgb[96, :, 1].astype(float)
    phone = replace(PLAIN, sharpening=1.5, halo=0.04)
    sharp = develop(exposure(step), phone, np.random.default_rng(0), calm()).srgb[96, :, 1].astype(float)
    assert 4 < (sharp - plain).max() <= 0.04 * 255 + 1
    assert flat_photo(20, sharpening=1.5)[..., 0].std() < 1.75 * flat_photo(20)[..., 0].std()


def test_lateral_colour_grows_from_the_middle() -> None:
    lines = np.full((192, 256, 3), 0.6, np.float32)
    lines[:, [40, 41, 128, 129]] = 0.05
    photo = develop(exposure(lines), replace(PLAIN, lateral_colour=(0.01, 0.0)), np.random.default_rng(0), calm()).srgb
    fringe = np.abs(photo[96, :, 0].astype(float) - photo[96, :, 1])
    assert fringe[36:46].max() > 20 > 10 > fringe[124:134].max()


def test_lamps_wash_out_their_surroundings() -> None:
    scene = np.full((192, 256, 3), 0.02, np.float32)
    scene[90:110, 120:140] = 30.0
    clean = develop(exposure(scene), PLAIN, np.random.default_rng(0), calm()).srgb
    hazy = develop(exposure(scene), replace(PLAIN, haze=0.25, bloom=0.02), np.random.default_rng(0), calm()).srgb
    assert hazy[60:80, 100:160].mean() > clean[60:80, 100:160].mean() + 3


def test_outliers_of_the_estimator_are_dimmed_and_lamps_are_not() -> None:
    scene = np.full((64, 64, 3), 0.2, np.float32)
    scene[10, 10] = 500.0
    scene[30:40, 30:40] = 50.0
    calmed = suppress_fireflies(scene, 6.0)
    assert calmed[10, 10].max() < 2.0
    assert (calmed[32:38, 32:38] == 50.0).all()
    assert (suppress_fireflies(scene, 0.0) == scene).all()


@pytest.mark.parametrize("overlay", ["text", "strip", "border", "timestamp"])
def test_what_an_overlay_covers_has_no_labels(overlay: Any) -> None:
    scene = np.full((480, 640, 3), 0.3, np.float32)
    everywhere = np.ones((480, 640), bool)
    phone = replace(PLAIN, overlay=overlay, overlay_text="Kolbrin")
    start = exposure(scene, cues={"filler": everywhere}, zone=np.full((480, 640), 4, np.uint8))
    plain = develop(start, PLAIN, np.random.default_rng(0), calm()).srgb
    photo = develop(start, phone, np.random.default_rng(0), calm())
    changed = (photo.srgb != plain).any(axis=-1)
    assert changed.any()
    if overlay in ("strip", "border"):
        covered = ~photo.cues["filler"]
        assert covered.any() and (photo.zone[covered] == 0).all()
        assert (photo.surface[covered] == SURFACES.index("background")).all()
        assert not (changed & ~covered).any()


@pytest.mark.parametrize("elevation_deg", [4.0, 22.0, 48.0])
def test_a_stamp_tells_a_time_at_which_the_sun_is_there_or_none(elevation_deg: float) -> None:
    overlay, rng, timed = SETTINGS.overlay, np.random.default_rng(0), 0
    for _ in range(200):
        number, place = rng.integers(0, 60, 6), rng.random(2)
        assert ":" not in date_stamp(number, place, overlay, None)
        stamp = date_stamp(number, place, overlay, elevation_deg)
        if ":" not in stamp:
            continue
        timed += 1
        hour = int(stamp[-5:-3]) + int(stamp[-2:]) / 60 - np.interp(place[1], (0, 1), overlay.stamp_ahead_h)
        day = 30.4 * (number[2] % 12) + 1 + number[1] % 28
        # independent route: the height of that hour, with Spencer's declination (1971)
        b, latitude = (
            2 * math.pi * (day - 1) / 365,
            math.radians(np.interp(place[0], (0, 1), overlay.stamp_latitude_deg)),
        )
        declination = 0.006918 - 0.399912 * math.cos(b) + 0.070257 * math.sin(b) - 0.006758 * math.cos(2 * b)
        height = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
            math.radians(15 * (hour - 12))
        )
        assert math.degrees(math.asin(height)) == pytest.approx(elevation_deg, abs=2.0)
    assert timed > 20


def test_a_number_plate_is_covered_where_it_is() -> None:
    scene = picture()
    surface = np.zeros((192, 256), np.uint8)
    surface[100:120, 60:140] = SURFACES.index("plate")
    plain = develop(exposure(scene, surface=surface), PLAIN, np.random.default_rng(0), calm()).srgb
    covered = develop(
        exposure(scene, surface=surface), replace(PLAIN, plate_covered=True), np.random.default_rng(0), calm()
    ).srgb
    changed = (plain != covered).any(axis=-1)
    assert changed[100:120, 60:140].mean() > 0.9
    changed[100:120, 60:140] = False
    assert not changed.any()


def test_an_identification_plate_is_never_covered() -> None:
    # the registration is covered for privacy; the maker's plate is what the seller wants read (common practice)
    surface, zone = np.zeros((192, 256), np.uint8), np.zeros((192, 256), np.uint8)
    surface[100:120, 60:140] = surface[20:60, 150:230] = SURFACES.index("plate")
    zone[20:60, 150:230] = 1 + ZONES.index("identification_plate")
    start = exposure(picture(), surface=surface, zone=zone)
    plain = develop(start, PLAIN, np.random.default_rng(0), calm()).srgb
    covered = develop(start, replace(PLAIN, plate_covered=True), np.random.default_rng(0), calm()).srgb
    changed = (plain != covered).any(axis=-1)
    assert changed[100:120, 60:140].mean() > 0.9
    changed[100:120, 60:140] = False
    assert not changed.any()


def test_phones_differ_and_stay_in_their_ranges() -> None:
    phones = [sample_phone(np.random.default_rng(seed), SETTINGS) for seed in range(300)]
    assert len({phone.focal_length_mm for phone in phones}) == 300
    assert {phone.tone for phone in phones} == {"plain", "filmic", "local"}
    assert {phone.overlay for phone in phones} == {"none", "text", "strip", "border", "timestamp"}
    assert 0.4 < np.mean([phone.resized < 1 for phone in phones]) < 0.7
    for phone in phones:
        assert 30 < phone.field_of_view_deg < 75
        assert phone.resized == 1.0 or phone.enlarged == 1.0
        assert np.asarray(phone.colour_matrix).sum(axis=1) == pytest.approx(np.ones(3)), "neutral stays neutral"


def test_setting_black_darkens_the_darkest_and_keeps_the_brightest() -> None:
    # arithmetic: values 0.05 to 1 under the line through (0.05, 0) and (1, 1)
    ramp = np.repeat(np.linspace(0.05, 1, 1024, dtype=np.float32)[None], 768, 0)[..., None].repeat(3, 2)
    (whole, spread), (half, _) = _set_black(ramp, 1.0), _set_black(ramp, 0.5)
    assert spread == pytest.approx(1 / 0.95, abs=0.01)
    assert whole[:, :5].mean() < 0.006 and half[:, :5].mean() == pytest.approx(0.026, abs=0.004)
    assert whole[:, -5:].mean() == pytest.approx(1, abs=0.01)
    assert whole[:, 512].mean() == pytest.approx((0.525 - 0.05) / 0.95, abs=0.01)


def test_setting_black_never_takes_half_of_an_even_photo() -> None:
    even = np.full((60, 80, 3), 0.4, np.float32)
    taken, spread = _set_black(even, 1.0)
    assert taken == pytest.approx(0.4, abs=1e-3) and spread == pytest.approx(2, abs=1e-3)


@pytest.mark.parametrize("headroom", [0.7, 0.85])
def test_a_white_below_one_spreads_light_tones_alone(headroom: float) -> None:
    linear = headroom * np.linspace(0, 1, 4096) ** 2
    curve, usual = tone_curve("filmic", headroom, 0.3), tone_curve("filmic", 1.0, 0.3)
    at_usual = np.interp(linear, np.linspace(0, 1, 4096) ** 2, usual)
    assert (np.diff(curve) >= -1e-6).all() and curve[-1] == pytest.approx(1, abs=1e-6)
    assert curve[linear < 0.17] == pytest.approx(at_usual[linear < 0.17], abs=0.002)
    assert (curve[linear > 0.2] > at_usual[linear > 0.2]).all()


def test_a_phone_makes_the_brightest_white_but_not_that_of_a_dull_photo() -> None:
    filmic = replace(PLAIN, tone="filmic", headroom=2.5, contrast=0.3, white_balance_strength=0.0)
    for low, high, is_white in ((0.003, 1.0, True), (0.4, 0.5, False)):
        ramp = np.repeat(np.geomspace(low, high, 256, dtype=np.float32)[None], 192, 0)[..., None].repeat(3, 2)
        dim, bright = (
            develop(exposure(ramp), phone, np.random.default_rng(0), calm()).srgb.astype(float)
            for phone in (filmic, replace(filmic, white=1.0))
        )
        assert bright.max() >= dim.max()
        assert (bright.max() >= 250) == is_white
        assert np.abs(bright - dim)[dim < 255 * encode_srgb(0.16)].max(initial=0) < 6, "dark tones stay"
