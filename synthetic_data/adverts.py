"""One synthetic advert: a vehicle, its paint history, a seller's yard, phone and habits, and the photos of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
import numpy.typing as npt

from pipeline.configuration import Config, load, shipped
from pipeline.records import DETECTED_CUES
from synthetic_data.apron import as_around, lay_apron
from synthetic_data.camera import DevelopedPhoto, Exposure, PhoneCamera, camera_settings, develop, sample_phone
from synthetic_data.crevices import find_crevices
from synthetic_data.flat import document_photo, plate_photo
from synthetic_data.geometry import Patch, box, line, placed, tube, turned
from synthetic_data.grids import Grids, bare_scene, grids_of, rays
from synthetic_data.ground_detail import ground_detail
from synthetic_data.light import Environment, LightSettings, light_settings, sample_environment
from synthetic_data.litter import feet, ground_settings, strew, trodden
from synthetic_data.mixed_family import MIXED, mixed_family
from synthetic_data.painter import PaintedVehicle, PaintHistory, paint_vehicle, sample_grime, sample_history
from synthetic_data.scene import Stage, about_vertical, expose, give_back_memory, light_up
from synthetic_data.textures import GROUNDS, ground_texture
from synthetic_data.vehicle import BodyFamily, Site, Vehicle, build_vehicle, families
from synthetic_data.view import View
from synthetic_data.visibility import (
    LONG_SIDE_PX,
    Difference,
    VisibilitySettings,
    difference,
    is_visible,
    is_worth_comparing,
)

Array = npt.NDArray[Any]
Range = tuple[float, float]
LABELLED_CUES = DETECTED_CUES  # all of them are simulated

TILES = 4  # of each kind of ground, that a process makes at most
GROUND_M = 14.0  # side of the square of fine ground under the vehicle
A_TRACE_PX = 4  # of a cue, below which it counts as absent


class AdvertSettings(Config):
    """`configs/synthesis/adverts.yaml`."""

    photos: tuple[int, int]
    width_px: int
    height_px: int
    portrait_probability: float
    samples: int
    samples_if_reduced: int
    families: dict[str, float]
    test_families: tuple[str, ...]
    histories: dict[str, float]
    shots: dict[str, float]
    distance_m: dict[str, Range]
    close_up_fill: Range
    close_up_open: dict[str, float]
    close_up_places: dict[str, float]
    tilt_deg: float
    branches_probability: float
    wet_probability: float
    leaf_blue: float
    visibility: VisibilitySettings


def advert_settings() -> AdvertSettings:
    return load(shipped("synthesis", "adverts.yaml"), AdvertSettings)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Folders of outside pictures, all optional: panoramas (.exr, .hdr) as light, photos as far backdrops."""

    panoramas: Path | None = None
    scenes: Path | None = None
    held_out: bool = False


@dataclass(frozen=True, slots=True)
class SyntheticPhoto:
    """A finished photo with its labels (the columns of images.parquet, without file and split)."""

    stem: str
    photo: DevelopedPhoto
    labels: dict[str, Any]


def make_advert(
    index: int,
    seed: int,
    settings: AdvertSettings,
    variant: str,
    *,
    surroundings: Surroundings = Surroundings(),
    family: str | None = None,
    history: str | None = None,
    shots: tuple[str, ...] | None = None,
) -> Iterator[SyntheticPhoto]:
    """Make the photos of advert `index` of the set with this seed, one after the other.

    The same index, seed, settings and variant give the same photos. `family`, `history` and `shots` override the draw;
    the family `MIXED` is a vehicle made up of those in `settings.families`.
    """
    advert = plan_advert(index, seed, settings, surroundings=surroundings, family=family, history=history, shots=shots)
    mi.set_variant(variant)
    for k, shot in enumerate(advert.shots):
        photo_rng = np.random.default_rng([seed, index, k])
        taken = _take(shot, advert, settings, variant, photo_rng)
        if taken is None:
            continue
        photo, facts = taken
        labels = {
            "advert": f"a{index:05d}",
            "vehicle": f"{advert.family}-{seed}-{index}",
            "family": advert.family,
            "history": advert.paint.name,
            "source": "synthetic",
            "body_L": None,
            "body_a": None,
            "body_b": None,
            **facts,
        }
        yield SyntheticPhoto(f"a{index:05d}_{k:02d}", photo, labels)
    give_back_memory(variant)


