"""From a painted vehicle and a viewpoint to radiance and labels, with Mitsuba 3.

Every scene has the same shapes and plugins (one body mesh with one atlas of baked textures, ground, one
environment), so that Mitsuba's compiled kernels are reused from photo to photo.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import mitsuba as mi
import numpy as np
import numpy.typing as npt
import torch

from pipeline.records import SURFACES, ZONES
from synthetic_data.apron import Apron, outline
from synthetic_data.atlas import Baked, as_image, bake, baked_again, bent_normals
from synthetic_data.camera import Exposure
from synthetic_data.denoise import Half, denoise
from synthetic_data.geometry import Patch
from synthetic_data.glazing import glaze, look_at
from synthetic_data.grids import Grids, grids_of
from synthetic_data.ground_detail import DARKEST, LIGHTEST, TILE_M
from synthetic_data.paint import CUE_BIT, OLD_COAT_BIT, Noise, PartTable
from synthetic_data.painter import PaintedVehicle
from synthetic_data.untouched import untouched
from synthetic_data.vehicle import Part
from synthetic_data.view import View
from synthetic_data.visibility import OLD_COAT, beside_a_line

Array = npt.NDArray[Any]
FIRST_HITS = "albedo:albedo,normal:sh_normal,distance:depth"  # 3, 3 and 1 channels, the film's last
LEAST_DENOISED = 4  # paths a pixel
HALF_SEED = 0x9E3779B9  # between the seeds of the two halves
NEAR_CLIP_M = 0.01  # rays, and so the depths read from them, start here


@dataclass(frozen=True, slots=True)
class Stage:
    """Everything around the vehicle.

    `emitter` is a Mitsuba environment (see `light_up`), `ground` an albedo map (n, n, 3) of a square `ground_m` wide,
    `wetness` 0 to 1, `props` further surfaces with a plain colour and roughness, `apron` the ground beyond the square,
    `detail` the tile of what the ground is made of (`ground_detail`), None for a smooth one; `sink_m` is how deep the
    vehicle stands in it.
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
    detail: Array | None = field(default=None, repr=False)
    sink_m: float = 0.0


def light_up(image: Array, turn_deg: float) -> Any:
    """A Mitsuba environment from an equirectangular picture (h, 2h, 3), turned about the vertical."""
    return mi.load_dict(
        {
            "type": "envmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(image, np.float32)),
            "to_world": mi.ScalarTransform4f().rotate([0, 0, 1], turn_deg).rotate([1, 0, 0], 90),
        }
    )


def about_vertical(turn_deg: float) -> Array:
    """From the environment's axes to the vehicle's (3, 3), for points in rows: the turn of `light_up`."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


def device_of(variant: str) -> torch.device:
    """The torch device that goes with a Mitsuba variant."""
    return torch.device("cuda" if variant.startswith("cuda") else "cpu")


def give_back_memory(variant: str) -> None:
    """Return what this process keeps of a graphics card for later to those that share the card."""
    if variant.startswith("cuda"):
        import drjit as dr

        dr.flush_malloc_cache()
        torch.cuda.empty_cache()


# --- Mitsuba ---------------------------------------------------------------------------------------------------------


def _pixels(image: torch.Tensor | Array) -> Any:
    """A bitmap's data, of (H, W, C); one that lies on a graphics card stays there."""
    upright = image if isinstance(image, torch.Tensor) else torch.from_numpy(np.asarray(image))
    data: Any = upright.detach().float().flip(0).contiguous()
    if data.is_cuda:
        torch.cuda.synchronize()  # Mitsuba works in another stream
    return mi.TensorXf(data)


def _texture(image: torch.Tensor | Array) -> dict[str, Any]:
    return {
        "type": "bitmap",
        "data": _pixels(image),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "clamp",
    }


