from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from synthetic_data.apron import FARTHEST_M, as_around, lay_apron, outline
from synthetic_data.light import Environment, light_settings, sample_environment
from synthetic_data.panorama import irradiance
from synthetic_data.textures import ground_texture

SETTINGS = light_settings().model_copy(update={"width_px": 256})
GROUND_M = 14.0


def place(kind: Any, seed: int = 1) -> Environment:
    return sample_environment(np.random.default_rng(seed), SETTINGS, kind=kind)


def even(radiance: float, ground_radiance: float, ground: str | None = None) -> Environment:
    image = np.full((128, 256, 3), radiance, np.float32)
    image[64:] = ground_radiance
    return Environment(
        "panorama", "even", image, None, (0.0, 0.0, 0.0), 1000.0, ground, 5, np.full(256, 9.0)
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["overcast", "clear", "garage"])
@pytest.mark.parametrize("seed", range(4))
def test_the_ground_ends_where_the_walls_stand(kind: Any, seed: int) -> None:
    made = place(kind, seed)
    apron = lay_apron(made, GROUND_M)
    assert apron.uv.min() >= 0 and apron.uv.max() <= 1 and apron.faces.max() < len(apron.points)
    assert apron.albedo.min() > 0 and apron.albedo.max() < 1
    away = np.hypot(apron.points[:, 0], apron.points[:, 1])
    wall = np.minimum(made.reach_m, FARTHEST_M)
    column = (np.arctan2(apron.points[:, 0], apron.points[:, 1]) / (2 * np.pi) * 256).astype(int) % 256
    around = np.max([wall[(column + k) % 256] for k in (-1, 0, 1)], axis=0)
    assert (away < around + 0.15).all()
    assert apron.points[:, 2].min() > -0.01 and apron.points[:, 2].max() < 0.4
    rim, faces = outline(GROUND_M, apron.reach_m)
    assert np.hypot(*rim[:-1, :2].T).max() <= GROUND_M / 2 * np.sqrt(2) + 1e-6
    corners = rim[faces]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] / 2
    assert area.min() > 0 and area.sum() <= GROUND_M**2 + 1e-6  # all triangles look up


def test_without_walls_the_square_is_whole() -> None:
    rim, faces = outline(GROUND_M, None)
    corners = rim[faces]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] / 2
    assert area.sum() == pytest.approx(GROUND_M**2)


def test_ground_gives_back_the_radiance_of_the_picture() -> None:
    # Lambert's law: radiance = albedo × illuminance / π; even light of radiance 1 gives π
    made = even(1.0, 0.3)
    assert irradiance(made.image, (0.0, 0.0, 1.0)) == pytest.approx(np.full(3, np.pi), rel=0.01)
    square = as_around(ground_texture("gravel", 256, GROUND_M, 5), GROUND_M, made)
    assert square.mean(axis=(0, 1)) == pytest.approx(np.full(3, 0.3), rel=0.05)
    assert lay_apron(made, GROUND_M).albedo[:60].mean() == pytest.approx(0.3, rel=0.02)


def test_ground_of_its_own_keeps_its_tone_under_the_vehicle() -> None:
    ground = ground_texture("concrete", 256, GROUND_M, 5)
    square = as_around(ground, GROUND_M, even(1.0, 0.1, "concrete"))
    middle, rim = np.s_[112:144, 112:144], np.s_[0:16, :]
    assert np.allclose(square[middle], ground[middle], rtol=1e-5)
    assert square[rim].mean() == pytest.approx(0.1, rel=0.1)
