"""The vehicle's surfaces as one mesh with one atlas of texels, baked at the density with which the camera sees them.

What fills the frame is baked finely, what is out of sight coarsely.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import mitsuba as mi
import numpy as np
import numpy.typing as npt
import torch

from synthetic_data.geometry import Patch
from synthetic_data.paint import Film, Noise, PartTable, Texels, shade
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
class _Piece:
    part: int
    patch: Patch
    normals: Array
    texel_mm: float


def bare_scene(patches: Sequence[Patch]) -> Any:
    """The patches as one mesh without a look, to ask rays of; triangles in the order of `Patch.triangles`."""
    first = np.cumsum([0, *(patch.points[..., 0].size for patch in patches)])
    faces = np.concatenate([patch.triangles(int(start)) for patch, start in zip(patches, first[:-1], strict=True)])
    mesh = mi.Mesh("bare", vertex_count=int(first[-1]), face_count=len(faces))
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.concatenate([p.points.reshape(-1, 3) for p in patches]).astype(np.float32).ravel()
    params["faces"] = faces.astype(np.uint32).ravel()
    params.update()
    return mi.load_dict({"type": "scene", "mesh": mesh})


def owners(patches: Sequence[Patch], triangles: Array) -> tuple[Array, Array]:
    """Which of the patches each triangle of their `bare_scene` belongs to; and the number of each patch's first one."""
    first = np.cumsum([0, *(2 * (patch.points.shape[0] - 1) * (patch.points.shape[1] - 1) for patch in patches)])
    return np.searchsorted(first, triangles, side="right") - 1, first


