"""The cab's floor and tunnel, painted with the body at the factory, and the mats that hide or show them.

Many owners have taken the mats out, or have short ones under the pedals (common practice, no source).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synthetic_data.geometry import Patch, block, line, loft, patch

if TYPE_CHECKING:
    from synthetic_data.vehicle import Builder


def lay(body: Builder) -> None:
    """Floor and tunnel, and whole mats, short ones or none, in the shares of the family."""
    rng = body.rng.spawn(1)[0]  # changes no other draw
    y, sill, front, rear = body.y - 0.07, body.z_sill, body.door_front + 0.10, body.door_rear - 0.1
    ground = _ribbed(front, rear, y, sill + 0.003)
    body.add("floor", ground, "paint", "floor", "body", "shut", panel="floor", facing=(0, 0, 1))
    tunnel = block((body.door_front - 0.30, 0, sill + 0.08), (0.62, 0.26, 0.16), 0.04)
    draw, shares = rng.random(), body.family.floor
    if draw >= shares.bare + shares.short_mat:
        height = sill + 0.012
        under = loft(
            line((front, -y, height), (front, y, height), 16), line((rear, -y, height), (rear, y, height), 16), 16
        )
        body.add("floor_mat", under, "interior", None, "mat", facing=(0, 0, 1))
        ribs = np.linspace(-body.y + 0.10, body.y - 0.10, 60)
        wave = np.stack([np.zeros(60), ribs, 0.004 * (np.arange(60) % 2)], 1)
        ahead, behind = (np.add(wave, (body.door_front + x, 0, sill + 0.018)) for x in (0.04, -0.55))
        body.add("mats", loft(ahead, behind, 4), "interior", None, "mat", facing=(0, 0, 1))
        body.add("tunnel", tunnel, "interior", None, "mat")
        return
    body.add("tunnel", tunnel, "paint", "floor", "body", "shut", panel="floor")
    if draw >= shares.bare:
        end, width = body.door_front - rng.uniform(0.10, 0.24), y - rng.uniform(0.02, 0.16)
        mat = _ribbed(front, end, width, sill + 0.012, ribs=40)
        body.add("short_mat", mat, "interior", None, "mat", facing=(0, 0, 1))
    for side, sign in (("left", 1.0), ("right", -1.0)):
        if side in body.open_doors:
            middle = (body.door_front - 0.36, sign * (y - 0.24), sill + 0.01)
            body.site(f"floor.{side}", "floor", "floor", middle, (-0.1, sign * 0.7, 1.0), 0.32, panel="floor")


def _ribbed(front: float, rear: float, half: float, z: float, ribs: int = 9) -> Patch:
    """A level sheet with ribs along the vehicle, from `front` to `rear` and `half` to either side; it faces up; m."""
    y, x = np.meshgrid(np.linspace(half, -half, 6 * ribs + 1), np.linspace(front, rear, 12), indexing="ij")
    wave = np.clip(1.5 * np.cos(np.pi * ribs * y / half), -1, 1)
    return patch(np.stack([x, y, z + 0.002 * (1 + wave)], -1))
