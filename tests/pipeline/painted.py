"""Made photos of a vehicle's side with known paint: three flush panels, light of many kinds, noise and JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.colorimetry import encode, lab_to_linear
from pipeline.network import NetworkMaps
from pipeline.paint_table import Lab
from pipeline.records import SHOTS, SURFACES, ZONES, Box, CueFinding, Photo, PhotoFindings, Quality

WIDTH, HEIGHT = 800, 600
TOP, BOTTOM = 150, 450  # of the painted side
GAPS = (270, 540)  # between wing, door and tub
GREEN: Lab = (40.0, -12.0, 18.0)


@dataclass(frozen=True)
class Light:
    """What falls on the vehicle. All shares are of the light; positions are shares of the picture's width."""

    sky_to_ground: float = 0.0  # light runs by this from top to bottom
    bulge: float = 0.0  # each panel darkens by this towards its edges
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    low_cast: tuple[float, float, float] = (1.0, 1.0, 1.0)  # of what the ground throws back, below
    shadow_from: float | None = None  # upright shadow edge: right of it half the light is missing
    gloss: float = 0.0  # added white light, slowly varying
    exposure: float = 1.0


@dataclass(frozen=True)
class Made:
    photo: Photo
    maps: NetworkMaps
    findings: PhotoFindings


def step_of(lab: Lab, delta: float, rng: np.random.Generator) -> Lab:
    """Another paint at this CIEDE2000 distance, in a random direction."""
    import colour  # the reference library, not the code under test

    way = rng.normal(size=3)
    way /= np.linalg.norm(way)
    low, high = 0.0, 40.0
    for _ in range(40):
        middle = (low + high) / 2
        near = float(colour.delta_E(np.array(lab), np.array(lab) + way * middle, method="CIE 2000")) < delta
        low, high = (middle, high) if near else (low, middle)
    return tuple(float(v) for v in np.array(lab) + way * low)  # type: ignore[return-value]


def made_side(
    paints: tuple[Lab, Lab, Lab],
    rng: np.random.Generator,
    *,
    light: Light = Light(),
    dirt: float = 0.0,
    noise: float = 2.5,
    quality: int = 82,
    zones: tuple[str, str, str] = ("wing_front", "tub_side", "tub_side"),
    gap_light: float = 0.25,
    scale: float = 1.0,
    shot: str = "exterior",
    masking: tuple[Box, ...] = (),
    name: str = "p.jpg",
) -> Made:
    """A side in wing, door and tub colour, above a strip of ground and two tyres, as a phone and a site leave it."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float64)
    panel = np.digitize(x, GAPS)
    inside = (y >= TOP) & (y < BOTTOM) & (x >= 20) & (x < WIDTH - 20)
    albedo = lab_to_linear(np.array(paints))[panel]
    surface = np.full((HEIGHT, WIDTH), SURFACES.index("background"))
    surface[y >= 520] = SURFACES.index("ground")
    surface[inside] = SURFACES.index("paint")
    wheels = (np.hypot(x - 150, y - 480) < 62) | (np.hypot(x - 660, y - 480) < 62)
    surface[wheels] = SURFACES.index("tyre")
    zone = np.where(inside, np.array([1 + ZONES.index(z) for z in zones])[panel], 0)
    albedo[surface == SURFACES.index("background")] = (0.35, 0.42, 0.5)
    albedo[surface == SURFACES.index("ground")] = (0.12, 0.18, 0.06)
    albedo[wheels] = 0.03
    if dirt:
        spots = cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)), (0, 0), 9) * 22
        cover = (np.clip(spots - 0.6 + 0.5 * (y - TOP) / (BOTTOM - TOP), 0, 1) * dirt)[..., None]
        albedo = albedo * (1 - cover) + np.array([0.16, 0.11, 0.07]) * cover
    down = np.clip((y - TOP) / (BOTTOM - TOP), 0, 1)
    starts, ends = np.array([20, *GAPS]), np.array([*GAPS, WIDTH - 20])
    across = np.clip((x - starts[panel]) / (ends - starts)[panel], 0, 1)
    amount = 1 + light.sky_to_ground * (0.5 - down) - light.bulge * (2 * across - 1) ** 2
    if light.shadow_from is not None:
        amount = np.where(x > light.shadow_from * WIDTH, 0.5 * amount, amount)
    cast = (1 - down)[..., None] * np.array(light.cast) + down[..., None] * np.array(light.low_cast)
    shine = light.gloss * (0.5 + 0.5 * np.sin(x / 90 + rng.uniform(0, 6)) * np.cos(y / 70))[..., None]
    linear = (albedo * amount[..., None] + np.where(inside[..., None], shine, 0)) * cast * light.exposure
    for gap in GAPS:
        linear[inside & (np.abs(x - gap) <= 1.2)] *= gap_light
    linear = cv2.GaussianBlur(linear, (0, 0), 0.7)
    srgb = encode(linear) * 255 + rng.normal(size=linear.shape) * noise
    if scale != 1:
        size = (round(WIDTH * scale), round(HEIGHT * scale))
        srgb = cv2.resize(srgb, size, interpolation=cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA)
    pixels = cv2.cvtColor(srgb.clip(0, 255).round().astype(np.uint8), cv2.COLOR_RGB2BGR)
    jpeg = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    seen = np.asarray(cv2.cvtColor(cv2.imdecode(jpeg, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB), np.uint8)
    return Made(
        Photo("a", name, name, "0", seen),
        made_maps(surface, zone, shot, seen.shape[1]),
        made_findings(seen, shot, name, masking),
    )


def made_maps(
    surface: npt.NDArray[np.int_], zone: npt.NDArray[np.int_], shot: str, photo_width: int, vehicle: float = 1.0
) -> NetworkMaps:
    """Maps of a network that sees rightly, but softly at borders: one cell for 4 × 4 pixels of `surface` and `zone`."""
    cells = (surface.shape[1] // 4, surface.shape[0] // 4)

    def soft(labels: npt.NDArray[np.int_], count: int) -> npt.NDArray[np.float32]:
        maps = [cv2.resize((labels == k).astype(np.float32), cells, interpolation=cv2.INTER_AREA) for k in range(count)]
        return np.stack(maps)

    return NetworkMaps(
        cue_probability=np.zeros((0, cells[1], cells[0]), np.float32),
        cue_scores={},
        surfaces=soft(surface, len(SURFACES)),
        zones=soft(zone, 1 + len(ZONES)),
        shots={name: float(name == shot) for name in SHOTS},
        vehicle=vehicle,
        scale=photo_width / cells[0],
    )


def made_findings(
    srgb: npt.NDArray[np.uint8], shot: str, name: str = "p.jpg", masking: tuple[Box, ...] = (), assessable: bool = True
) -> PhotoFindings:
    return PhotoFindings(
        advert="a",
        photo=name,
        sha256=name,
        width=srgb.shape[1],
        height=srgb.shape[0],
        shot={s: float(s == shot) for s in SHOTS},
        quality=Quality(sharpness=0.8, exposure=0, assessable=assessable),
        vehicle=1.0,
        cues={"masking_edge": CueFinding(score=0.9, assessable=True, boxes=masking)} if masking else {},
    )
