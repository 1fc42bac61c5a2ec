from __future__ import annotations

import numpy as np
import pytest

from synthetic_data.vehicle import Part
from tests.synthetic_data.samples import FAMILIES, vehicle

BOUGHT_IN = (
    "door_plugs", "door_works", "door_pocket", "door_latch", "binnacle", "dials", "dial_rims", "dash_controls",
    "pedals", "mats", "tunnel", "levers", "lever_knobs", "visors", "inner_mirror", "belt", "wiper", "mirror_glass",
    "plate_holder", "side_repeater", "fuel_filler",
)  # fmt: skip


def named(family: str, name: str, *doors: str) -> list[Part]:
    return [part for part in vehicle(family, *doors).parts if part.name.startswith(name)]


@pytest.mark.parametrize("family", FAMILIES)
def test_fittings_are_there_and_never_painted(family: str) -> None:
    for name in BOUGHT_IN:
        parts = named(family, name)
        assert parts, name
        for part in parts:
            assert part.surface != "paint" and part.finish != "body" and part.panel == "", part.name
            assert part.kind == "other", part.name


@pytest.mark.parametrize("family", FAMILIES)
def test_a_strap_holds_an_open_door_to_its_post(family: str) -> None:
    assert not named(family, "door_check")
    for side, sign in (("left", 1), ("right", -1)):
        (strap,) = named(family, "door_check", side)
        ends = strap.patch.points[:, [0, -1]].mean(axis=0)
        assert strap.side == side and (ends[:, 1] * sign > 0).all()
        inner = np.concatenate([p.patch.points.reshape(-1, 3) for p in named(family, f"door_inner.{side}", side)])
        shut = np.concatenate([p.patch.points.reshape(-1, 3) for p in named(family, f"shut.{side}", side)])
        post = np.linalg.norm(ends[:, None] - shut, axis=-1).min(axis=1)
        leaf = np.linalg.norm(ends[:, None] - inner, axis=-1).min(axis=1)
        assert min(post) < 0.08 and min(leaf) < 0.08


@pytest.mark.parametrize("family", FAMILIES)
def test_wipers_lie_on_the_glass(family: str) -> None:
    (glass,) = named(family, "windscreen.glass")
    points = glass.patch.points
    normal = np.cross(np.gradient(points, axis=0), np.gradient(points, axis=1)).sum(axis=(0, 1))
    normal /= np.linalg.norm(normal)
    for part in named(family, "wiper"):
        off = (part.patch.points.reshape(-1, 3) - points[0, 0]) @ normal
        assert off.min() > -0.012 and off.max() < 0.06, part.name


def test_the_driver_sits_on_the_side_of_the_wheel() -> None:
    for family in FAMILIES:
        wheel = named(family, "steering")[0].patch.points[..., 1].mean()
        for name in ("binnacle", "pedals"):
            assert np.sign(named(family, name)[0].patch.points[..., 1].mean()) == np.sign(wheel)