@dataclass(frozen=True)
class AdvertPlan:
    """What an advert is about before any photo is taken."""

    family: str
    paint: PaintHistory
    shots: tuple[str, ...]
    phone: PhoneCamera
    models: _Models
    places: _Places


def plan_advert(
    index: int,
    seed: int,
    settings: AdvertSettings,
    *,
    surroundings: Surroundings = Surroundings(),
    family: str | None = None,
    history: str | None = None,
    shots: tuple[str, ...] | None = None,
) -> AdvertPlan:
    """The vehicle, its paint, the seller's phone and yard, and the photos planned."""
    rng = np.random.default_rng([seed, index])
    family = family or _draw(rng, settings.families)
    history = history or _draw(rng, settings.histories)
    geometry_seed = int(rng.integers(2**31))
    body = _body(family, settings, geometry_seed)
    closed = build_vehicle(family, body, np.random.default_rng(geometry_seed))
    paint = sample_history(history, closed, rng)
    grime = sample_grime(rng)
    phone = sample_phone(rng, camera_settings())
    places = _Places(settings, surroundings, light_settings(), feet(closed.parts), rng)
    count = int(rng.integers(settings.photos[0], settings.photos[1] + 1))
    plan = shots or tuple(_draw(rng, settings.shots) for _ in range(count))
    return AdvertPlan(family, paint, plan, phone, _Models(body, geometry_seed, closed, paint, grime), places)


def _body(family: str, settings: AdvertSettings, seed: int) -> BodyFamily:
    known = families()
    if family != MIXED:
        return known[family]
    return mixed_family([known[name] for name in settings.families], np.random.default_rng([seed, 1]))


def _draw(rng: np.random.Generator, weights: dict[str, float]) -> str:
    names = list(weights)
    share = np.array([weights[n] for n in names])
    return names[int(rng.choice(len(names), p=share / share.sum()))]


class _Models:
    """The vehicle with its doors closed or one open, painted alike, each with a scene for asking what can be seen."""

    def __init__(self, body: BodyFamily, geometry_seed: int, closed: Vehicle, paint: PaintHistory, grime: Any) -> None:
        self.body, self.seed, self.paint, self.grime = body, geometry_seed, paint, grime
        self.closed = closed
        self.made: dict[tuple[str, ...], tuple[PaintedVehicle, _Sight]] = {}

    def with_doors(self, *doors: str) -> tuple[PaintedVehicle, _Sight]:
        if doors not in self.made:
            rng = np.random.default_rng(self.seed)
            vehicle = build_vehicle(self.closed.family, self.body, rng, doors) if doors else self.closed
            painted = paint_vehicle(vehicle, self.body, self.paint, self.grime)
            self.made[doors] = (painted, _Sight(painted.vehicle))
        return self.made[doors]


class _Sight:
    """Rays against the bare geometry: from where is a place in view?"""

    def __init__(self, vehicle: Vehicle) -> None:
        self.grids = grids_of([part.patch for part in vehicle.parts])
        self.scene = bare_scene(self.grids.points, self.grids.triangles())

    def visible_share(self, origins: Array, points: Array) -> Array:
        """Share of `points` (m, 3) seen from each of `origins` (n, 3)."""
        n, m = len(origins), len(points)
        start = np.repeat(origins, m, axis=0).astype(np.float32)
        toward = np.tile(points, (n, 1)).astype(np.float32) - start
        distance = np.linalg.norm(toward, axis=1)
        toward /= distance[:, None]
        hit = np.array(self.scene.ray_intersect_preliminary(rays(start, toward)).t)
        return np.asarray((hit > distance * 0.96 - 0.012).reshape(n, m).mean(axis=1))


