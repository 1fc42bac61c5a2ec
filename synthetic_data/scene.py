"""From a painted vehicle and a viewpoint to radiance and labels, with Mitsuba 3.

Every scene has the same shapes and plugins (one body mesh with one atlas of baked textures, one pane mesh, ground, one
environment), so that Mitsuba's compiled kernels are reused from photo to photo. Texture density follows the camera:
what fills the frame is baked finely, what is out of sight coarsely.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import mitsuba as mi
import numpy as np
import numpy.typing as npt
import torch

from pipeline.records import DETECTED_CUES, SURFACES, ZONES
from synthetic_data.apron import Apron, outline
from synthetic_data.camera import Exposure
from synthetic_data.denoise import Half, denoise
from synthetic_data.geometry import Patch
from synthetic_data.paint import CUE_BIT, Film, Noise, PartTable, Texels, shade
from synthetic_data.painter import PaintedVehicle
from synthetic_data.vehicle import Part

Array = npt.NDArray[Any]
SMALLEST_TEXEL_MM = 0.12
TEXELS_A_PIXEL = 2.4
SEEN_EVERY_PX, SMALL_MM = 4, 60.0  # rays that ask which large parts are in sight; smaller ones cost few texels
FIRST_HITS = "albedo:albedo,normal:sh_normal,distance:depth"  # 3, 3 and 1 channels, the film's last
LEAST_DENOISED = 4  # paths a pixel
HALF_SEED = 0x9E3779B9  # between the seeds of the two halves
NEAR_CLIP_M = 0.01  # rays, and so the depths read from them, start here


@dataclass(frozen=True, slots=True)
class View:
    """Where the camera stands: positions in metres, horizontal field of view in degrees, picture size in pixels."""

    origin: Array
    target: Array
    up: Array
    field_of_view_deg: float
    width: int
    height: int

    @property
    def pixel_angle(self) -> float:
        """Radians a pixel in the middle of the picture."""
        return 2 * math.tan(math.radians(self.field_of_view_deg) / 2) / self.width

    def basis(self) -> Array:
        """Rows: right, down, forward."""
        forward = (self.target - self.origin) / np.linalg.norm(self.target - self.origin)
        right = np.cross(forward, self.up)
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(forward, right), forward])


@dataclass(frozen=True, slots=True)
class Stage:
    """Everything around the vehicle.

    `emitter` is a Mitsuba environment (see `light_up`), `ground` an albedo map (n, n, 3) of a square `ground_m` wide,
    `wetness` 0 to 1, `props` further surfaces with a plain colour and roughness, `apron` the ground beyond the square.
    """

    emitter: Any = field(repr=False)
    ground: Array = field(repr=False)
    ground_m: float
    ground_relief_mm: float
    wetness: float
    turn_deg: float
    illuminance_lux: float
    props: tuple[tuple[Patch, tuple[float, float, float], float], ...] = ()
    apron: Apron | None = None


def light_up(image: Array, turn_deg: float) -> Any:
    """A Mitsuba environment from an equirectangular picture (h, 2h, 3), turned about the vertical."""
    return mi.load_dict(
        {
            "type": "envmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(image, np.float32)),
            "to_world": mi.ScalarTransform4f().rotate([0, 0, 1], turn_deg).rotate([1, 0, 0], 90),
        }
    )


def device_of(variant: str) -> torch.device:
    """The torch device that goes with a Mitsuba variant."""
    return torch.device("cuda" if variant.startswith("cuda") else "cpu")


# --- which part of each patch is seen how closely ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Piece:
    part: int
    patch: Patch
    offset_mm: tuple[float, float]
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
    first = np.concatenate([[0], np.cumsum([2 * rows * columns for rows, columns in shapes])])
    owner = np.searchsorted(first, met, side="right") - 1
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
        if not shown.any():
            pieces.append(_Piece(k, part.patch, (0.0, 0.0), coarse))
            continue
        rows, columns = np.nonzero(shown.any(1))[0], np.nonzero(shown.any(0))[0]
        r0, r1, c0, c1 = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
        nearest = float(np.maximum(_least(z)[shown].min(), 0.05))
        texel = max(nearest * view.pixel_angle * 1000 * 0.9, SMALLEST_TEXEL_MM)
        if part.surface == "glass":  # a pane has nothing fine on it, and is large
            texel *= 3
        total_r, total_c = points.shape[0] - 1, points.shape[1] - 1
        for rs, re, cs, ce, fine in (
            (r0, r1, c0, c1, True),
            (0, r0, 0, total_c, False),
            (r1, total_r, 0, total_c, False),
            (r0, r1, 0, c0, False),
            (r0, r1, c1, total_c, False),
        ):
            if re > rs and ce > cs:
                cut = part.patch.cut(slice(rs, re + 1), slice(cs, ce + 1))
                pieces.append(_Piece(k, cut, (0.0, 0.0), texel if fine else max(coarse, texel)))
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
    down, right = np.gradient(points, axis=0), np.gradient(points, axis=1)
    if np.allclose(points[:, 0], points[:, -1], atol=1e-6):
        right[:, 0] = right[:, -1] = (points[:, 1] - points[:, -2]) / 2
    if np.allclose(points[0], points[-1], atol=1e-6):
        down[0] = down[-1] = (points[1] - points[-2]) / 2
    normal = np.cross(down, right)
    length = np.linalg.norm(normal, axis=-1, keepdims=True)
    poor = length[..., 0] < 1e-14
    if poor.any():  # the middle of a turned shape
        fallback = normal.sum(axis=(0, 1))
        normal[poor] = fallback / max(float(np.linalg.norm(fallback)), 1e-12)
        length = np.linalg.norm(normal, axis=-1, keepdims=True)
    return np.asarray(normal / np.maximum(length, 1e-14))


@dataclass(frozen=True, slots=True)
class _Baked:
    """The atlas as texels: look, owning part, place in the atlas, size (N, 2) mm, owning piece; and the mesh."""

    film: Film
    part: torch.Tensor
    atlas: tuple[int, int]
    flat: torch.Tensor
    step_mm: torch.Tensor
    piece: torch.Tensor
    vertices: Array
    normals: Array
    uv: Array
    faces: Array


def _bake(
    painted: PaintedVehicle, parts: tuple[Part, ...], table: PartTable, view: View, device: torch.device, seed: int
) -> _Baked:
    pieces = _pieces(parts, view)
    scale = 1.0
    sizes = _sizes(pieces, scale)
    most = TEXELS_A_PIXEL * view.width * view.height
    for _ in range(6):
        total = int((sizes[:, 0] * sizes[:, 1]).sum())
        if total <= most:
            break
        scale *= math.sqrt(total / most) * 1.03
        sizes = _sizes(pieces, scale)
    corners, width, height = _pack(sizes)
    vertices, normals, uvs, faces = [], [], [], []
    start, stride, frac_r, frac_c, part_of = [], [], [], [], []
    along, across, flat, step_of = [], [], [], []
    piece_of: list[Array] = []
    base = 0
    for piece, (w, h), (x, y) in zip(pieces, sizes, corners, strict=True):
        patch = piece.patch
        rows, columns = patch.points.shape[:2]
        vertices.append(patch.points.reshape(-1, 3))
        normals.append(_normals(patch.points).reshape(-1, 3))
        s = (patch.along_mm - patch.along_mm[0]) / max(patch.along_mm[-1] - patch.along_mm[0], 1e-9)
        t = (patch.across_mm - patch.across_mm[0]) / max(patch.across_mm[-1] - patch.across_mm[0], 1e-9)
        grid = np.empty((rows, columns, 2))
        grid[..., 0] = ((x + 0.5 + s * (w - 1)) / width)[None]
        grid[..., 1] = ((y + 0.5 + t * (h - 1)) / height)[:, None]
        uvs.append(grid.reshape(-1, 2))
        faces.append(patch.triangles(base))
        ri, ci = (
            np.interp(np.linspace(0, 1, h), t, np.arange(rows)),
            np.interp(np.linspace(0, 1, w), s, np.arange(columns)),
        )
        r0, c0 = np.minimum(ri.astype(np.int64), rows - 2), np.minimum(ci.astype(np.int64), columns - 2)
        shape = (h, w)
        start.append((base + r0[:, None] * columns + c0[None]).ravel())
        stride.append(np.full(h * w, columns))
        frac_r.append(np.broadcast_to((ri - r0)[:, None], shape).ravel())
        frac_c.append(np.broadcast_to((ci - c0)[None], shape).ravel())
        part_of.append(np.full(h * w, piece.part))
        step_of.append(np.broadcast_to([patch.size_mm[0] / (w - 1), patch.size_mm[1] / (h - 1)], (h * w, 2)))
        piece_of.append(np.full(h * w, len(piece_of)))
        across.append(np.broadcast_to(np.linspace(patch.across_mm[0], patch.across_mm[-1], h)[:, None], shape).ravel())
        along.append(np.broadcast_to(np.linspace(patch.along_mm[0], patch.along_mm[-1], w)[None], shape).ravel())
        flat.append(((y + np.arange(h))[:, None] * width + x + np.arange(w)[None]).ravel())
        base += rows * columns
    V, N = np.concatenate(vertices), np.concatenate(normals)
    full = np.array([p.patch.size_mm for p in parts])

    def tensor(chunks: list[Array], dtype: torch.dtype = torch.float32) -> torch.Tensor:
        return torch.from_numpy(np.concatenate(chunks)).to(device=device, dtype=dtype)

    i00, step = tensor(start, torch.int64), tensor(stride, torch.int64)
    fr, fc = tensor(frac_r)[:, None], tensor(frac_c)[:, None]
    field_of = torch.from_numpy(np.concatenate([V * 1000.0, N], axis=1).astype(np.float32)).to(device)
    both = (
        field_of[i00] * (1 - fr) * (1 - fc)
        + field_of[i00 + 1] * (1 - fr) * fc
        + field_of[i00 + step] * fr * (1 - fc)
        + field_of[i00 + step + 1] * fr * fc
    )
    part_index = tensor(part_of, torch.int64)
    size_of = torch.from_numpy(full.astype(np.float32)).to(device)[part_index]
    texels = Texels(
        both[:, :3],
        torch.nn.functional.normalize(both[:, 3:], dim=1),
        tensor(along),
        tensor(across),
        size_of[:, 0],
        size_of[:, 1],
        part_index,
        tensor(step_of).amax(1).clamp(min=1e-3),
    )
    noise = Noise(painted.history.seed, device)
    generator = torch.Generator(device=device).manual_seed(seed)
    film = shade(texels, table.to(device), painted.grime, noise, generator, painted.crevices)
    return _Baked(
        film,
        part_index,
        (height, width),
        tensor(flat, torch.int64),
        tensor(step_of),
        tensor(piece_of, torch.int64),
        V,
        N,
        np.concatenate(uvs),
        np.concatenate(faces),
    )


def _image(baked: _Baked, values: torch.Tensor) -> torch.Tensor:
    height, width = baked.atlas
    channels = values.shape[1] if values.ndim == 2 else 1
    image = torch.zeros((height * width, channels), dtype=torch.float32, device=values.device)
    image[baked.flat] = values.reshape(-1, channels).float()
    return image.reshape(height, width, channels)


def _bent_normals(baked: _Baked) -> torch.Tensor:
    """The relief as a tangent-space normal map (H, W, 3) in 0 to 1; tangents are Mitsuba's: along, minus across."""
    relief, piece = _image(baked, baked.film.relief_mm)[..., 0], _image(baked, baked.piece + 1)[..., 0]
    step = _image(baked, baked.step_mm).clamp(min=1e-3)
    slopes = []
    for axis in (1, 0):
        ahead, behind = torch.roll(relief, -1, axis), torch.roll(relief, 1, axis)
        ahead = torch.where(torch.roll(piece, -1, axis) == piece, ahead, relief)
        behind = torch.where(torch.roll(piece, 1, axis) == piece, behind, relief)
        slopes.append(((ahead - behind) / (2 * step[..., 0 if axis == 1 else 1])).clamp(-0.6, 0.6))
    normal = torch.nn.functional.normalize(torch.stack([-slopes[0], slopes[1], torch.ones_like(relief)], -1), dim=-1)
    return normal * 0.5 + 0.5


