"""The vehicle's surfaces as one mesh with one atlas of texels, baked at the density with which the camera sees them.

What fills the frame is baked finely, what is out of sight coarsely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import torch

from synthetic_data.geometry import two_triangles
from synthetic_data.grids import Grids, bare_scene, places, rays, starts
from synthetic_data.paint import Film, PartTable, Texels, noise_of, shade
from synthetic_data.painter import PaintedVehicle
from synthetic_data.vehicle import Part
from synthetic_data.view import View

Array = npt.NDArray[Any]
Tensor = torch.Tensor
SMALLEST_TEXEL_MM = 0.12
LEE_M = 0.25  # mist drifts around what stands farther off
TEXELS_A_PIXEL = 2.4
SEEN_EVERY_PX, SMALL_MM = 4, 60.0  # rays that ask which large parts are in sight; smaller ones cost few texels


@dataclass(frozen=True, slots=True)
class Pieces:
    """Windows of patches (n): patch, first and last of its vertex rows and columns (n, 2), and a texel's size in mm."""

    patch: Array
    rows: Array
    columns: Array
    texel_mm: Array

    def lengths_mm(self, grids: Grids) -> tuple[Array, Array]:
        """Where the windows begin and end (n, 2) along and across their patches."""
        return (
            grids.along_mm[grids.first_column[self.patch][:, None] + self.columns],
            grids.across_mm[grids.first_row[self.patch][:, None] + self.rows],
        )

    def size_mm(self, grids: Grids) -> Array:
        """Width (along) and height (across) (n, 2)."""
        return np.concatenate([np.diff(lengths, axis=1) for lengths in self.lengths_mm(grids)], axis=1)

    def lines(self) -> tuple[Array, Array]:
        """How many vertex rows and columns each has (n,)."""
        return self.rows[:, 1] - self.rows[:, 0] + 1, self.columns[:, 1] - self.columns[:, 0] + 1