class _Places:
    """Where this seller takes photos: one or two stages, made when first needed."""

    def __init__(
        self,
        settings: AdvertSettings,
        surroundings: Surroundings,
        light: LightSettings,
        wheels: Array,
        rng: np.random.Generator,
    ) -> None:
        self.settings, self.surroundings, self.light, self.wheels = settings, surroundings, light, wheels
        self.seeds = rng.integers(2**31, size=2)
        self.second_share = float(rng.choice([0.0, 0.3]))
        self.made: dict[int, tuple[Stage, Environment]] = {}

    def choose(self, rng: np.random.Generator) -> tuple[Stage, Environment]:
        which = int(rng.random() < self.second_share)
        if which not in self.made:
            self.made[which] = self._make(np.random.default_rng(self.seeds[which]))
        return self.made[which]

    def _make(self, rng: np.random.Generator) -> tuple[Stage, Environment]:
        around = self.surroundings
        environment = sample_environment(
            rng, self.light, panoramas=around.panoramas, scenes=around.scenes, held_out=around.held_out
        )
        turn = float(rng.uniform(0, 360))
        kind = environment.ground or _ground_in(environment, self.settings.leaf_blue, rng)
        ground = ground_texture(kind, 1024, GROUND_M, environment.ground_seed)
        relief = {"gravel": 9.0, "grass": 14.0, "dirt": 7.0}.get(kind, 1.2)
        outdoors = not environment.indoors
        wet = (
            float(rng.uniform(0.3, 1.0))
            if rng.random() < (self.settings.wet_probability if outdoors else 0.05)
            else 0.0
        )
        towards_sun = np.zeros(2)
        if environment.sun_direction is not None:
            x, y, z = environment.sun_direction @ about_vertical(turn)
            towards_sun = np.clip(np.array([x, y]) / max(z, 0.1), -1.0, 1.0)
        props = _branches(rng, towards_sun) if outdoors and rng.random() < self.settings.branches_probability else ()
        ground = as_around(ground, GROUND_M, environment)
        under, own = ground_settings(), rng.spawn(1)[0]
        litter = strew(
            kind, ground.mean(axis=(0, 1)), self.wheels @ about_vertical(turn)[:2, :2].T, environment.reach_m, under,
            own, indoors=not outdoors,
        )  # fmt: skip
        stage = Stage(
            light_up(environment.with_sun_in_image().image, turn),
            trodden(ground, GROUND_M, kind, self.wheels, about_vertical(turn)[:2, :2], under, own),
            GROUND_M,
            relief,
            wet,
            turn,
            environment.illuminance_lux,
            props,
            lay_apron(environment, GROUND_M, litter),
            ground_detail(kind, environment.ground_seed % TILES),
            under.kinds[kind].sink_mm / 1000,
        )
        return stage, environment


def _ground_in(environment: Environment, leaf_blue: float, rng: np.random.Generator) -> str:
    """The kind of ground that goes with a photographed panorama: grass where it shows a meadow, else any other."""
    other = str(rng.choice([kind for kind in GROUNDS if kind != "grass"]))
    return "grass" if is_meadow(environment, leaf_blue) else other