# --- Mitsuba ---------------------------------------------------------------------------------------------------------


def _texture(image: torch.Tensor | Array) -> dict[str, Any]:
    array = image.detach().cpu().numpy() if isinstance(image, torch.Tensor) else image
    return {
        "type": "bitmap",
        "data": mi.TensorXf(np.ascontiguousarray(array[::-1], dtype=np.float32)),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "clamp",
    }


def _principled(colour: Any, roughness: Any, metallic: Any, normals: Any) -> dict[str, Any]:
    return {
        "type": "twosided",
        "inside": {
            "type": "normalmap",
            "normalmap": _texture(normals),
            "coat": {
                "type": "principled",
                "base_color": _texture(colour),
                "roughness": _texture(roughness),
                "metallic": _texture(metallic),
                "specular": 0.5,
            },
        },
    }


def _mesh(name: str, vertices: Array, normals: Array, uv: Array, faces: Array, bsdf: dict[str, Any]) -> Any:
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh(
        name,
        vertex_count=len(vertices),
        face_count=len(faces),
        has_vertex_normals=True,
        has_vertex_texcoords=True,
        props=properties,
    )
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.ascontiguousarray(vertices, np.float32).ravel()
    params["vertex_normals"] = np.ascontiguousarray(normals, np.float32).ravel()
    params["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
    params.update()
    return mesh


def _ground_mesh(stage: Stage, noise: Noise, device: torch.device) -> Any:
    """The square of ground around the vehicle; beyond it the environment's own ground goes on."""
    side = stage.ground.shape[0]
    half = stage.ground_m / 2
    colour = torch.from_numpy(np.ascontiguousarray(stage.ground, np.float32)).to(device)
    line = torch.linspace(-half * 1000, half * 1000, side, device=device)
    position = torch.stack(
        [line[None].expand(side, side), -line[:, None].expand(side, side), torch.zeros(side, side, device=device)], -1
    ).reshape(-1, 3)
    wet = torch.zeros(side, side, device=device)
    if stage.wetness > 0:
        wet = (
            torch.sigmoid(7 * (noise(position, 1500.0, octaves=3) + 1.6 * stage.wetness - 1.2))
            * min(1.0, 1.5 * stage.wetness)
        ).reshape(side, side)
    colour = (colour * (1 - 0.5 * wet[..., None])).clamp(0.002, 0.9)
    relief = stage.ground_relief_mm * colour.mean(-1) / colour.mean() * (1 - wet)
    step = stage.ground_m * 1000 / side
    slope_x = torch.gradient(relief, spacing=step, dim=1)[0].clamp(-1, 1)
    slope_y = torch.gradient(relief, spacing=step, dim=0)[0].clamp(-1, 1)
    normals = (
        torch.nn.functional.normalize(torch.stack([-slope_x, slope_y, torch.ones_like(relief)], -1), dim=-1) * 0.5 + 0.5
    )
    points, faces = outline(stage.ground_m, None if stage.apron is None else stage.apron.reach_m)
    return _mesh(
        "ground",
        points @ _turn(stage),
        np.tile([0.0, 0.0, 1.0], (len(points), 1)),
        points[:, :2] / stage.ground_m + 0.5,
        faces,
        _principled(colour, (0.92 - 0.84 * wet)[..., None], torch.zeros_like(wet)[..., None], normals),
    )


def _apron_mesh(stage: Stage, apron: Apron) -> Any:
    flat = np.full((2, 2, 3), (0.5, 0.5, 1.0))
    return _mesh(
        "apron",
        apron.points @ _turn(stage),
        np.tile([0.0, 0.0, 1.0], (len(apron.points), 1)),
        apron.uv,
        apron.faces,
        _principled(apron.albedo, np.full((2, 2, 1), 0.92), np.zeros((2, 2, 1)), flat),
    )


def _turn(stage: Stage) -> Array:
    """From the environment's axes to the vehicle's, for points in rows."""
    c, s = math.cos(math.radians(stage.turn_deg)), math.sin(math.radians(stage.turn_deg))
    return np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


def expose(
    painted: PaintedVehicle,
    view: View,
    stage: Stage,
    *,
    variant: str,
    samples: int,
    seed: int,
    focus_m: float | None = None,
) -> tuple[Exposure, dict[str, Array]]:
    """Render one view. Returns the exposure with its labels, and the masks of cues too faint or hidden to be judged.

    Radiance is linear sRGB in the environment's own scale, from `samples` paths a pixel, denoised. Deterministic for
    one variant, seed and number of samples.
    """
    if mi.variant() != variant:
        mi.set_variant(variant)
    device = device_of(variant)
    props = tuple(
        Part(f"prop{k}", p, "background", None, None, "prop", "other") for k, (p, _, _) in enumerate(stage.props)
    )
    # light does not find its way through panes within few samples: closed, they are dark mirrors; with a door open they
    # are left out
    keep = [
        k for k, part in enumerate(painted.vehicle.parts) if part.surface != "glass" or not painted.vehicle.open_doors
    ]
    parts = tuple(painted.vehicle.parts[k] for k in keep) + props
    table = _extended(painted.table, keep, stage)
    baked = _bake(painted, parts, table, view, device, seed)
    film = baked.film
    body = _mesh(
        "body",
        baked.vertices,
        baked.normals,
        baked.uv * [1, -1] + [0, 1],
        baked.faces,
        _principled(
            _image(baked, film.colour),
            _image(baked, film.roughness),
            _image(baked, film.metallic),
            _bent_normals(baked),
        ),
    )
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "path", "max_depth": 6, "rr_depth": 4},
            "sensor": _sensor(view, samples),
            "body": body,
            "ground": _ground_mesh(stage, Noise(seed % 1000 + 7, device), device),
            "sky": stage.emitter,
            **({} if stage.apron is None else {"apron": _apron_mesh(stage, stage.apron)}),
        }
    )
    radiance = _radiance(scene, samples, seed, device)
    return _labelled(scene, radiance, view, parts, baked, focus_m)