def _principled(colour: Any, roughness: Any, metallic: Any, normals: Any, sheen: Any = None) -> dict[str, Any]:
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
                **({} if sheen is None else {"sheen": _texture(sheen)}),
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
    colour = torch.from_numpy(np.ascontiguousarray(stage.ground, np.float32)).to(device)
    side, half = colour.shape[0], stage.ground_m / 2
    wet = torch.zeros(2, 2, device=device)  # one value serves dry ground
    if stage.wetness > 0:
        line = torch.linspace(-half * 1000, half * 1000, side, device=device)
        x, y = line[None].expand(side, side), -line[:, None].expand(side, side)
        position = torch.stack([x, y, torch.zeros_like(x)], -1).reshape(-1, 3)
        wet = (
            torch.sigmoid(7 * (noise(position, 1500.0, octaves=3) + 1.6 * stage.wetness - 1.2))
            * min(1.0, 1.5 * stage.wetness)
        ).reshape(side, side)
        colour = colour * (1 - 0.5 * wet[..., None])
    relief = stage.ground_relief_mm * colour.mean(-1) / colour.mean() * (1 - wet if stage.wetness > 0 else 1)
    step = stage.ground_m * 1000 / side
    slope_x = torch.gradient(relief, spacing=step, dim=1)[0].clamp(-1, 1)
    slope_y = torch.gradient(relief, spacing=step, dim=0)[0].clamp(-1, 1)
    normals = (
        torch.nn.functional.normalize(torch.stack([-slope_x, slope_y, torch.ones_like(relief)], -1), dim=-1) * 0.5 + 0.5
    )
    points, faces = outline(stage.ground_m, None if stage.apron is None else stage.apron.reach_m)
    return _mesh(
        "ground",
        points @ about_vertical(stage.turn_deg) + [0, 0, stage.sink_m],
        np.tile([0.0, 0.0, 1.0], (len(points), 1)),
        points[:, :2] / stage.ground_m + 0.5,
        faces,
        _ground(colour, (0.92 - 0.84 * wet)[..., None], normals, stage),
    )


def _ground(colour: torch.Tensor, roughness: torch.Tensor, normals: torch.Tensor, stage: Stage) -> dict[str, Any]:
    """The ground's material; its detail blends a dark version of its albedo (n, n, 3) with a light one."""
    shades = (1.0,) if stage.detail is None else (DARKEST, LIGHTEST)
    plain = [
        _principled((shade * colour).clamp(0.002, 0.9), roughness, torch.zeros(2, 2, 1), normals) for shade in shades
    ]
    if stage.detail is None:
        return plain[0]
    tile = _texture(stage.detail[..., None])
    tile["wrap_mode"] = "repeat"
    tile["to_uv"] = mi.ScalarTransform3f().scale([stage.ground_m / TILE_M, stage.ground_m / TILE_M])
    return {"type": "blendbsdf", "weight": tile, "dark": plain[0], "light": plain[1]}


def _apron_mesh(stage: Stage, apron: Apron) -> Any:
    flat = np.full((2, 2, 3), (0.5, 0.5, 1.0))
    return _mesh(
        "apron",
        apron.points @ about_vertical(stage.turn_deg) + [0, 0, stage.sink_m],
        apron.normals @ about_vertical(stage.turn_deg),
        apron.uv,
        apron.faces,
        _principled(apron.albedo, np.full((2, 2, 1), 0.92), np.zeros((2, 2, 1)), flat),
    )


class Exposed(NamedTuple):
    """One view: the exposure with its labels, masks of cues too faint or hidden to be judged, and, rendered when asked
    for, the same view of a vehicle on which none of the cues' causes ever came (labels of cues left out)."""

    exposure: Exposure
    doubtful: dict[str, Array]
    untouched: Callable[[], Exposure]