def is_meadow(environment: Environment, leaf_blue: float) -> bool:
    """Whether the ground of a picture gives back no more blue than leaves, as a share of all the light it gives back.

    Leaves swallow most of the blue; floors, soil and stone give back more of it, whatever their colour.
    """
    below = environment.image[len(environment.image) * 5 // 8 :]
    albedo = np.median(below, axis=(0, 1)) / environment.on_ground
    return bool(albedo[2] < leaf_blue * albedo.sum())


def _branches(
    rng: np.random.Generator, towards_sun: Array
) -> tuple[tuple[Patch, tuple[float, float, float], float], ...]:
    """Twigs and leaves overhead: what throws shadow edges on a parked vehicle. `towards_sun` (2): metres a metre up."""
    props: list[tuple[Patch, tuple[float, float, float], float]] = []
    disc = turned(np.array([[0.0, 0.004], [0.7, 0.0], [1.0, -0.01]]), 9)
    for _ in range(int(rng.integers(3, 8))):
        start = np.array([*rng.uniform(-3.5, 3.5, 2), rng.uniform(8.5, 11.0)])  # above the pictures' upper edge
        start[:2] += towards_sun * start[2]
        way = np.array([*rng.normal(size=2), rng.normal() * 0.2])
        way /= np.linalg.norm(way)
        end = start + way * rng.uniform(1.0, 3.0)
        props.append((tube(line(start, end, 5), float(rng.uniform(0.012, 0.05)), around=7), (0.10, 0.075, 0.05), 0.9))
        for at in rng.uniform(0, 1, int(rng.integers(8, 26))):
            spot = start + (end - start) * at + rng.normal(size=3) * 0.18
            leaf = disc.moved(placed(spot, z=rng.normal(size=3), scale=float(rng.uniform(0.03, 0.10))))
            props.append((leaf, (0.05, float(rng.uniform(0.08, 0.14)), 0.03), 0.6))
    return tuple(props)


# --- standing somewhere and pressing the button --------------------------------------------------------------


def _take(
    shot: str, advert: AdvertPlan, settings: AdvertSettings, variant: str, rng: np.random.Generator
) -> tuple[DevelopedPhoto, dict[str, Any]] | None:
    models, places, phone, camera = advert.models, advert.places, advert.phone, camera_settings()
    if shot in ("document", "identification_plate"):
        exposure = (
            document_photo(rng, settings.width_px, settings.height_px)
            if shot == "document"
            else plate_photo(rng, models.paint.factory_lab, settings.width_px, settings.height_px)
        )
        photo = develop(exposure, phone, rng, camera, illuminance_lux=float(rng.uniform(100, 8000)))
        return photo, _labels(
            photo,
            {},
            None,
            settings,
            shot=shot,
            place=shot,
            light="flat",
            distance=0.4,
            negatives="",
            visible=shot == "identification_plate",
        )
    stage, environment = places.choose(rng)
    painted, sight = models.with_doors(*_opened(shot, settings, rng))
    found = _stand(shot, painted, sight, settings, phone, rng)
    if found is None:
        return None
    view, site = found
    grids: Grids | None = sight.grids
    if shot == "not_vehicle":
        painted, grids = _emptied(painted, rng), None
    focus = float(np.linalg.norm(view.target - view.origin))
    exposed = expose(
        painted,
        view,
        stage,
        variant=variant,
        samples=_samples(settings, phone),
        seed=int(rng.integers(2**31)),
        focus_m=focus,
        grids=grids,
    )

    def developed(exposure: Exposure, noise: np.random.Generator) -> DevelopedPhoto:
        lux, elevation = environment.illuminance_lux, environment.sun_elevation_deg
        return develop(exposure, phone, noise, camera, illuminance_lux=lux, sun_elevation_deg=elevation)

    same_noise = deepcopy(rng)
    photo = developed(exposed.exposure, rng)
    differs = None
    if is_worth_comparing(photo.cues, settings.visibility):
        without = developed(exposed.untouched(), same_noise)
        differs = difference(photo.srgb, without.srgb, ~np.any([*photo.cues.values()], axis=0))
    body = _body_lab(painted, site)
    facts = _labels(
        photo,
        exposed.doubtful,
        differs,
        settings,
        shot=shot,
        place=site.place if site else "view",
        light=environment.name,
        distance=focus,
        negatives=",".join(sorted(painted.hard_negatives)),
        visible=shot != "not_vehicle",
    )
    return photo, {
        **facts,
        "body_L": body[0],
        "body_a": body[1],
        "body_b": body[2],
        "side": site.side if site else None,
    }


def _opened(shot: str, settings: AdvertSettings, rng: np.random.Generator) -> tuple[str, ...]:
    """What stands open for a photo: left, right or bonnet, or nothing."""
    if shot == "engine_bay":
        return ("bonnet",)
    if shot not in ("door_open", "interior", "close_up"):
        return ()
    door = (str(rng.choice(["left", "right"])),)
    if shot != "close_up":
        return door
    return {"none": (), "door": door, "bonnet": ("bonnet",)}[_draw(rng, settings.close_up_open)]


def _samples(settings: AdvertSettings, phone: PhoneCamera) -> int:
    """Paths a pixel: reducing a photo averages what noise they leave."""
    is_reduced = phone.resized * phone.enlarged <= 0.8
    return min(settings.samples, settings.samples_if_reduced) if is_reduced else settings.samples


def _body_lab(painted: PaintedVehicle, site: Site | None) -> tuple[float, float, float]:
    job = painted.history.job_of(site.panel if site else "door_left")
    return job.lab if job else painted.history.factory_lab


def _lens(phone: PhoneCamera, portrait: bool) -> float:
    """Horizontal field of view in degrees."""
    width = phone.sensor_width_mm * (0.75 if portrait else 1.0)
    return math.degrees(2 * math.atan(width / (2 * phone.focal_length_mm)))


def _stand(
    shot: str,
    painted: PaintedVehicle,
    sight: _Sight,
    settings: AdvertSettings,
    phone: PhoneCamera,
    rng: np.random.Generator,
) -> tuple[View, Site | None] | None:
    vehicle = painted.vehicle
    portrait = bool(rng.random() < settings.portrait_probability)
    width, height = (settings.height_px, settings.width_px) if portrait else (settings.width_px, settings.height_px)
    fov = _lens(phone, portrait)
    tilt = rng.normal() * math.radians(settings.tilt_deg) * (1.0 if shot == "close_up" else 0.4)
    site = None
    if shot == "close_up":
        placed_ = _close_up(painted, sight, settings, fov, rng)
        if placed_ is None:
            return None
        origin, target, site = placed_
    else:
        origin, target = _far_stand(shot, vehicle, settings, fov, rng)
    forward = (target - origin) / np.linalg.norm(target - origin)
    upright = np.array([0.0, 0.0, 1.0]) if abs(forward[2]) < 0.93 else np.array([1.0, 0.0, 0.0])
    right = np.cross(forward, upright)
    right /= np.linalg.norm(right)
    up = np.cross(right, forward) * math.cos(tilt) + right * math.sin(tilt)
    return View(origin, target, up, fov, width, height), site


def _far_stand(
    shot: str, vehicle: Vehicle, settings: AdvertSettings, fov: float, rng: np.random.Generator
) -> tuple[Array, Array]:
    side = 1.0 if "left" in vehicle.open_doors or (not vehicle.open_doors and rng.random() < 0.5) else -1.0
    half = vehicle.length / 2
    if shot in ("door_open", "interior"):
        door = vehicle.door_centre * [1, side, 1]
        if shot == "interior":
            origin = door + np.array([rng.uniform(-0.25, 0.05), side * rng.uniform(0.1, 0.4), rng.uniform(0.35, 0.55)])
            return origin, door + np.array(
                [rng.uniform(0.1, 0.45), -side * rng.uniform(0.3, 0.7), rng.uniform(-0.05, 0.25)]
            )
        reach = rng.uniform(*settings.distance_m["door_open"])
        angle = rng.uniform(-0.75, 0.25)
        origin = door + reach * np.array([math.sin(angle), side * math.cos(angle), 0]) + [0, 0, rng.uniform(-0.1, 0.8)]
        return origin, door + np.array([rng.uniform(-0.15, 0.2), -side * 0.25, rng.uniform(-0.2, 0.3)])
    if shot == "engine_bay":
        bay, reach = vehicle.bay_centre, rng.uniform(*settings.distance_m["engine_bay"])
        azimuth = rng.uniform(-0.6, 0.6) if rng.random() < 0.6 else side * rng.uniform(1.0, 1.6)
        around = np.array([math.cos(azimuth) * 0.75, math.sin(azimuth) * (vehicle.width / 2 + 0.1), 0])
        origin = bay + around + reach * np.array([math.cos(azimuth), math.sin(azimuth), 0])
        origin[2] = bay[2] + rng.uniform(0.5, 0.95)
        return origin, bay + np.array([rng.uniform(-0.25, 0.1), rng.uniform(-0.25, 0.25), rng.uniform(-0.1, 0.1)])
    if shot == "underside":
        azimuth = rng.uniform(0, 2 * math.pi)
        around = np.array([math.cos(azimuth) * (half + 0.5), math.sin(azimuth) * (vehicle.width / 2 + 0.55), 0])
        origin = around + np.array([0, 0, rng.uniform(0.12, 0.42)])
        return origin, around * rng.uniform(-0.1, 0.35) + np.array([0, 0, rng.uniform(0.40, 0.55)])
    reach = rng.uniform(*settings.distance_m["rear" if shot == "rear" else "exterior"])
    azimuth = rng.uniform(-0.45, 0.45) + math.pi if shot == "rear" else rng.uniform(-2.1, 2.1)
    middle = np.array([-half * 0.7 if shot == "rear" else rng.uniform(-0.4, 0.4), 0.0, rng.uniform(0.75, 1.05)])
    least = vehicle.length * 0.62 / (2 * math.tan(math.radians(fov) / 2)) * abs(math.sin(azimuth)) + 1.2
    reach = max(reach, least * rng.uniform(0.75, 1.3)) if shot != "rear" else reach
    origin = middle + reach * np.array([math.cos(azimuth), math.sin(azimuth), 0])
    origin[2] = rng.uniform(0.9, 1.9)
    return origin, middle + rng.normal(size=3) * [0.15, 0.15, 0.08]


def _close_up(
    painted: PaintedVehicle, sight: _Sight, settings: AdvertSettings, fov: float, rng: np.random.Generator
) -> tuple[Array, Array, Site] | None:
    sites = painted.vehicle.sites
    kinds = sorted({s.place for s in sites})
    weight = np.array([settings.close_up_places[k] for k in kinds])
    for _ in range(8):
        place = kinds[int(rng.choice(len(kinds), p=weight / weight.sum()))]
        group = [s for s in sites if s.place == place]
        interest = np.array([6.0 if s.panel in painted.refinished else 1.0 for s in group])
        site = group[int(rng.choice(len(group), p=interest / interest.sum()))]
        fill = float(rng.uniform(*settings.close_up_fill))
        distance = float(np.clip(site.extent_m * fill / (2 * math.tan(math.radians(fov) / 2)), 0.16, 2.5))
        n = site.normal
        side = np.cross(n, [0.0, 0.0, 1.0] if abs(n[2]) < 0.9 else [1.0, 0.0, 0.0])
        side /= np.linalg.norm(side)
        rise = np.cross(side, n)
        slant = rng.normal(size=(14, 2)) * 0.42
        origins = site.target + distance * _unit(n + side * slant[:, :1] + rise * slant[:, 1:])
        disc = (
            site.target
            + site.extent_m * 0.22 * (side * rng.uniform(-1, 1, (24, 1)) + rise * rng.uniform(-1, 1, (24, 1)))
            + n * 0.01
        )
        share = sight.visible_share(origins, disc) * (origins[:, 2] > 0.07)
        good = np.nonzero(share > 0.55)[0]
        if len(good):
            aim = site.target + (side * rng.normal() + rise * rng.normal()) * site.extent_m * 0.12
            return origins[good[0]], aim, site
    return None


def _unit(v: Array) -> Array:
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


def _emptied(painted: PaintedVehicle, rng: np.random.Generator) -> PaintedVehicle:
    """No vehicle: a few of its loose odds and ends lie about as boxes, tins and pipes."""
    from dataclasses import replace

    parts, rows = [], []
    for k in rng.permutation(len(painted.vehicle.parts))[:24]:
        part = painted.vehicle.parts[int(k)]
        spot = np.array([*rng.normal(size=2) * 0.9, rng.uniform(0.05, 0.4)])
        shape: tuple[Patch, ...]
        if rng.random() < 0.5:
            shape = box(rng.uniform(0.1, 0.6, 3), float(rng.uniform(0.005, 0.03)))
        else:
            shape = (
                turned(
                    np.array([[0, 0.2], [0.8, 0.2], [1.0, 0.16], [1.0, -0.2]])
                    * [rng.uniform(0.05, 0.3), rng.uniform(0.5, 2)],
                    22,
                ).flipped(),
            )
        turn = placed(spot, z=[rng.normal() * 0.3, rng.normal() * 0.3, 1.0], x=rng.normal(size=3))
        for one in shape:
            parts.append(replace(part, patch=one.moved(turn), surface="background", zone=None, side=None, kind="other"))
            rows.append(int(k))
    import torch

    index = torch.tensor([*rows, next(i for i, p in enumerate(painted.vehicle.parts) if p.surface == "glass")])
    pane = replace(
        next(p for p in painted.vehicle.parts if p.surface == "glass"),
        patch=box((0.3, 0.3, 0.004), 0.001)[1].moved(placed((0.4, 0.4, 0.02))),
    )
    columns = {name: getattr(painted.table, name)[index].clone() for name in painted.table.__slots__}
    columns["kind"][:] = 0
    columns["is_painted"][:] = False
    for name in ("veil", "mist", "coated", "fill", "sag"):
        columns[name][:, 0] = 0
    columns["sealed_over"][:], columns["rejoined"][:] = False, False
    columns["colour"] = torch.from_numpy(rng.uniform(0.02, 0.7, (len(index), 3)) ** 1.5).float()
    vehicle = replace(painted.vehicle, parts=(*parts, pane), sites=())
    table = type(painted.table)(**columns)
    return replace(
        painted, vehicle=vehicle, table=table, crevices=find_crevices(vehicle.parts), hard_negatives=frozenset()
    )


# --- labels --------------------------------------------------------------------------------------------------


def _labels(
    photo: DevelopedPhoto,
    doubtful: dict[str, Array],
    differs: Difference | None,
    settings: AdvertSettings,
    *,
    shot: str,
    place: str,
    light: str,
    distance: float,
    negatives: str,
    visible: bool,
) -> dict[str, Any]:
    """Image-level labels: 1 where a cue can be seen, None where it is there and hardly to be seen, else 0."""
    labels: dict[str, Any] = {
        "shot": shot,
        "vehicle_visible": int(visible),
        "place": place,
        "light": light,
        "distance_m": distance,
        "hard_negatives": negatives,
    }
    limits = settings.visibility
    least = limits.least_px * (max(photo.srgb.shape[:2]) / LONG_SIDE_PX) ** 2
    for cue in DETECTED_CUES:
        value: int | None = None
        if cue in LABELLED_CUES:
            mask = photo.cues.get(cue)
            faint = int(doubtful[cue].sum()) if cue in doubtful else 0
            if mask is not None and is_visible(cue, photo.cues, photo.srgb, differs, limits):
                value = 1
            elif (mask is None or mask.sum() < A_TRACE_PX) and faint < least:
                value = 0
        labels[f"cue_{cue}"] = value
    return labels