def _radiance(scene: Any, samples: int, seed: int, device: torch.device) -> Array:
    """Radiance (H, W, 3) of `samples` paths a pixel: in two halves and denoised, or plainly where there are too few."""
    if samples < LEAST_DENOISED:
        return np.array(mi.render(scene, seed=seed, spp=samples))[..., :3]
    rows = math.isqrt(samples // 2)  # the sampler jitters within a grid that must be full
    paths, halves = samples // 2 // rows * rows, []
    first_hits = mi.load_dict({"type": "aov", "aovs": FIRST_HITS})
    for half in range(2):
        own = (seed + half * HALF_SEED) % 2**32
        # one seed, so both see the same places in each pixel; a path inside the `aov` integrator takes twice the time
        light, hits = (
            torch.nan_to_num(torch.from_numpy(image).to(device).permute(2, 0, 1), posinf=1e4)
            for image in (
                np.array(mi.render(scene, seed=own, spp=paths)),
                np.array(mi.render(scene, integrator=first_hits, seed=own, spp=paths)),
            )
        )
        halves.append(Half(light[:3].clamp(min=0), hits[-7:-4].clamp(0, 1), hits[-4:-1], hits[-1:]))
    return denoise(*halves).permute(1, 2, 0).cpu().numpy()


def _extended(table: PartTable, keep: list[int], stage: Stage) -> PartTable:
    """The table of the opaque parts, with a plain row for every prop."""
    index = torch.tensor(keep + [keep[0]] * len(stage.props))
    columns = {name: getattr(table, name)[index].clone() for name in table.__slots__}
    for k, (_, colour, roughness) in enumerate(stage.props):
        row = len(keep) + k
        columns["kind"][row], columns["is_painted"][row], columns["metallic"][row], columns["roughness"][row] = (
            6,
            False,
            0.0,
            roughness,
        )
        columns["colour"][row] = torch.tensor(colour)
        for name in ("veil", "mist", "coated", "fill", "wear"):
            columns[name][row] = (
                torch.tensor([0.0, 0, 0, 1, 1, 0])[: columns[name].shape[1]] if name in ("wear", "veil") else 0.0
            )
        for name in ("rust", "texture", "sealed_over", "rejoined"):
            columns[name][row] = 0
    return PartTable(**columns)


def _sensor(view: View, samples: int) -> dict[str, Any]:
    return {
        "type": "perspective",
        "fov": view.field_of_view_deg,
        "fov_axis": "x",
        "near_clip": NEAR_CLIP_M,
        "far_clip": 200.0,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=view.origin.tolist(), target=view.target.tolist(), up=view.up.tolist()
        ),
        "film": {
            "type": "hdrfilm",
            "width": view.width,
            "height": view.height,
            "pixel_format": "rgb",
            "component_format": "float32",
            "rfilter": {"type": "box"},
        },
        "sampler": {"type": "multijitter", "sample_count": samples},
    }


