"""How well panels are compared on renders of known paint: `python -m tests.pipeline.bench_colour --photos 60`.

Vehicles of four families, each from its side or its rear, in every kind of light and dirt of the generator, through
its phone and site. A third wears one paint, a sixth has one panel that differs by under 1, a third one that differs by
4, a sixth one that differs by 2 to 9 (CIEDE2000, random direction). The surfaces and zones are the render's own, as a
network that sees rightly would give them. Prints one line of JSON. Takes about 20 s of processor time a photo; needs
the extra `train`.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Annotated, Any

import cv2
import numpy as np
import typer

from pipeline.colorimetry import lab_to_linear
from pipeline.colour import colour_settings, is_finding, measure_colour
from pipeline.paint_table import Lab
from pipeline.records import SURFACES, Measure, Photo
from tests.pipeline.painted import made_findings, made_maps, step_of

GROUPS = {
    "door": ("door_left", "door_right"),
    "wing": ("wing_front_left", "wing_front_right"),
    "tub": ("tub_left", "tub_right"),
    "corner": ("rear_corner_left", "rear_corner_right"),
    "tailgate": ("tailgate",),
}
FAMILIES = ("pellock", "brindle", "gannel", "torrick")
UNKNOWN = 255


def _can_be_rendered(paint: Lab) -> bool:
    """Whether a paint lies within sRGB, so that it is rendered as it is."""
    return bool(lab_to_linear(np.array(paint)).min() >= 0)


def photo_of(index: int, seed: int, variant: str, width: int) -> tuple[Photo, Any, dict[int, int], float]:
    """One photo, its labels (`side` holds 1 + the number of the panel), which panels wear the other paint, and ΔE00."""
    from synthetic_data import vehicle as vehicles
    from synthetic_data.camera import camera_settings, develop, encode_jpeg, sample_phone
    from synthetic_data.light import light_settings, sample_environment
    from synthetic_data.painter import Job, PaintHistory, paint_vehicle, sample_colour, sample_grime
    from synthetic_data.scene import Stage, expose, light_up
    from synthetic_data.textures import GROUNDS, ground_texture
    from synthetic_data.view import View
    from tests.pipeline.unrendered import panels_seen

    rng = np.random.default_rng([seed, index])
    family = FAMILIES[index // 6 % 4]
    body = vehicles.families()[family]
    vehicle = vehicles.build_vehicle(family, body, np.random.default_rng(int(rng.integers(2**31))))
    code, paint = sample_colour(rng)
    while not _can_be_rendered(paint):
        code, paint = sample_colour(rng)
    true = (0.0, 4.0, float(rng.uniform(0.2, 1.0)), float(rng.uniform(2, 9)), 0.0, 4.0)[index % 6]
    group = list(GROUPS)[int(rng.integers(len(GROUPS)))]
    rear = group in ("corner", "tailgate")
    other: Lab = paint
    while true and (other is paint or not _can_be_rendered(other)):
        other = step_of(paint, true, rng)
    jobs = (Job(frozenset(GROUPS[group]), other, 0.9, 1, float(rng.uniform(0.08, 0.35))),) if true else ()
    # fresh from the factory: fading would make panels of one paint differ
    history = PaintHistory("benchmark", paint, code, float(rng.uniform(0.1, 0.4)), 0.0, jobs, int(rng.integers(2**31)))
    painted = paint_vehicle(vehicle, body, history, sample_grime(rng))
    environment = sample_environment(rng, light_settings())
    turn = float(rng.uniform(0, 360))
    ground = ground_texture(environment.ground or str(rng.choice(list(GROUNDS))), 1024, 12.0, environment.ground_seed)
    emitter = light_up(environment.with_sun_in_image().image, turn)
    stage = Stage(emitter, ground, 12.0, 5.0, 0.0, turn, environment.illuminance_lux)
    azimuth = (math.pi if rear else rng.choice([-1, 1]) * math.pi / 2) + rng.uniform(-0.5, 0.5)
    reach = rng.uniform(3.5, 6.0) if rear else rng.uniform(4.5, 7.5)
    target = np.array([-0.35 * vehicle.length if rear else 0.0, 0.0, 0.9])
    origin = target + reach * np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
    origin[2] = rng.uniform(1.1, 1.8)
    view = View(origin, target, np.array([0.0, 0.0, 1.0]), 62.0, width, width * 3 // 4)
    phone, noise = sample_phone(rng, camera_settings()), int(rng.integers(2**31))
    exposure, *_ = expose(painted, view, stage, variant=variant, samples=20, seed=noise, focus_m=float(reach))
    panels = sorted({part.panel for part in painted.vehicle.parts if part.panel})
    number = {panel: 1 + k for k, panel in enumerate(panels)}
    seen = panels_seen(painted.vehicle, view)
    side = sum((seen == panel) * np.uint8(k) for panel, k in number.items())
    photo = develop(
        replace(exposure, side=side), phone, rng, camera_settings(), illuminance_lux=environment.illuminance_lux
    )
    pixels = cv2.imdecode(np.frombuffer(encode_jpeg(photo), np.uint8), cv2.IMREAD_COLOR)
    srgb = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB), np.uint8)
    wears = {number[panel]: int(bool(true) and panel in GROUPS[group]) for panel in panels}
    return Photo("a", str(index), "0", "0", srgb), photo, wears, true


def true_difference(measure: Measure, side: np.ndarray, wears: dict[int, int], true: float) -> float | None:
    """ΔE00 of the two panels that a measured gap lies between; None where it lies between none."""
    box = measure.regions[0]
    rows = np.linspace(box.y + 0.25 * box.height, box.y + 0.75 * box.height, 9).astype(int)
    middle, beside = box.x + box.width // 2, max(10, box.width // 2 + 4)
    height, width = side.shape
    panels = []
    for column in (middle - beside, middle + beside):
        seen = side[np.clip(rows, 0, height - 1), min(max(column, 0), width - 1)]
        panels.append(int(np.bincount(seen[seen > 0], minlength=1).argmax()) if (seen > 0).any() else 0)
    if 0 in panels:
        return None
    return true if wears[panels[0]] != wears[panels[1]] else 0.0


def main(
    photos: Annotated[int, typer.Option(help="How many photos.")] = 60,
    seed: Annotated[int, typer.Option(help="Of the vehicles and their photos.")] = 2026,
    variant: Annotated[str, typer.Option(help="Mitsuba's variant.")] = "llvm_ad_rgb",
    width: Annotated[int, typer.Option(help="Of the photos, in pixels.")] = 1024,
) -> None:
    """Print what was measured against what is true."""
    import mitsuba

    mitsuba.set_variant(variant)
    settings = colour_settings()
    shot = "exterior"
    errors, scaled, small, large, compared = [], [], [0, 0], [0, 0], 0
    for index in range(photos):
        photo, made, wears, true = photo_of(index, seed, variant, width)
        surface = np.where(made.surface == UNKNOWN, SURFACES.index("background"), made.surface).astype(int)
        maps = made_maps(surface, np.where(made.zone == UNKNOWN, 0, made.zone).astype(int), shot, photo.width)
        measures = measure_colour(photo, maps, made_findings(photo.srgb, shot), settings)
        pairs = [
            (measure, true_difference(measure, made.side, wears, true))
            for measure in measures
            if measure.cue == "panel_mismatch"
        ]
        compared += bool(pairs)
        for measure, difference in pairs:
            if difference is None:
                continue
            errors.append(abs(measure.value - difference))
            scaled.append(errors[-1] / measure.uncertainty)
            found = is_finding(measure, settings)
            if difference < 1:
                small = [small[0] + found, small[1] + 1]
            elif 3.5 <= difference <= 4.5:
                large = [large[0] + found, large[1] + 1]
    result = {
        "photos": photos,
        "photos_with_a_comparison": compared,
        "gaps": len(errors),
        "median_error_delta_e00": round(float(np.median(errors)), 2) if errors else None,
        "rms_error_by_uncertainty": round(float(np.sqrt(np.mean(np.square(scaled)))), 2) if errors else None,
        "under_1_called": small,
        "of_4_found": large,
    }
    print(json.dumps(result))


if __name__ == "__main__":
    typer.run(main)
