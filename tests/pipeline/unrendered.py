"""Adverts of the generator without their renders: what each photo shows of zones and cues, by rays alone.

Painters, their traces, dirt and standpoints are the generator's own, on one body a family. What is left out is the
light: a cue counts as shown where enough of it is in the picture (area, as `synthetic_data.visibility` has it) and no
dirt covers it, although in a finished photo it may be too dark or too faint. So this says what painters leave behind
for a camera, not what a network makes of photos.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import torch

from pipeline.records import DETECTED_CUES, ZONES, PhotoFindings
from synthetic_data.adverts import A_TRACE_PX, AdvertSettings, _opened, _Sight, _stand
from synthetic_data.camera import camera_settings, sample_phone
from synthetic_data.grids import grids_of, rays
from synthetic_data.paint import CUE_BIT, Noise, Texels, shade
from synthetic_data.painter import PaintedVehicle, paint_vehicle, sample_grime, sample_history
from synthetic_data.vehicle import Vehicle, build_vehicle, families
from synthetic_data.view import View
from synthetic_data.visibility import LONG_SIDE_PX, least_area
from tests.pipeline.simulated import SimulatedNetwork, photo_of_planes

LONG_SIDE = 256  # rays along the picture's long side; areas are told at LONG_SIDE_PX
FAMILIES = ("pellock", "brindle", "gannel", "torrick")
NO_VEHICLE = ("document", "identification_plate", "not_vehicle")
Plane = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Glimpse:
    """What every ray of one photo meets: `zone` and `side` (H, W) as in a set's planes, and (H, W) masks of cues."""

    zone: Plane
    side: Plane
    cues: dict[str, npt.NDArray[np.bool_]]
    unsure: dict[str, npt.NDArray[np.bool_]]

    def label(self, cue: str, settings: AdvertSettings) -> int | None:
        """1 where enough of the cue is in the picture, 0 where there is none of it, None between."""
        limits = settings.visibility
        pixel = (LONG_SIDE_PX / max(self.zone.shape)) ** 2
        mask, unsure = self.cues.get(cue), self.unsure.get(cue)
        if mask is not None:
            wanted = least_area(cue, limits) / pixel
            solid = cv2.erode(mask.astype(np.uint8), np.ones((2, 2), np.uint8))
            if mask.sum() >= wanted and solid.sum() >= wanted / 3:
                return 1
        trace = (0 if mask is None else mask.sum()) * pixel >= A_TRACE_PX
        return None if trace or (unsure is not None and unsure.sum() * pixel >= limits.least_px) else 0


@dataclass(frozen=True, slots=True)
class UnrenderedAdvert:
    """One advert: its true history, what the simulated network finds in each photo, and the cues truly in view."""

    history: str
    family: str
    findings: tuple[PhotoFindings, ...]
    in_view: frozenset[str]


def adverts(count: int, seed: int, settings: AdvertSettings, network: SimulatedNetwork) -> Iterator[UnrenderedAdvert]:
    """`count` adverts, from the one with index 0 on; papers and photos without a vehicle are left out."""
    for index in range(count):
        history, family, glimpses = glimpses_of(index, seed, settings)
        photos, in_view = [], set[str]()
        for k, (shot, seen) in enumerate(glimpses):
            present = {cue: seen.label(cue, settings) for cue in DETECTED_CUES}
            in_view |= {cue for cue, label in present.items() if label == 1}
            masks = {cue: [mask] for cue, mask in seen.cues.items()}
            rng = np.random.default_rng([seed, index, k, 1])
            name = (f"a{index:05d}", f"{k:02d}.jpg")
            photos.append(photo_of_planes(*name, shot, seen.zone, seen.side, present, masks, network, rng))
        yield UnrenderedAdvert(history, family, tuple(photos), frozenset(in_view))


def glimpses_of(index: int, seed: int, settings: AdvertSettings) -> tuple[str, str, list[tuple[str, Glimpse]]]:
    """History, family, and what each photo of advert `index` shows, with its shot; papers are left out."""
    rng = np.random.default_rng([seed, index])
    family = FAMILIES[index % len(FAMILIES)]
    names = list(settings.histories)
    history = str(rng.choice(names, p=np.array(list(settings.histories.values())) / sum(settings.histories.values())))
    paint = sample_history(history, _body(family).vehicle, rng)
    grime, phone = sample_grime(rng), sample_phone(rng, camera_settings())
    shots = [shot for shot in settings.shots if shot not in NO_VEHICLE]
    shares = np.array([settings.shots[shot] for shot in shots])
    noise, painted_with = Noise(paint.seed, torch.device("cpu")), dict[tuple[str, ...], PaintedVehicle]()
    photos = []
    for _ in range(int(rng.integers(settings.photos[0], settings.photos[1] + 1))):
        shot = str(rng.choice(shots, p=shares / shares.sum()))
        doors = _opened(shot, settings, rng)
        body = _body(family, doors)
        if doors not in painted_with:
            painted_with[doors] = paint_vehicle(body.vehicle, families()[family], paint, grime)
        found = _stand(shot, painted_with[doors], body.sight, settings, phone, rng)
        if found is not None:
            photos.append((shot, look(painted_with[doors], body, found[0], noise)))
    return history, family, photos


@dataclass(frozen=True, slots=True)
class _Body:
    """One body as the factory built it, and its triangles to ask rays of; a painter moves no more than a few mm."""

    vehicle: Vehicle
    sight: _Sight
    cells: _Cells


@cache
def _body(family: str, doors: tuple[str, ...] = ()) -> _Body:
    vehicle = build_vehicle(family, families()[family], np.random.default_rng(0), doors)
    return _Body(vehicle, _Sight(vehicle), _Cells.of(vehicle))