def expose(
    painted: PaintedVehicle,
    view: View,
    stage: Stage,
    *,
    variant: str,
    samples: int,
    seed: int,
    focus_m: float | None = None,
    grids: Grids | None = None,
) -> Exposed:
    """Render one view.

    `grids` are those of the vehicle's parts, where they are at hand.

    Radiance is linear sRGB in the environment's own scale, from `samples` paths a pixel, denoised. Deterministic for
    one variant, seed and number of samples.
    """
    if mi.variant() != variant:
        mi.set_variant(variant)
    device = device_of(variant)
    props = tuple(
        Part(f"prop{k}", p, "background", None, None, "prop", "other") for k, (p, _, _) in enumerate(stage.props)
    )
    parts = painted.vehicle.parts + props
    grids = grids or grids_of([part.patch for part in painted.vehicle.parts])
    if props:
        grids = grids.and_these(grids_of([part.patch for part in props]))
    is_pane = np.array([part.finish == "glass" for part in parts])  # laid over the render
    table = _extended(painted.table, stage)
    baked = bake(painted, parts, grids, ~is_pane, table, view, device, seed)
    body = _mesh(
        "body",
        baked.vertices,
        baked.normals,
        baked.uv * [1, -1] + [0, 1],
        baked.faces,
        _principled(**_look(baked)),
    )
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "path", "max_depth": 6, "rr_depth": 4},
            "sensor": _sensor(view, samples),
            "body": body,
            "ground": _ground_mesh(stage, Noise(seed % 1000 + 7, device, channels=1), device),
            "sky": stage.emitter,
            **({} if stage.apron is None else {"apron": _apron_mesh(stage, stage.apron)}),
        }
    )
    radiance = _radiance(scene, samples, seed, device)
    exposure, doubtful = _labelled(scene, radiance, view, parts, baked, focus_m)
    panes = [parts[k] for k in np.flatnonzero(is_pane)]
    glass = look_at(exposure, view, panes, stage.emitter, painted.grime, painted.history.seed)

    def without_cues() -> Exposure:
        _change_look(scene, baked_again(baked, painted, table, untouched(table)))
        return glaze(replace(exposure, radiance=_radiance(scene, samples, seed, device), cues={}), {}, glass)[0]

    return Exposed(*glaze(exposure, doubtful, glass), without_cues)


def _look(baked: Baked) -> dict[str, torch.Tensor]:
    film = baked.film
    return {
        "colour": as_image(baked, film.colour),
        "roughness": as_image(baked, film.roughness),
        "metallic": as_image(baked, film.metallic),
        "normals": bent_normals(baked),
        "sheen": as_image(baked, film.sheen),
    }


def _change_look(scene: Any, baked: Baked) -> None:
    """Dress the scene's body anew; its shape stays."""
    name_of = {
        "base_color": "colour",
        "roughness": "roughness",
        "metallic": "metallic",
        "normalmap": "normals",
        "sheen": "sheen",
    }
    look, params = _look(baked), mi.traverse(scene)
    for key in [key for key, _ in params if key.startswith("body.") and key.endswith(".data")]:
        params[key] = _pixels(look[name_of[key.split(".")[-2]]])
    params.update()


def _picture(rendered: Any) -> torch.Tensor:
    """A rendered image (H, W, C), on the device it was rendered on."""
    import drjit as dr

    dr.eval(rendered)
    dr.sync_thread()  # torch works in another stream
    image: torch.Tensor = rendered.torch().clone()
    if image.is_cuda:
        torch.cuda.current_stream().synchronize()  # before the renderer uses its memory again
    return image


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
            torch.nan_to_num(_picture(image).permute(2, 0, 1), posinf=1e4)
            for image in (
                mi.render(scene, seed=own, spp=paths),
                mi.render(scene, integrator=first_hits, seed=own, spp=paths),
            )
        )
        halves.append(Half(light[:3].clamp(min=0), hits[-7:-4].clamp(0, 1), hits[-4:-1], hits[-1:]))
    return denoise(*halves).permute(1, 2, 0).cpu().numpy()


def _extended(table: PartTable, stage: Stage) -> PartTable:
    """The table with a plain row for every prop."""
    count = len(table.kind)
    index = torch.tensor([*range(count), *([0] * len(stage.props))])
    columns = {name: getattr(table, name)[index].clone() for name in table.__slots__}
    for k, (_, colour, roughness) in enumerate(stage.props):
        row = count + k
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
        for name in ("rust", "texture", "sealed_over", "rejoined", "grain"):
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