def _labelled(
    scene: Any, radiance: Array, view: View, parts: tuple[Part, ...], baked: _Baked, focus_m: float | None
) -> tuple[Exposure, dict[str, Array]]:
    """What the middle of every pixel shows, read from the same scene."""
    import drjit as dr

    height, width = view.height, view.width
    yy, xx = np.mgrid[0:height, 0:width]
    sensor = scene.sensors()[0]
    at = mi.Point2f(
        mi.Float(((xx.ravel() + 0.5) / width).astype(np.float32)),
        mi.Float(((yy.ravel() + 0.5) / height).astype(np.float32)),
    )
    ray, _ = sensor.sample_ray(0.0, 0.5, at, mi.Point2f(0.5))
    hit = scene.ray_intersect(ray)
    valid = np.array(hit.is_valid()).astype(bool)
    shape = np.array(dr.reinterpret_array(mi.UInt32, hit.shape))
    names = {s.id(): int(np.array(dr.reinterpret_array(mi.UInt32, mi.ShapePtr(s))).ravel()[0]) for s in scene.shapes()}
    uv = np.stack([np.array(hit.uv.x), np.array(hit.uv.y)], 1)
    along_axis = np.array(ray.d).reshape(3, -1).T @ view.basis()[2]
    depth = np.where(valid, np.array(hit.t) * along_axis + NEAR_CLIP_M, np.inf).astype(np.float32)
    is_body = valid & (shape == names["body"])
    is_ground = valid & ~is_body
    atlas_h, atlas_w = baked.atlas
    owner = np.full(atlas_h * atlas_w, 0, np.int32)
    flat = baked.flat.cpu().numpy()
    owner[flat] = baked.part.cpu().numpy()
    cue_bits, unsure_bits = np.zeros(atlas_h * atlas_w, np.int32), np.zeros(atlas_h * atlas_w, np.int32)
    cue_bits[flat], unsure_bits[flat] = baked.film.cues.cpu().numpy(), baked.film.unknown.cpu().numpy()
    column = np.clip((uv[:, 0] * atlas_w).astype(int), 0, atlas_w - 1)
    row = np.clip(((1 - uv[:, 1]) * atlas_h).astype(int), 0, atlas_h - 1)
    texel = row * atlas_w + column
    part = np.where(is_body, owner[texel], -1)
    surface_of = np.array([SURFACES.index(p.surface) for p in parts], np.uint8)
    zone_of = np.array([0 if p.zone is None else 1 + ZONES.index(p.zone) for p in parts], np.uint8)
    side_of = np.array([{"left": 1, "right": 2}.get(p.side or "", 0) for p in parts], np.uint8)
    surface = np.full(len(part), SURFACES.index("background"), np.uint8)
    surface[is_ground] = SURFACES.index("ground")
    surface[is_body] = surface_of[part[is_body]]
    zone, side = np.zeros_like(surface), np.zeros_like(surface)
    zone[is_body], side[is_body] = zone_of[part[is_body]], side_of[part[is_body]]
    bits, unsure = np.where(is_body, cue_bits[texel], 0), np.where(is_body, unsure_bits[texel], 0)
    picture = (height, width)
    cues = {cue: ((bits & CUE_BIT[cue]) > 0).reshape(picture) for cue in DETECTED_CUES if (bits & CUE_BIT[cue]).any()}
    doubtful = {
        cue: ((unsure & CUE_BIT[cue]) > 0).reshape(picture) for cue in DETECTED_CUES if (unsure & CUE_BIT[cue]).any()
    }
    middle = depth.reshape(picture)[height // 3 : 2 * height // 3, width // 3 : 2 * width // 3]
    centre = float(np.median(middle[np.isfinite(middle)])) if np.isfinite(middle).any() else 5.0
    exposure = Exposure(
        np.nan_to_num(np.maximum(radiance, 0), posinf=1e4).astype(np.float32),
        surface.reshape(picture),
        zone.reshape(picture),
        side.reshape(picture),
        cues,
        depth.reshape(picture),
        focus_m if focus_m is not None else centre,
    )
    return exposure, doubtful
