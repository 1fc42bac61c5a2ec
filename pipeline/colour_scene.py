"""A photo at the two sizes at which colour is measured: pixels beside edges, and whole places by the network's cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.colorimetry import LINEAR_OF_BYTE, Floats
from pipeline.cues import side_of
from pipeline.focus import FocusSettings, in_focus
from pipeline.network import NetworkMaps
from pipeline.photos import photo_settings
from pipeline.records import SURFACES, ZONES, Box, Photo, Side

PAINT = SURFACES.index("paint")
MOST_CELLS = 800  # of a place: every so many are taken of a larger one, which moves no median
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Scene:
    """A photo reduced for measuring, and what the network says of it.

    `srgb` is uint8 (H, W, 3), `factor` photo pixels per pixel of it. By cell of the network: `cells` uint8 (h, w, 3),
    `surfaces` probabilities (surfaces, h, w), `painted` (h, w) where paint is surer than `sure`, `zones` (h, w) the
    likeliest zone of painted cells (0 none, 1 + index in ZONES) with its `zone_probability`, `in_focus` (h, w), `clear`
    (h, w) what is in focus and neither clipped nor too dark, `sides` (3, h, w) none, left and right, believed from
    `least_side` on, `masking` (h, w) the probability of a masking edge (None: the network gives none).
    """

    width: int
    height: int
    srgb: npt.NDArray[np.uint8]
    factor: float
    sure: float
    cells: npt.NDArray[np.uint8]
    surfaces: npt.NDArray[np.float32]
    painted: Mask
    zones: npt.NDArray[np.uint8]
    zone_probability: npt.NDArray[np.float32]
    in_focus: Mask
    clear: Mask
    sides: npt.NDArray[np.float32] | None
    least_side: float
    masking: npt.NDArray[np.float32] | None

    @property
    def cell_px(self) -> float:
        """Pixels of `srgb` per cell."""
        return float(self.srgb.shape[1] / self.painted.shape[1])

    def light_of_zones(self, zones: Sequence[str]) -> Floats:
        """Linear light (n, 3) of the clear painted cells that surely are of these zones, away from paint's borders."""
        wanted = np.isin(self.zones, [1 + ZONES.index(zone) for zone in zones]) & (self.zone_probability >= self.sure)
        return self._light(wanted & _inner(self.painted))

    def light_of_place(self, zone: str) -> Floats:
        """Linear light (n, 3) of a zone's largest connected painted place, as `light_of_zones`.

        None (n = 0) where the network is not sure that the place is of this zone: trim and carpet look like shuts.
        """
        here = (self.zones == 1 + ZONES.index(zone)).astype(np.uint8)
        count, places, stats, _ = cv2.connectedComponentsWithStats(here, connectivity=8)
        if count < 2:
            return np.empty((0, 3))
        place = places == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
        if self.zone_probability[place].mean() < self.sure:
            return np.empty((0, 3))
        return self._light(place & _inner(self.painted))

    def light_of_paint(self) -> Floats:
        """Linear light (n, 3) of all clear painted cells."""
        return self._light(self.painted)

    def light_of_surface(self, surface: str) -> Floats:
        """Linear light (n, 3) of the clear cells of one surface, away from its borders."""
        return self._light(_inner(self.surfaces[SURFACES.index(surface)] >= self.sure))

    def _light(self, mask: Mask) -> Floats:
        seen = self.cells[mask & self.clear]
        return np.asarray(LINEAR_OF_BYTE[seen[:: max(1, len(seen) // MOST_CELLS)]])

    def place_box(self, zone: str) -> Box:
        """The box around a zone's largest connected painted place, in pixels of the photo. The zone must be there."""
        here = (self.zones == 1 + ZONES.index(zone)).astype(np.uint8)
        stats = cv2.connectedComponentsWithStats(here, connectivity=8)[2]
        left, top, width, height, _ = (int(v) for v in stats[1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())])
        px = self.cell_px
        return self.box(left * px, top * px, (left + width) * px, (top + height) * px, zone)

    def box(self, left: float, top: float, right: float, bottom: float, zone: str | None) -> Box:
        """A box given in pixels of `srgb`, in pixels of the photo."""
        x0, x1 = (min(max(value * self.factor, 0.0), float(self.width)) for value in (left, right))
        y0, y1 = (min(max(value * self.factor, 0.0), float(self.height)) for value in (top, bottom))
        x, y = min(int(x0), self.width - 1), min(int(y0), self.height - 1)
        width, height = max(1, round(x1) - x), max(1, round(y1) - y)
        return Box(
            x=x, y=y, width=width, height=height, score=1.0, zone=zone, side=self._side(left, top, right, bottom)
        )

    def _side(self, left: float, top: float, right: float, bottom: float) -> Side | None:
        """The vehicle's side on which the paint in a box lies, given in pixels of `srgb`."""
        if self.sides is None:
            return None
        px = self.cell_px
        window = np.s_[max(0, int(top / px)) : int(bottom / px) + 1, max(0, int(left / px)) : int(right / px) + 1]
        cells = self.sides[:, *window][:, self.painted[window]]
        return side_of(cells, self.least_side) if cells.size else None


def look(
    photo: Photo, maps: NetworkMaps, long_side_px: int, sure: float, clear: tuple[int, int], focus: FocusSettings
) -> Scene:
    """Bring a photo and its maps to the sizes at which colour is measured.

    `sure`: probability from which a surface is believed; `clear`: a cell's brightest 8-bit channel must lie between.
    """
    factor = max(1.0, max(photo.width, photo.height) / long_side_px)
    srgb = photo.srgb
    if factor > 1:
        size = (max(1, round(photo.width / factor)), max(1, round(photo.height / factor)))
        # under 2 to 1 the four pixels of a bilinear sample are nearly all there is, at a seventh of the time
        srgb = cv2.resize(srgb, size, interpolation=cv2.INTER_AREA if factor >= 2 else cv2.INTER_LINEAR)
    rows, columns = (int(side) for side in maps.surfaces.shape[1:])
    cells = cv2.resize(srgb, (columns, rows), interpolation=cv2.INTER_LINEAR)
    painted = maps.surfaces[PAINT] >= sure
    zones = np.zeros((rows, columns), np.uint8)
    zone_probability = np.zeros((rows, columns), np.float32)
    of_paint = maps.zones[:, painted]  # of all cells it would take longer than all that follows
    zones[painted] = of_paint.argmax(axis=0)
    zone_probability[painted] = of_paint.max(axis=0)
    brightest = np.maximum(
        np.maximum(cells[..., 0], cells[..., 1]), cells[..., 2]
    )  # max(axis=-1) takes ten times as long
    focused = in_focus(np.asarray(srgb, np.uint8), (rows, columns), focus)
    return Scene(
        width=photo.width,
        height=photo.height,
        srgb=np.asarray(srgb, np.uint8),
        factor=photo.width / int(srgb.shape[1]),
        sure=sure,
        cells=np.asarray(cells, np.uint8),
        surfaces=maps.surfaces,
        painted=painted,
        zones=zones,
        zone_probability=zone_probability,
        sides=maps.sides,
        least_side=photo_settings().looking.least_side,
        masking=dict(zip(maps.cue_scores, maps.cue_probability, strict=True)).get("masking_edge"),
        in_focus=focused,
        clear=(brightest > clear[0]) & (brightest < clear[1]) & focused,
    )


def _inner(mask: Mask) -> Mask:
    return np.asarray(cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