def look(painted: PaintedVehicle, body: _Body, view: View, noise: Noise) -> Glimpse:
    """What a camera there sees of the vehicle. Opaque panes: what lies behind glass is not seen."""
    scale = LONG_SIDE / max(view.width, view.height)
    rays = _cast(body.sight, view, round(view.height * scale), round(view.width * scale))
    part, along, across, normal = body.cells.at(rays.triangle, rays.uv)
    position = (view.origin + rays.toward * rays.distance_m[:, None]) * 1000
    step = np.maximum(rays.distance_m * view.pixel_angle * 1000, 0.12)
    size = np.array([p.patch.size_mm for p in body.vehicle.parts])[part]
    texels = Texels(
        *(torch.from_numpy(values.astype(np.float32)) for values in (position, normal, along, across, *size.T)),
        torch.from_numpy(part),
        torch.from_numpy(step.astype(np.float32)),
    )
    generator = torch.Generator().manual_seed(0)
    film = shade(texels, painted.table, painted.grime, noise, generator, painted.crevices)
    zone_of = np.array([0 if p.zone is None else 1 + ZONES.index(p.zone) for p in body.vehicle.parts], np.uint8)
    side_of = np.array([{"left": 1, "right": 2}.get(p.side or "", 0) for p in body.vehicle.parts], np.uint8)
    bits, unsure = rays.plane(film.cues.numpy()), rays.plane(film.unknown.numpy())
    return Glimpse(
        rays.plane(zone_of[part]),
        rays.plane(side_of[part]),
        {cue: (bits & bit) > 0 for cue, bit in CUE_BIT.items() if (bits & bit).any()},
        {cue: (unsure & bit) > 0 for cue, bit in CUE_BIT.items() if (unsure & bit).any()},
    )


def panels_seen(vehicle: Vehicle, view: View) -> npt.NDArray[np.str_]:
    """Name of the panel that each pixel of a view shows (H, W), empty where there is none."""
    rays = _cast(_Sight(vehicle), view, view.height, view.width)
    panels = np.array([part.panel for part in vehicle.parts])
    return rays.plane(panels[_Cells.of(vehicle).part[rays.triangle]])


@dataclass(frozen=True, slots=True)
class _Rays:
    """The rays through the pixels (H, W) that meet the vehicle (n): which, where to, how far, and on what triangle."""

    shape: tuple[int, int]
    pixel: npt.NDArray[np.intp]
    toward: npt.NDArray[Any]
    distance_m: npt.NDArray[Any]
    triangle: npt.NDArray[Any]
    uv: npt.NDArray[Any]

    def plane(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Values (n,) at their pixels (H, W), nothing elsewhere."""
        full = np.zeros(self.shape[0] * self.shape[1], values.dtype)
        full[self.pixel] = values
        return full.reshape(self.shape)


def _cast(sight: _Sight, view: View, height: int, width: int) -> _Rays:
    reach = np.tan(np.radians(view.field_of_view_deg) / 2)
    x = ((np.arange(width) + 0.5) / width * 2 - 1) * reach
    y = ((np.arange(height) + 0.5) / height * 2 - 1) * reach * height / width
    across = np.stack([*np.meshgrid(x, y), np.ones((height, width))], axis=-1).reshape(-1, 3)
    toward = (across / np.linalg.norm(across, axis=1, keepdims=True)) @ view.basis()
    hit = sight.scene.ray_intersect_preliminary(rays(view.origin, toward))
    distance = np.array(hit.t)
    met = np.flatnonzero(np.isfinite(distance))
    uv = np.array(hit.prim_uv).reshape(2, -1)[:, met]
    return _Rays((height, width), met, toward[met], distance[met], np.array(hit.prim_index)[met], uv)


@dataclass(frozen=True, slots=True)
class _Cells:
    """For each triangle of `adverts._Sight`: its part, the cell it halves, and which half it is."""

    vehicle: Vehicle
    part: npt.NDArray[np.int64]
    row: npt.NDArray[np.int64]
    column: npt.NDArray[np.int64]
    is_second: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, vehicle: Vehicle) -> _Cells:
        grids = grids_of([part.patch for part in vehicle.parts])
        both = (np.tile(values, 2) for values in (grids.cell_patch, grids.cell_row, grids.cell_column))
        return cls(vehicle, *both, np.repeat([False, True], len(grids.cell_patch)))

    def at(
        self, triangle: npt.NDArray[Any], uv: npt.NDArray[Any]
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any]]:
        """Part (n,), unrolled coordinates along and across (n,) mm and unit normal (n, 3) of points on triangles."""
        part, row, column, second = (
            self.part[triangle],
            self.row[triangle],
            self.column[triangle],
            self.is_second[triangle],
        )
        u, v = uv
        down, right = np.where(second, u, u + v), np.where(second, u + v, v)
        along, across, normal = np.empty(len(part)), np.empty(len(part)), np.empty((len(part), 3))
        order = np.argsort(part, kind="stable")
        for rows in np.split(order, np.flatnonzero(np.diff(part[order])) + 1):
            if not len(rows):
                continue
            patch = self.vehicle.parts[part[rows[0]]].patch
            r, c = row[rows], column[rows]
            along[rows] = np.interp(c + right[rows], np.arange(len(patch.along_mm)), patch.along_mm)
            across[rows] = np.interp(r + down[rows], np.arange(len(patch.across_mm)), patch.across_mm)
            p = patch.points
            cross = np.cross(p[r + 1, c] - p[r, c], p[r + 1, c + 1] - p[r, c] + p[r, c + 1] - p[r, c])
            normal[rows] = cross / np.maximum(np.linalg.norm(cross, axis=1, keepdims=True), 1e-14)
        return part, along, across, normal