def _seen_cells(grids: Grids, cells: Array, view: View) -> Array:
    """Those of the cells in the window, a patch's own, around all its cells that rays through a grid of pixels meet,
    with one more to each side."""
    if not len(cells):
        return cells
    reach = math.tan(math.radians(view.field_of_view_deg) / 2) * 1.04
    x = np.linspace(-1, 1, view.width // SEEN_EVERY_PX + 2) * reach
    y = np.linspace(-1, 1, view.height // SEEN_EVERY_PX + 2) * reach * view.height / view.width
    toward = np.stack([*np.meshgrid(x, y), np.ones((len(y), len(x)))], -1).reshape(-1, 3) @ view.basis()
    hit = bare_scene(grids.points, grids.triangles(cells)).ray_intersect_preliminary(rays(view.origin, toward))
    met = np.array(hit.prim_index)[np.isfinite(np.array(hit.t))]
    windows = _windows(grids, cells[np.unique(met % len(cells))])
    low_row, high_row, low_column, high_column = windows[grids.cell_patch[cells]].T
    row, column = grids.cell_row[cells], grids.cell_column[cells]
    inside = (row >= low_row - 1) & (row <= high_row + 1) & (column >= low_column - 1) & (column <= high_column + 1)
    return np.asarray(cells[inside])


def _windows(grids: Grids, cells: Array) -> Array:
    """First and last row, first and last column (P, 4) of these sorted cells in each patch.

    The window of a patch without any ends before it begins, so that it holds no cell.
    """
    windows = np.tile([9, -9, 9, -9], (len(grids.rows), 1))
    if len(cells):
        owner, first = np.unique(grids.cell_patch[cells], return_index=True)
        for k, lines in enumerate((grids.cell_row[cells], grids.cell_column[cells])):
            windows[owner, 2 * k] = np.minimum.reduceat(lines, first)
            windows[owner, 2 * k + 1] = np.maximum.reduceat(lines, first)
    return windows


def pieces_of(grids: Grids, wanted: Array, view: View) -> Pieces:
    """Cut every wanted (P,) patch to the window the camera may see (fine) and the rest (coarse).

    Large patches are fine only where rays meet them: what lies behind the nearest sheet would take the texels from it.
    """
    local = (grids.points - view.origin) @ view.basis().T
    depth = np.maximum(local[:, 2], 1e-3)
    half_w = math.tan(math.radians(view.field_of_view_deg) / 2) * 1.04
    framed = wanted[grids.cell_patch]
    for values, half in ((local[:, 0] / depth, half_w), (local[:, 1] / depth, half_w * view.height / view.width)):
        around = grids.corners(values)
        framed &= (np.minimum.reduce(around) < half) & (np.maximum.reduce(around) > -half)
    around = grids.corners(local[:, 2])
    cells = np.flatnonzero(framed & (np.maximum.reduce(around) > 0.03))
    size = grids.size_mm().max(axis=1)
    is_large = size[grids.cell_patch[cells]] > SMALL_MM
    cells = np.sort(np.concatenate([cells[~is_large], _seen_cells(grids, cells[is_large], view)]))

    windows, last = _windows(grids, cells), (grids.rows - 1, grids.columns - 1)
    shown, first = np.unique(grids.cell_patch[cells], return_index=True)
    coarse = size / 10 + 1.0
    fine = coarse.copy()
    if len(shown):
        nearest = np.maximum(np.minimum.reduceat(np.minimum.reduce(around)[cells], first), 0.05)
        fine[shown] = np.maximum(nearest * view.pixel_angle * 1000 * 0.9, SMALLEST_TEXEL_MM)
    unseen = np.ones(len(size), bool)
    unseen[shown] = False
    zero = np.zeros_like(last[0])
    r0, c0 = np.where(unseen, 0, windows[:, 0]), np.where(unseen, 0, windows[:, 2])
    r1, c1 = np.where(unseen, last[0], windows[:, 1] + 1), np.where(unseen, last[1], windows[:, 3] + 1)
    cuts = [(r0, r1, c0, c1), (zero, r0, zero, last[1]), (r1, last[0], zero, last[1]), (r0, r1, zero, c0)]
    cut = np.stack([np.stack(each, axis=1) for each in (*cuts, (r0, r1, c1, last[1]))], axis=1)  # (P, 5, 4)
    texel = np.repeat(np.maximum(coarse, fine)[:, None], 5, axis=1)
    texel[:, 0] = fine
    is_one = (cut[..., 1] > cut[..., 0]) & (cut[..., 3] > cut[..., 2]) & wanted[:, None]
    return Pieces(np.nonzero(is_one)[0], cut[is_one][:, :2], cut[is_one][:, 2:], texel[is_one])


def _sizes(size_mm: Array, texel_mm: Array) -> Array:
    return np.asarray(np.clip(np.ceil(size_mm / texel_mm[:, None]) + 1, 4, 4000), int)


def _pack(sizes: Array) -> tuple[Array, int, int]:
    """Shelf packing, tallest first. Returns left top corners (N, 2) and the atlas size."""
    width = int(max(sizes[:, 0].max(), 2 ** math.ceil(math.log2(math.sqrt(float((sizes[:, 0] * sizes[:, 1]).sum()))))))
    corners = np.zeros_like(sizes)
    x = y = shelf = 0
    for k in np.argsort(-sizes[:, 1], kind="stable"):
        w, h = sizes[k]
        if x + w > width:
            x, y, shelf = 0, y + shelf, 0
        corners[k] = (x, y)
        x, shelf = x + w, max(shelf, h)
    return corners, width, y + shelf


@dataclass(frozen=True, slots=True)
class Baked:
    """The atlas as texels (N): look, owning part, place in the atlas, size (N, 2) mm, owning piece; and the mesh."""

    texels: Texels
    film: Film
    part: Tensor
    atlas: tuple[int, int]
    flat: Tensor
    step_mm: Tensor
    piece: Tensor
    vertices: Array
    normals: Array
    uv: Array
    faces: Array


def bake(
    painted: PaintedVehicle,
    parts: tuple[Part, ...],
    grids: Grids,
    wanted: Array,
    table: PartTable,
    view: View,
    device: torch.device,
    seed: int,
) -> Baked:
    """The look of every texel of the wanted (P,) parts, and their mesh in metres.

    `parts`, `grids` and `table` have a row a part.
    """
    pieces = pieces_of(grids, wanted, view)
    size_mm = pieces.size_mm(grids)
    sizes = _affordable(size_mm, pieces.texel_mm, TEXELS_A_PIXEL * view.width * view.height)
    corners, width, height = _pack(sizes)
    mesh = _joined(grids, pieces, sizes, corners, (height, width))
    lines = _grid_lines(grids, pieces, sizes, corners, width, device)
    piece, row, column = _addresses(sizes, device)
    part = torch.from_numpy(pieces.patch).to(device)[piece]
    position, normal = _between(mesh, lines, row, column, device)
    step_mm = torch.from_numpy((size_mm / (sizes - 1)).astype(np.float32)).to(device)[piece]
    full_mm = torch.from_numpy(grids.size_mm().astype(np.float32)).to(device)[part]
    texels = Texels(
        position * 1000.0,
        torch.nn.functional.normalize(normal, dim=1),
        lines.along_mm[column],
        lines.across_mm[row],
        full_mm[:, 0],
        full_mm[:, 1],
        part,
        step_mm.amax(1).clamp(min=1e-3),
    )
    generator = torch.Generator(device=device).manual_seed(seed)
    grain = torch.rand(len(part), generator=generator, device=device)
    texels = replace(texels, lee=_in_lee(parts, grids, table, texels, seed), grain=grain)
    film = _film(texels, painted, table)
    flat = lines.row_start[row] + lines.column_place[column]
    return Baked(
        texels, film, part, (height, width), flat, step_mm, piece, mesh.vertices, mesh.normals, mesh.uv, mesh.faces
    )


def baked_again(baked: Baked, painted: PaintedVehicle, table: PartTable, other: PartTable) -> Baked:
    """The same texels, baked from a table, as another one with as many parts has them."""
    changed = torch.zeros(len(table.kind), dtype=torch.bool)
    for name in table.__slots__:
        changed |= (getattr(table, name) != getattr(other, name)).reshape(len(changed), -1).any(1)
    rows = torch.nonzero(changed.to(baked.part.device)[baked.part], as_tuple=True)[0]
    if not len(rows):
        return baked
    return replace(baked, film=baked.film.put(rows, _film(baked.texels.at(rows), painted, other)))


def _film(texels: Texels, painted: PaintedVehicle, table: PartTable) -> Film:
    device = texels.part.device
    noise = noise_of(painted.history.seed, device)
    return shade(texels, table.to(device), painted.grime, noise, None, painted.crevices)


def _in_lee(parts: tuple[Part, ...], grids: Grids, table: PartTable, texels: Texels, seed: int) -> Tensor | None:
    """Where pipes, brackets and the like keep a painter's mist off what lies behind them (N,); None without mist.

    One ray a texel, scattered as a spray is: the edge of a shadow is made of droplets.
    """
    device = texels.part.device
    veil = table.veil.to(device)
    rows = torch.nonzero((veil[:, 0] > 0)[texels.part], as_tuple=True)[0]
    before = np.array([part.kind in ("hidden", "fastener") for part in parts])
    if not len(rows) or not before.any():
        return None
    generator = torch.Generator(device=device).manual_seed(seed)
    scatter = 0.07 * torch.randn((len(rows), 3), generator=generator, device=device)
    way = torch.nn.functional.normalize(veil[texels.part[rows], 1:4] + scatter, dim=1)
    start = texels.position_mm[rows] / 1000 + 0.0015 * texels.normal[rows]
    scene = bare_scene(grids.points, grids.triangles(np.flatnonzero(before[grids.cell_patch])))
    near = np.array(scene.ray_intersect_preliminary(rays(start.cpu().numpy(), way.cpu().numpy())).t) < LEE_M
    lee = torch.zeros(len(texels.part), dtype=torch.bool, device=device)
    lee[rows] = torch.from_numpy(near).to(device)
    return lee


def _affordable(size_mm: Array, texel_mm: Array, most: float) -> Array:
    """Sizes (N, 2) in texels, all made coarser alike until they are `most` texels at the most."""
    scale = 1.0
    sizes = _sizes(size_mm, texel_mm)
    for _ in range(6):
        total = int((sizes[:, 0] * sizes[:, 1]).sum())
        if total <= most:
            break
        scale *= math.sqrt(total / most) * 1.03
        sizes = _sizes(size_mm, texel_mm * scale)
    return sizes


@dataclass(frozen=True, slots=True)
class _Mesh:
    vertices: Array
    normals: Array
    uv: Array
    faces: Array


def _joined(grids: Grids, pieces: Pieces, sizes: Array, corners: Array, atlas: tuple[int, int]) -> _Mesh:
    """All pieces as one mesh; the outermost vertices of a piece lie in the middle of its outermost texels."""
    down, right = pieces.lines()
    owner, row, column = places(down, right)
    patch = pieces.patch[owner]
    row, column = pieces.rows[owner, 0] + row, pieces.columns[owner, 0] + column
    vertex = grids.first_vertex[patch] + row * grids.columns[patch] + column
    at_mm = grids.along_mm[grids.first_column[patch] + column], grids.across_mm[grids.first_row[patch] + row]
    uv = np.empty((len(vertex), 2))
    for axis, (lengths, limits) in enumerate(zip(at_mm, pieces.lengths_mm(grids), strict=True)):
        share = (lengths - limits[owner, 0]) / np.maximum(limits[:, 1] - limits[:, 0], 1e-9)[owner]
        uv[:, axis] = (corners[owner, axis] + 0.5 + share * (sizes[owner, axis] - 1)) / atlas[1 - axis]
    owner, row, column = places(down - 1, right - 1)
    first = starts(down * right)[owner] + row * right[owner] + column
    return _Mesh(grids.points[vertex], grids.normals[vertex], uv, two_triangles(first, right[owner]))


@dataclass(frozen=True, slots=True)
class _GridLines:
    """What texels of one row, or of one column, of a piece have in common; all pieces' rows (columns) after each other.

    `row_vertex` is the number of the first vertex on the grid line before the row, `column_vertex` counts on from it;
    the parts are how far the texel lies towards the next line. `row_stride` is the way to that line's vertices.
    """

    row_vertex: Tensor
    row_stride: Tensor
    row_part: Tensor
    row_start: Tensor
    across_mm: Tensor
    column_vertex: Tensor
    column_part: Tensor
    column_place: Tensor
    along_mm: Tensor


def _grid_lines(
    grids: Grids, pieces: Pieces, sizes: Array, corners: Array, width: int, device: torch.device
) -> _GridLines:
    down, right = pieces.lines()
    owner, row, line, part, across_mm = _texel_lines(
        grids.across_mm, grids.first_row[pieces.patch] + pieces.rows[:, 0], down, sizes[:, 1]
    )
    start = (corners[owner, 1] + row) * width + corners[owner, 0]
    rows = starts(down * right)[owner] + line * right[owner], right[owner], part, start, across_mm
    _, column, line, part, along_mm = _texel_lines(
        grids.along_mm, grids.first_column[pieces.patch] + pieces.columns[:, 0], right, sizes[:, 0]
    )
    tensors = (
        torch.from_numpy(values.astype(np.float32) if values.dtype.kind == "f" else values).to(device)
        for values in (*rows, line, part, column, along_mm)
    )
    return _GridLines(*tensors)


def _texel_lines(lengths_mm: Array, first: Array, count: Array, texels: Array) -> tuple[Array, ...]:
    """Equal steps over pieces (n) whose `count` grid lines lie at `lengths_mm` from `first` on.

    Of each of the `texels` (n) rows, or columns: its piece, its number there, the piece's grid line before it, the
    share of the way to the next one, and where it lies in mm.
    """
    of_line, line, _ = places(count, np.ones_like(count))
    lengths = lengths_mm[first[of_line] + line]
    low, high = lengths_mm[first], lengths_mm[first + count - 1]
    owner, number, _ = places(texels, np.ones_like(texels))
    step = number / (texels - 1)[owner]
    # the lines of each piece follow those of the piece before, so that one search serves all
    place = 2 * of_line + (lengths - low[of_line]) / np.maximum(high - low, 1e-9)[of_line]
    begin = starts(count)
    before = np.searchsorted(place, 2 * owner + step, side="right") - 1
    before = np.clip(before, begin[owner], (begin + count - 2)[owner])
    towards = (2 * owner + step - place[before]) / np.maximum(place[before + 1] - place[before], 1e-12)
    return owner, number, before - begin[owner], np.clip(towards, 0, 1), low[owner] + step * (high - low)[owner]


def _addresses(sizes: Array, device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """Of every texel: its piece, and its row and column among all pieces' rows and columns."""
    size = torch.from_numpy(sizes).to(device)
    count = size[:, 0] * size[:, 1]
    piece = torch.repeat_interleave(torch.arange(len(sizes), device=device), count)
    own = torch.stack([count, size[:, 1], size[:, 0]], 1)
    before = torch.cumsum(own, 0) - own
    local = torch.arange(len(piece), device=device) - before[piece, 0]
    row = torch.div(local, size[piece, 0], rounding_mode="floor")
    return piece, before[piece, 1] + row, before[piece, 2] + local - row * size[piece, 0]


def _between(
    mesh: _Mesh, lines: _GridLines, row: Tensor, column: Tensor, device: torch.device
) -> tuple[Tensor, Tensor]:
    """Position in m and normal (N, 3) of texels, linear between the four vertices around each."""
    both = torch.from_numpy(np.concatenate([mesh.vertices, mesh.normals], axis=1).astype(np.float32)).to(device)
    first, stride = lines.row_vertex[row] + lines.column_vertex[column], lines.row_stride[row]
    down, right = lines.row_part[row][:, None], lines.column_part[column][:, None]
    upper = torch.lerp(both[first], both[first + 1], right)
    lower = torch.lerp(both[first + stride], both[first + stride + 1], right)
    texels = torch.lerp(upper, lower, down)
    return texels[:, :3], texels[:, 3:]


def as_image(baked: Baked, values: torch.Tensor) -> torch.Tensor:
    height, width = baked.atlas
    channels = values.shape[1] if values.ndim == 2 else 1
    image = torch.zeros((height * width, channels), dtype=torch.float32, device=values.device)
    image[baked.flat] = values.reshape(-1, channels).float()
    return image.reshape(height, width, channels)


def bent_normals(baked: Baked) -> torch.Tensor:
    """The relief as a tangent-space normal map (H, W, 3) in 0 to 1; tangents are Mitsuba's: along, minus across."""
    relief, piece = as_image(baked, baked.film.relief_mm)[..., 0], as_image(baked, baked.piece + 1)[..., 0]
    step = as_image(baked, baked.step_mm).clamp(min=1e-3)
    slopes = []
    for axis in (1, 0):
        ahead, behind = torch.roll(relief, -1, axis), torch.roll(relief, 1, axis)
        ahead = torch.where(torch.roll(piece, -1, axis) == piece, ahead, relief)
        behind = torch.where(torch.roll(piece, 1, axis) == piece, behind, relief)
        slopes.append(((ahead - behind) / (2 * step[..., 0 if axis == 1 else 1])).clamp(-0.6, 0.6))
    normal = torch.nn.functional.normalize(torch.stack([-slopes[0], slopes[1], torch.ones_like(relief)], -1), dim=-1)
    return normal * 0.5 + 0.5