def _class_of(part: Part) -> str:
    """The surface class of a part: a head, with its washer, is a fastener whatever it is made of or coated with."""
    return "fastener" if part.kind == "fastener" else part.surface


def _labelled(
    scene: Any, radiance: Array, view: View, parts: tuple[Part, ...], baked: Baked, focus_m: float | None
) -> tuple[Exposure, dict[str, Array]]:
    """What the middle of every pixel shows, read from the same scene."""
    import drjit as dr

    picture = height, width = view.height, view.width
    x, y = (((np.arange(n) + 0.5) / n).astype(np.float32) for n in (width, height))
    at = mi.Point2f(mi.Float(np.tile(x, height)), mi.Float(np.repeat(y, width)))
    ray, _ = scene.sensors()[0].sample_ray(0.0, 0.5, at, mi.Point2f(0.5))
    hit = scene.ray_intersect(ray)
    valid = np.array(hit.is_valid()).astype(bool)
    shape = np.array(dr.reinterpret_array(mi.UInt32, hit.shape))
    names = {s.id(): int(np.array(dr.reinterpret_array(mi.UInt32, mi.ShapePtr(s))).ravel()[0]) for s in scene.shapes()}
    along_axis = dr.dot(ray.d, mi.Vector3f(*view.basis()[2].tolist()))
    depth = np.where(valid, np.array(hit.t * along_axis) + NEAR_CLIP_M, np.inf).astype(np.float32)
    is_body = valid & (shape == names["body"])
    texel = _texels_at(baked, np.stack([np.array(hit.uv.x), np.array(hit.uv.y)]))
    part = np.where(is_body, _looked_up(baked, baked.part, texel), -1)
    # the last two rows are no part: what is behind everything, and ground
    row = np.where(is_body, part, len(parts) + valid)
    surface = np.array(
        [*(SURFACES.index(_class_of(p)) for p in parts), SURFACES.index("background"), SURFACES.index("ground")],
        np.uint8,
    )[row]
    zone = np.array([*(0 if p.zone is None else 1 + ZONES.index(p.zone) for p in parts), 0, 0], np.uint8)[row]
    side = np.array([*({"left": 1, "right": 2}.get(p.side or "", 0) for p in parts), 0, 0], np.uint8)[row]
    cues, doubtful = (
        _masks(np.where(is_body, _looked_up(baked, values, texel), 0).reshape(picture))
        for values in (baked.film.cues, baked.film.unknown)
    )
    if "masking_edge" in cues:
        edge = cues["masking_edge"]
        cues.setdefault(OLD_COAT, np.zeros(picture, bool))
        cues["masking_edge"] = beside_a_line(edge, cues[OLD_COAT], part.reshape(picture))
        doubtful["masking_edge"] = doubtful.get("masking_edge", False) | (edge & ~cues["masking_edge"])
    else:
        cues.pop(OLD_COAT, None)
    doubtful.pop(OLD_COAT, None)
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


def _masks(bits: Array) -> dict[str, Array]:
    """Of bits (H, W), the mask of every cue that is there, and of the old coat."""
    there = int(np.bitwise_or.reduce(bits, axis=None))
    known = {**CUE_BIT, OLD_COAT: OLD_COAT_BIT}
    return {name: (bits & bit) > 0 for name, bit in known.items() if there & bit}


def _texels_at(baked: Baked, uv: Array) -> torch.Tensor:
    """Places in the atlas (N,) at its coordinates (2, N)."""
    height, width = baked.atlas
    at = torch.from_numpy(uv).to(baked.flat.device)
    column = (at[0] * width).long().clamp(0, width - 1)
    row = ((1 - at[1]) * height).long().clamp(0, height - 1)
    return row * width + column


def _looked_up(baked: Baked, values: torch.Tensor, places: torch.Tensor) -> Array:
    """Whole numbers of texels at places in the atlas; 0 where no texel lies."""
    image = torch.zeros(baked.atlas[0] * baked.atlas[1], dtype=torch.int32, device=values.device)
    image[baked.flat] = values.int()
    return np.asarray(image[places].cpu().numpy())