def _seen_cells(parts: tuple[Part, ...], view: View) -> list[tuple[slice, slice] | None]:
    """Rows and columns of each patch's cells that rays through a grid of pixels meet, with one more to each side."""
    if not parts:
        return []
    reach = math.tan(math.radians(view.field_of_view_deg) / 2) * 1.04
    x = np.linspace(-1, 1, view.width // SEEN_EVERY_PX + 2) * reach
    y = np.linspace(-1, 1, view.height // SEEN_EVERY_PX + 2) * reach * view.height / view.width
    toward = np.stack([*np.meshgrid(x, y), np.ones((len(y), len(x)))], -1).reshape(-1, 3) @ view.basis()
    start, way = (np.broadcast_to(v, toward.shape).astype(np.float32).T.copy() for v in (view.origin, toward))
    ray = mi.Ray3f(mi.Point3f(*map(mi.Float, start)), mi.Vector3f(*map(mi.Float, way)))
    hit = bare_scene([part.patch for part in parts]).ray_intersect_preliminary(ray)
    met = np.unique(np.array(hit.prim_index)[np.isfinite(np.array(hit.t))])
    shapes = [(part.patch.points.shape[0] - 1, part.patch.points.shape[1] - 1) for part in parts]
    owner, first = owners([part.patch for part in parts], met)
    windows: list[tuple[slice, slice] | None] = [None] * len(parts)
    for k in np.unique(owner):
        rows, columns = shapes[k]
        r, c = np.divmod((met[owner == k] - first[k]) % (rows * columns), columns)
        windows[k] = (
            slice(max(int(r.min()) - 1, 0), int(r.max()) + 2),
            slice(max(int(c.min()) - 1, 0), int(c.max()) + 2),
        )
    return windows


def _pieces(parts: tuple[Part, ...], view: View) -> list[_Piece]:
    """Cut every patch to the window the camera may see (fine) and the rest (coarse).

    Large parts are fine only where rays meet them: what lies behind the nearest sheet would take the texels from it.
    """
    basis, pieces = view.basis(), list[_Piece]()
    half_w = math.tan(math.radians(view.field_of_view_deg) / 2) * 1.04
    half_h = half_w * view.height / view.width
    depths, framed = list[Array](), list[Array]()
    for part in parts:
        local = (part.patch.points - view.origin) @ basis.T
        z = local[..., 2]
        safe = np.maximum(z, 1e-3)
        x, y = local[..., 0] / safe, local[..., 1] / safe
        within = (_least(x) < half_w) & (_most(x) > -half_w) & (_least(y) < half_h) & (_most(y) > -half_h)
        depths.append(z)
        framed.append(within & (_most(z) > 0.03))
    large = [k for k, part in enumerate(parts) if framed[k].any() and max(part.patch.size_mm) > SMALL_MM]
    for k, window in zip(large, _seen_cells(tuple(parts[k] for k in large), view), strict=True):
        in_view = np.zeros_like(framed[k])
        if window is not None:
            in_view[window] = True
        framed[k] &= in_view
    for k, part in enumerate(parts):
        points, z, shown = part.patch.points, depths[k], framed[k]
        coarse = max(part.patch.size_mm) / 10 + 1.0
        normals = _normals(points)
        if not shown.any():
            pieces.append(_Piece(k, part.patch, normals, coarse))
            continue
        rows, columns = np.nonzero(shown.any(1))[0], np.nonzero(shown.any(0))[0]
        r0, r1, c0, c1 = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
        nearest = float(np.maximum(_least(z)[shown].min(), 0.05))
        texel = max(nearest * view.pixel_angle * 1000 * 0.9, SMALLEST_TEXEL_MM)
        total_r, total_c = points.shape[0] - 1, points.shape[1] - 1
        for rs, re, cs, ce, fine in (
            (r0, r1, c0, c1, True),
            (0, r0, 0, total_c, False),
            (r1, total_r, 0, total_c, False),
            (r0, r1, 0, c0, False),
            (r0, r1, c1, total_c, False),
        ):
            if re > rs and ce > cs:
                window = slice(rs, re + 1), slice(cs, ce + 1)
                pieces.append(
                    _Piece(k, part.patch.cut(*window), normals[window], texel if fine else max(coarse, texel))
                )
    return pieces


def _least(values: Array) -> Array:
    """Least value at the four corners of each cell of a grid."""
    left, right = values[:, :-1], values[:, 1:]
    return np.minimum(np.minimum(left[:-1], left[1:]), np.minimum(right[:-1], right[1:]))


def _most(values: Array) -> Array:
    return -_least(-values)


def _sizes(pieces: list[_Piece], scale: float) -> Array:
    sizes = np.array([[*p.patch.size_mm, p.texel_mm * scale] for p in pieces])
    return np.asarray(np.clip(np.ceil(sizes[:, :2] / sizes[:, 2:]) + 1, 4, 4000), int)


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


def _normals(points: Array) -> Array:
    """Unit normals (rows, columns, 3) of a grid of points; grids that close on themselves are smooth where they do."""
    down, right = _slopes(points), _slopes(points.swapaxes(0, 1)).swapaxes(0, 1)
    normal = np.stack(
        [
            down[..., 1] * right[..., 2] - down[..., 2] * right[..., 1],
            down[..., 2] * right[..., 0] - down[..., 0] * right[..., 2],
            down[..., 0] * right[..., 1] - down[..., 1] * right[..., 0],
        ],
        axis=-1,
    )
    length = np.sqrt(np.square(normal).sum(-1, keepdims=True))
    poor = length[..., 0] < 1e-14
    if poor.any():  # the middle of a turned shape
        fallback = normal.sum(axis=(0, 1))
        normal[poor] = fallback / max(float(np.linalg.norm(fallback)), 1e-12)
        length = np.sqrt(np.square(normal).sum(-1, keepdims=True))
    return np.asarray(normal / np.maximum(length, 1e-14))


def _slopes(points: Array) -> Array:
    """Central differences over the first axis, one-sided at open ends (what `np.gradient` does, which is slower)."""
    slopes = np.empty_like(points)
    slopes[1:-1] = (points[2:] - points[:-2]) / 2
    if np.abs(points[0] - points[-1]).max() < 1e-6:
        slopes[0] = slopes[-1] = (points[1] - points[-2]) / 2
    else:
        slopes[0], slopes[-1] = points[1] - points[0], points[-1] - points[-2]
    return slopes


@dataclass(frozen=True, slots=True)
class Baked:
    """The atlas as texels (N): look, owning part, place in the atlas, size (N, 2) mm, owning piece; and the mesh."""

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
    painted: PaintedVehicle, parts: tuple[Part, ...], table: PartTable, view: View, device: torch.device, seed: int
) -> Baked:
    """The look of every texel of the parts, and their mesh in metres; `table` has a row a part."""
    pieces = _pieces(parts, view)
    sizes = _affordable(pieces, TEXELS_A_PIXEL * view.width * view.height)
    corners, width, height = _pack(sizes)
    mesh = _joined(pieces, sizes, corners, (height, width))
    lines = _grid_lines(pieces, sizes, corners, width, device)
    piece, row, column = _addresses(sizes, device)
    part = torch.tensor([p.part for p in pieces], device=device)[piece]
    position, normal = _between(mesh, lines, row, column, device)
    step_mm = torch.tensor(
        np.array([p.patch.size_mm for p in pieces]) / (sizes - 1), dtype=torch.float32, device=device
    )[piece]
    full_mm = torch.tensor(np.array([p.patch.size_mm for p in parts]), dtype=torch.float32, device=device)[part]
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
    noise = Noise(painted.history.seed, device)
    generator = torch.Generator(device=device).manual_seed(seed)
    texels = replace(texels, lee=_in_lee(parts, table, texels, seed))
    film = shade(texels, table.to(device), painted.grime, noise, generator, painted.crevices)
    flat = lines.row_start[row] + lines.column_place[column]
    return Baked(film, part, (height, width), flat, step_mm, piece, mesh.vertices, mesh.normals, mesh.uv, mesh.faces)


def _in_lee(parts: tuple[Part, ...], table: PartTable, texels: Texels, seed: int) -> Tensor | None:
    """Where pipes, brackets and the like keep a painter's mist off what lies behind them (N,); None without mist.

    One ray a texel, scattered as a spray is: the edge of a shadow is made of droplets.
    """
    device = texels.part.device
    veil = table.veil.to(device)
    rows = torch.nonzero((veil[:, 0] > 0)[texels.part], as_tuple=True)[0]
    before = [part.patch for part in parts if part.kind in ("hidden", "fastener")]
    if not len(rows) or not before:
        return None
    generator = torch.Generator(device=device).manual_seed(seed)
    scatter = 0.07 * torch.randn((len(rows), 3), generator=generator, device=device)
    way = torch.nn.functional.normalize(veil[texels.part[rows], 1:4] + scatter, dim=1)
    start = texels.position_mm[rows] / 1000 + 0.0015 * texels.normal[rows]
    o, d = (np.ascontiguousarray(v.T.cpu().numpy(), np.float32) for v in (start, way))
    ray = mi.Ray3f(mi.Point3f(*map(mi.Float, o)), mi.Vector3f(*map(mi.Float, d)))
    near = np.array(bare_scene(before).ray_intersect_preliminary(ray).t) < LEE_M
    lee = torch.zeros(len(texels.part), dtype=torch.bool, device=device)
    lee[rows] = torch.from_numpy(near).to(device)
    return lee


def _affordable(pieces: list[_Piece], most: float) -> Array:
    """Sizes (N, 2) in texels, all made coarser alike until they are `most` texels at the most."""
    scale = 1.0
    sizes = _sizes(pieces, scale)
    for _ in range(6):
        total = int((sizes[:, 0] * sizes[:, 1]).sum())
        if total <= most:
            break
        scale *= math.sqrt(total / most) * 1.03
        sizes = _sizes(pieces, scale)
    return sizes


@dataclass(frozen=True, slots=True)
class _Mesh:
    vertices: Array
    normals: Array
    uv: Array
    faces: Array
    first: Array = field(repr=False)  # number of each piece's first vertex


def _joined(pieces: list[_Piece], sizes: Array, corners: Array, atlas: tuple[int, int]) -> _Mesh:
    """All pieces as one mesh; the outermost vertices of a piece lie in the middle of its outermost texels."""
    uvs, faces, first, base = [], [], [], 0
    for piece, (w, h), (x, y) in zip(pieces, sizes, corners, strict=True):
        rows, columns = piece.patch.points.shape[:2]
        grid = np.empty((rows, columns, 2))
        grid[..., 0] = ((x + 0.5 + _share(piece.patch.along_mm) * (w - 1)) / atlas[1])[None]
        grid[..., 1] = ((y + 0.5 + _share(piece.patch.across_mm) * (h - 1)) / atlas[0])[:, None]
        uvs.append(grid.reshape(-1, 2))
        faces.append(piece.patch.triangles(base))
        first.append(base)
        base += rows * columns
    return _Mesh(
        np.concatenate([piece.patch.points.reshape(-1, 3) for piece in pieces]),
        np.concatenate([piece.normals.reshape(-1, 3) for piece in pieces]),
        np.concatenate(uvs),
        np.concatenate(faces),
        np.array(first),
    )


def _share(lengths_mm: Array) -> Array:
    """Lengths along a grid line as shares of its whole, 0 to 1."""
    return np.asarray((lengths_mm - lengths_mm[0]) / max(lengths_mm[-1] - lengths_mm[0], 1e-9))


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


def _grid_lines(pieces: list[_Piece], sizes: Array, corners: Array, width: int, device: torch.device) -> _GridLines:
    rows, columns, base = list[tuple[Array, ...]](), list[tuple[Array, ...]](), 0
    for piece, (w, h), (x, y) in zip(pieces, sizes, corners, strict=True):
        patch = piece.patch
        down, right = patch.points.shape[:2]
        vertex, part = _nearest_line(patch.across_mm, int(h))
        start = (y + np.arange(h)) * width + x
        across = np.linspace(patch.across_mm[0], patch.across_mm[-1], h)
        rows.append((base + vertex * right, np.full(h, right), part, start, across))
        vertex, part = _nearest_line(patch.along_mm, int(w))
        columns.append((vertex, part, np.arange(w), np.linspace(patch.along_mm[0], patch.along_mm[-1], w)))
        base += down * right

    def tensors(chunks: list[tuple[Array, ...]]) -> list[Tensor]:
        joined = (np.concatenate(values) for values in zip(*chunks, strict=True))
        return [torch.from_numpy(v.astype(np.float32) if v.dtype.kind == "f" else v).to(device) for v in joined]

    return _GridLines(*tensors(rows), *tensors(columns))


def _nearest_line(lengths_mm: Array, count: int) -> tuple[Array, Array]:
    """For `count` equal steps over a piece: the grid line before each, and the share of the way to the next."""
    at = np.interp(np.linspace(0, 1, count), _share(lengths_mm), np.arange(len(lengths_mm)))
    line = np.minimum(at.astype(np.int64), len(lengths_mm) - 2)
    return line, at - line


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
