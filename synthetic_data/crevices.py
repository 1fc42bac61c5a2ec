"""Where dirt stays after a wash: along folded edges, the feet of rubbers, trims and heads, and in runs below heads.

`find_crevices` collects these as short straight pieces once a vehicle, in a grid of voxels that holds the nearest piece
each; `Crevices.nearest` then answers for millions of texels with one look-up each, on any device. Lengths are mm.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from synthetic_data.geometry import Patch, lengths, resample, unit_normals
from synthetic_data.vehicle import LANDING_ROWS, Part

Array = npt.NDArray[Any]
VOXEL_MM = REACH_MM = 8.0  # dirt lies nearer than this to what holds it
CELLS = 2**12  # voxels along each axis; 32 m
RANK_BITS, PIECE_BITS = 8, 20  # of a distance and a piece in one number; 36 more hold the voxel
# how much dirt stays at each, and how often and how far it runs down from a head (common practice, no source)
AT_EDGE, AT_LANDING, AT_SEAL, AT_TRIM, AT_HEAD, AT_RUN = 0.55, 0.52, 1.0, 0.8, 0.85, 0.5
RUN_SHARE, RUN_MM = 0.35, (12.0, 60.0)
ROUND_M = 0.012  # an edge bent over a larger radius is a shoulder, which the rain washes
TRIM = frozenset({"lamp", "plate", "black_part", "bare_metal"})


@dataclass(frozen=True, slots=True)
class Crevices:
    """For each voxel (K,), keys sorted, its nearest piece: start and end (K, 3), radius (K,), hold at its ends (K, 2).

    A piece with a radius is a ring around its start.
    """

    keys: Tensor
    start: Tensor
    end: Tensor
    radius: Tensor
    hold: Tensor

    def to(self, device: torch.device) -> Crevices:
        return Crevices(*(getattr(self, name).to(device) for name in self.__slots__))

    def nearest(self, position_mm: Tensor) -> tuple[Tensor, Tensor]:
        """Distance (N,) of positions (N, 3) from what holds dirt, at most `REACH_MM`, and how much it holds, 0 to 1."""
        distance = torch.full((len(position_mm),), REACH_MM, device=position_mm.device)
        hold = torch.zeros_like(distance)
        if not len(self.keys):
            return distance, hold
        cell = torch.floor(position_mm.double() / VOXEL_MM).long() + CELLS // 2
        key = (cell[:, 0] * CELLS + cell[:, 1]) * CELLS + cell[:, 2]
        place = torch.searchsorted(self.keys, key).clamp(max=len(self.keys) - 1)
        rows = torch.nonzero(self.keys[place] == key, as_tuple=True)[0]
        which, at = place[rows], position_mm[rows]
        way = self.end[which] - self.start[which]
        # a voxel's corner may lie beside the next piece of the same curve: pieces go on by half their length
        share = (((at - self.start[which]) * way).sum(-1) / (way * way).sum(-1).clamp(min=1e-6)).clamp(-0.5, 1.5)
        off = (at - self.start[which] - share[:, None] * way).norm(dim=-1)
        distance[rows] = (off - self.radius[which]).abs().clamp(max=REACH_MM)
        hold[rows] = self.hold[which, 0] + share.clamp(0, 1) * (self.hold[which, 1] - self.hold[which, 0])
        return distance, hold


def find_crevices(parts: Iterable[Part]) -> Crevices:
    """What holds dirt on these parts."""
    pieces: list[Array] = []  # rows of start, end, radius and the hold at both ends
    for part in parts:
        if part.kind == "fastener":
            pieces.append(_head(part))
        elif part.kind == "seal":
            pieces.extend(_pieces(part.patch.points[row], AT_SEAL) for row in (0, -1))
        elif part.zone == "hinge" or (part.kind == "other" and part.surface in TRIM):
            pieces.extend(_pieces(part.patch.points[row], AT_TRIM) for row in (0, -1))
        elif part.kind == "sheet" and min(part.patch.size_mm) > 40:
            pieces.extend(_pieces(edge, AT_EDGE) for edge in _folded_edges(part.patch))
        elif part.kind == "shut" and part.name.startswith("shut."):  # a landing holds what falls into the gap
            pieces.append(_pieces(part.patch.points[LANDING_ROWS // 2], AT_LANDING))
    every = np.concatenate(pieces) if pieces else np.zeros((0, 9))
    return _voxels(every)


def _pieces(curve: Array, hold: float) -> Array:
    """A curve in metres as straight pieces of no more than a voxel."""
    length = float(lengths(curve[1:] - curve[:-1]).sum()) * 1000
    if length < 1:
        return np.zeros((0, 9))
    points = resample(curve, max(2, int(np.ceil(length / VOXEL_MM)) + 1)) * 1000
    pieces = np.empty((len(points) - 1, 9))
    pieces[:, :3], pieces[:, 3:6], pieces[:, 6:] = points[:-1], points[1:], [0.0, hold, hold]
    return pieces


def _head(part: Part) -> Array:
    """The ring a head stands on, and on an upright sheet at times the run that the rain drew below it."""
    foot = part.patch.points[-1] * 1000
    middle = foot.mean(axis=0)
    radius = float(lengths(foot - middle).mean())
    held = AT_HEAD * (0.25 + 0.75 * zlib.crc32(part.group[::-1].encode()) / 2**32)  # some were wiped
    rows = [[*middle, *middle, radius, held, held]]
    leaning = np.ptp(foot[:, 2]) < 1.6 * radius  # it lies rather flat
    chance = zlib.crc32(part.name.encode()) / 2**32
    if not leaning and chance < RUN_SHARE:
        low = middle - [0, 0, radius]
        ends = np.linspace(0, RUN_MM[0] + chance / RUN_SHARE * (RUN_MM[1] - RUN_MM[0]), 8)
        holds = AT_RUN * (1 - ends / ends[-1])
        rows += [
            [*(low - [0, 0, a]), *(low - [0, 0, b]), 0.0, first, last]
            for a, b, first, last in zip(ends[:-1], ends[1:], holds[:-1], holds[1:], strict=True)
        ]
    return np.array(rows)


def _folded_edges(patch: Patch) -> list[Array]:
    """The lines along which a sheet's borders are folded away; a border that is not folded has none."""
    edges = []
    is_ring = np.allclose(patch.points[:, 0], patch.points[:, -1], atol=1e-6)
    for points in (patch.points,) if is_ring else (patch.points, patch.points.transpose(1, 0, 2)):
        normal = unit_normals(points)
        middle = normal[len(normal) // 2]
        turned = (normal * middle[None]).sum(-1).mean(axis=1) < 0.9  # (rows,)
        for order in (slice(None), slice(None, None, -1)):
            bend = int(np.argmin(turned[order]))
            if 0 < bend < len(points) // 2:
                (ahead, here), (before, after) = points[order][bend - 1 : bend + 1], normal[order][bend - 1 : bend + 1]
                angle = float(np.arccos(np.clip((before * after).sum(-1), -1, 1)).mean())
                if float(lengths(here - ahead).mean()) < ROUND_M * angle:
                    edges.append(here)
    return edges


def _voxels(pieces: Array) -> Crevices:
    """The nearest piece of each voxel that one comes near; a vehicle has some forty thousand pieces."""
    middle, radius = (pieces[:, :3] + pieces[:, 3:6]) / 2, pieces[:, 6]
    steps = np.ceil((radius + REACH_MM) / VOXEL_MM).astype(int)  # a piece reaches no voxel farther off
    packed = [np.zeros(0, np.uint64)]
    for reach in np.unique(steps):
        index = np.flatnonzero(steps == reach)
        centre = middle[index][..., None]
        cell = np.floor(centre / VOXEL_MM).astype(np.int64) + np.arange(-reach, reach + 1)  # (pieces, 3, cells aside)
        x, y, z = (((cell + 0.5) * VOXEL_MM - centre) ** 2).transpose(1, 0, 2)
        away = np.sqrt(x[:, :, None, None] + y[:, None, :, None] + z[:, None, None, :])
        away = np.abs(away - radius[index][:, None, None, None])
        near = np.nonzero(away < 1.5 * REACH_MM)  # a voxel's corner is 0.87 of its side from its middle
        x, y, z = (cell + CELLS // 2).transpose(1, 0, 2)
        key = (x[near[0], near[1]] * CELLS + y[near[0], near[2]]) * CELLS + z[near[0], near[3]]
        rank = (away[near] * 16).astype(np.int64)
        # voxel, distance and piece in one number: one sort finds the nearest of each voxel
        packed.append(((key << RANK_BITS | rank) << PIECE_BITS | index[near[0]]).view(np.uint64))
    every = np.sort(np.concatenate(packed))
    key = (every >> (RANK_BITS + PIECE_BITS)).astype(np.int64)
    first = np.flatnonzero(np.diff(key, prepend=-1))
    which = (every[first] & (2**PIECE_BITS - 1)).astype(np.int64)
    nearest = torch.from_numpy(pieces[which].astype(np.float32))
    return Crevices(
        torch.from_numpy(key[first]), nearest[:, :3], nearest[:, 3:6], nearest[:, 6].clone(), nearest[:, 7:]
    )
