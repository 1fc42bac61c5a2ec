"""A rendered white vehicle on grass at dusk, in two photos of a phone: through the shipped network no colour finding.

Sky and grass tint white paint as much as another paint would: blue from above, green from below. Common practice, no
source: white on grass at dusk is where colour in photos misleads most.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

pytest.importorskip("mitsuba")
pytest.importorskip("torch")

from pipeline.colour import colour_settings as settings
from pipeline.colour import is_finding, measure_advert, measure_colour
from pipeline.findings import look_at
from pipeline.network import CueNetwork, shipped_weights
from pipeline.paint_table import demo_table
from pipeline.photos import judge_quality
from pipeline.records import AdvertDetails, Photo, PhotoFindings
from synthetic_data.camera import camera_settings, develop, encode_jpeg, sample_phone
from synthetic_data.light import light_settings, sample_environment
from synthetic_data.painter import PaintHistory, paint_vehicle, sample_grime
from synthetic_data.scene import Stage, expose, light_up
from synthetic_data.textures import ground_texture
from synthetic_data.vehicle import build_vehicle, families
from synthetic_data.view import View

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("one_thread")]
WHITE = (92.0, -0.5, 3.0)
SUN_DEG = (1.0, 4.0)  # above the horizon
WIDTH, HEIGHT = 1024, 768


def photos_at_dusk(seed: int, variant: str) -> list[tuple[Photo, PhotoFindings]]:
    """Side and rear of one white vehicle in factory paint, with what the shipped network sees in them."""
    rng = np.random.default_rng(seed)
    body = families()["pellock"]
    vehicle = build_vehicle("pellock", body, np.random.default_rng(seed))
    history = PaintHistory("factory", WHITE, "", 0.3, 0.2, (), seed)
    painted = paint_vehicle(vehicle, body, history, sample_grime(rng))
    lights = light_settings()
    lights = lights.model_copy(update={"sun": lights.sun.model_copy(update={"elevation_deg": SUN_DEG})})
    places = (sample_environment(rng, lights, kind="clear") for _ in range(100))
    place = next(place for place in places if place.ground == "grass")
    emitter = light_up(place.with_sun_in_image().image, 0.0)
    ground = ground_texture("grass", 1024, 12.0, place.ground_seed)
    stage = Stage(emitter, ground, 12.0, 5.0, 0.0, 0.0, place.illuminance_lux)
    phone, network, seen = sample_phone(rng, camera_settings()), CueNetwork.load(shipped_weights()), []
    for name, azimuth in (("side", math.pi / 2 + 0.3), ("rear", math.pi + 0.3)):
        target = np.array([0.0, 0.0, 0.9])
        origin = target + 6.0 * np.array([math.cos(azimuth), math.sin(azimuth), 0.1])
        view = View(origin, target, np.array([0.0, 0.0, 1.0]), 62.0, WIDTH, HEIGHT)
        exposure, *_ = expose(painted, view, stage, variant=variant, samples=16, seed=seed, focus_m=6.0)
        taken = encode_jpeg(develop(exposure, phone, rng, camera_settings(), illuminance_lux=place.illuminance_lux))
        pixels = cv2.cvtColor(cv2.imdecode(np.frombuffer(taken, np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
        photo = Photo("dusk", name, name, "0", np.asarray(pixels, np.uint8))
        maps = network.run([photo.srgb])[0]
        findings = look_at(photo, maps, judge_quality(photo), network.manifest).findings
        measures = measure_colour(photo, maps, findings, settings())
        seen.append((photo, findings.model_copy(update={"measures": measures})))
    return seen


@pytest.mark.parametrize("seed", [1])
def test_white_on_grass_at_dusk_raises_no_colour_finding(variant: str, seed: int) -> None:
    seen = [findings for _, findings in photos_at_dusk(seed, variant)]
    measures = [measure for findings in seen for measure in findings.measures]
    assert {"body_colour"} <= {measure.cue for measure in measures}  # white paint was seen and measured
    assert not [measure for measure in measures if is_finding(measure, settings())]
    details = AdvertDetails(paint_code="OW 103", document_colour="white", declared_colour="white", year=1980)
    advert = measure_advert(details, seen, paints=demo_table(), family="pellock")
    assert not [measure for measure in advert.measures if is_finding(measure, settings())]
    assert "disagree" not in {comparison.agreement for comparison in advert.identity.comparisons}
