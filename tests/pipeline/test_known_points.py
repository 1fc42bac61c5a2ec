"""Heads of a panel's rows in a photo: a pinhole camera of known pose is the truth, and what is unsure is refused."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.build_sheets import Decal, Panel, Row
from pipeline.colour import colour_settings
from pipeline.decals import NotMeasured, measure_decal
from pipeline.known_points import find_heads, find_points
from pipeline.network import NetworkMaps, read_manifest, shipped_weights
from pipeline.records import SURFACES, Measure

SETTINGS = colour_settings().known_points
DECALS = colour_settings().decals
SIZE = (1600, 1200)
SHIPPED = read_manifest(shipped_weights())
# networks that were taught heads and that were not, whatever the shipped one was
UNTAUGHT = SHIPPED.model_copy(update={"surfaces": tuple(name for name in SURFACES if name != "fastener")})
TAUGHT = SHIPPED.model_copy(update={"surfaces": SURFACES})
PANEL = Panel.model_validate(
    {
        "label": "Tailgate",
        "zone": "tub_rear",
        "metal": "aluminium",
        "rows": {
            "low": {"first": [30, 30], "last": [830, 30], "heads": 11},
            "high": {"first": [30, 590], "last": [830, 590], "heads": 9},
        },
    }
)
DECAL = Decal(panel="tailgate", x_mm=60, y_mm=70, width_mm=180, height_mm=45, tolerance_mm=6)


def seen(points_mm: object, turn: tuple[float, float, float] = (20.0, -8.0, 3.0), focal: float = 1250.0) -> np.ndarray:
    """Panel points through a pinhole camera 1.3 m before the panel's middle: x_px = K (R X + t), (n, 2).

    `turn`: degrees about the upright, the level and the viewing axis. 1250 px are 28 mm on a 36 mm frame.
    """
    flat = np.asarray(points_mm, float).reshape(-1, 2) - [430, 310]
    world = np.column_stack([flat[:, 0], -flat[:, 1], np.zeros(len(flat))])  # the camera's y runs down
    before = Rotation.from_euler("yxz", turn, degrees=True).apply(world) + np.array([20, -10, 1300])
    return before[:, :2] / before[:, 2:] * focal + np.array(SIZE) / 2


def heads(panel: Panel = PANEL, **camera: object) -> np.ndarray:
    return seen(list(panel.heads.values()), **camera)  # type: ignore[arg-type]


def found(at: np.ndarray, panel: Panel = PANEL) -> dict[str, tuple[float, float]] | NotMeasured:
    return find_points(panel, [(float(x), float(y)) for x, y in at], SIZE, SETTINGS)


def off_mm(points: dict[str, tuple[float, float]]) -> Measure:
    """The decal stands 30 mm too far right and 40 mm too low: 50 mm (3-4-5)."""
    corner = tuple(seen((DECAL.x_mm + 30, DECAL.y_mm - 40))[0])
    measure = measure_decal(PANEL, DECAL, points, [corner], DECALS)
    assert isinstance(measure, Measure)
    return measure


def test_every_head_gets_its_name_in_any_order() -> None:
    rng = np.random.default_rng(1)
    at = heads()
    points = found(at[rng.permutation(len(at))])
    assert points == {name: tuple(place) for name, place in zip(PANEL.heads, at.tolist(), strict=True)}
    assert off_mm(points).value == pytest.approx(50, abs=0.1)


@pytest.mark.parametrize("turn", [(0.0, 0.0, 0.0), (45.0, 5.0, 0.0), (-35.0, -20.0, 12.0)])
def test_noisy_heads_among_strays_give_the_place_within_its_uncertainty(turn: tuple[float, float, float]) -> None:
    errors = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        at = heads(turn=turn) + rng.normal(scale=1.5, size=(20, 2))
        at = np.delete(at, int(rng.choice([3, 5, 14, 16])), axis=0)  # one between the ends is dirty
        strays = rng.uniform([0, 0], SIZE, size=(6, 2))
        points = found(np.concatenate([at, strays]))
        assert isinstance(points, dict), (seed, points)
        truth = dict(zip(PANEL.heads, heads(turn=turn), strict=True))
        assert len(points) >= 18
        assert all(np.hypot(*(np.array(place) - truth[name])) < 8 for name, place in points.items())
        corner = tuple(seen((DECAL.x_mm + 30, DECAL.y_mm - 40), turn=turn)[0] + rng.normal(scale=1.5, size=2))
        measure = measure_decal(PANEL, DECAL, points, [corner], DECALS)
        assert isinstance(measure, Measure)
        errors.append((measure.value - 50) / measure.uncertainty)
    # chi-square of 12 errors that are as large as their uncertainty says: 2.2 to 28.3 in 99.8 % (any table)
    assert 2.2 < float(np.square(errors).sum()) < 28.3


def test_a_long_row_among_many_strays_is_found_and_no_head_is_misnamed() -> None:
    rows = {
        "low": Row(first=(60, 30), last=(790, 30), heads=9),
        "high": Row(first=(30, 590), last=(830, 590), heads=36),
    }
    long = PANEL.model_copy(update={"rows": rows})
    truth = dict(zip(long.heads, heads(long), strict=True))
    for seed in range(8):
        rng = np.random.default_rng(seed)
        strays = rng.uniform([0, 0], SIZE, size=(35, 2))
        points = found(np.concatenate([strays, heads(long) + rng.normal(scale=1.0, size=(45, 2))]), long)
        assert isinstance(points, dict) and len(points) >= 40, (seed, points)
        # a fifth of the narrowest spacing and three deviations of a head; the next head is further
        assert all(np.hypot(*(np.array(place) - truth[name])) < 6 for name, place in points.items())


def test_rows_that_meet_in_a_corner_are_refused() -> None:
    """Three of their four ends lie nearly on one line, which fixes no homography."""
    rows = {"up": Row(first=(20, 30), last=(20, 550), heads=9), "high": Row(first=(30, 590), last=(830, 590), heads=11)}
    corner = PANEL.model_copy(update={"rows": rows})
    rng = np.random.default_rng(1)
    assert isinstance(found(heads(corner) + rng.normal(scale=1.5, size=(20, 2)), corner), NotMeasured)


def test_scattered_heads_are_no_rows() -> None:
    for seed in range(6):
        at = np.random.default_rng(seed).uniform([0, 0], SIZE, size=(40, 2))
        assert isinstance(found(at), NotMeasured)


def test_too_few_heads_are_told() -> None:
    refused = found(heads()[:9])
    assert refused == NotMeasured("16 heads of the panel's rows are needed, the network is sure of 9")


def test_a_hidden_end_of_a_row_is_refused() -> None:
    assert isinstance(found(np.delete(heads(), [0, 11], axis=0)), NotMeasured)


def test_rows_of_another_spacing_are_refused() -> None:
    rows = {
        "low": {"first": [30, 30], "last": [830, 30], "heads": 11},
        "high": {"first": [30, 250], "last": [830, 250], "heads": 9},  # a lower panel: no camera stretches it so
    }
    lower = Panel.model_validate(PANEL.model_dump() | {"rows": rows})
    refused = found(heads(lower, turn=(20.0, -8.0, 3.0)))
    assert isinstance(refused, NotMeasured)


def test_a_mirrored_photo_and_a_turned_one_are_refused() -> None:
    rows = {"low": PANEL.rows["low"], "high": Row(first=(230, 590), last=(830, 590), heads=7)}
    uneven = PANEL.model_copy(update={"rows": rows})  # the mirrored photo of even rows looks like a photo of them
    at = heads(uneven)
    assert isinstance(found(at, uneven), dict)
    assert isinstance(found(at * np.array([-1, 1]) + np.array([SIZE[0], 0]), uneven), NotMeasured)
    assert isinstance(found(np.array(SIZE) - at, uneven), NotMeasured)


def test_a_row_that_goes_on_beyond_the_panel_is_refused() -> None:
    """Two rows of even pitch with one more head at each end: shifted by one they fit as well."""
    rows = {
        "low": {"first": [30, 30], "last": [830, 30], "heads": 11},
        "high": {"first": [30, 590], "last": [830, 590], "heads": 11},
    }
    even = Panel.model_validate(PANEL.model_dump() | {"rows": rows})
    more = [[x, y] for y in (30, 590) for x in (-50, 910)]
    assert isinstance(found(heads(even), even), dict)
    refused = found(np.concatenate([heads(even), seen(more)]), even)
    assert refused == NotMeasured("two ways to take the heads for those of the panel's rows fit about as well")


def test_a_panel_without_two_rows_has_no_heads_to_find() -> None:
    one = PANEL.model_copy(update={"rows": {"low": PANEL.rows["low"]}})
    assert found(heads(), one) == NotMeasured("the build sheet names fewer than two rows of heads on the panel")


# --- heads in the network's map --------------------------------------------------------------------------------------


def maps_of(discs: list[tuple[float, float, float]], surface: str = "fastener", ground: str = "paint") -> NetworkMaps:
    """Sure maps 100 × 80 cells of 6.25 px: discs (x, y, radius, px) of one surface on another."""
    y, x = (np.mgrid[0:80, 0:100] + 0.5) * 6.25
    head = np.zeros((80, 100), np.float32)
    for at_x, at_y, radius in discs:
        head = np.maximum(head, np.clip((radius + 3.125 - np.hypot(x - at_x, y - at_y)) / 6.25, 0, 1))
    surfaces = np.zeros((len(TAUGHT.surfaces), 80, 100), np.float32)
    surfaces[TAUGHT.surfaces.index(ground)] = 1 - head
    surfaces[TAUGHT.surfaces.index(surface)] += head
    none = np.zeros((1, 80, 100), np.float32)
    return NetworkMaps(none, {}, surfaces, none, {}, 1.0, 6.25)


def test_heads_are_small_round_patches_in_paint() -> None:
    discs = [(100.0, 90.0, 12.0), (203.0, 91.5, 14.0), (300.0, 300.0, 13.0)]
    centres = find_heads(maps_of(discs), TAUGHT, SETTINGS)
    assert np.array(sorted(centres)) == pytest.approx(np.array(discs)[:, :2], abs=1.0)  # a sixth of a cell
    assert find_heads(maps_of([(300.0, 250.0, 120.0)]), TAUGHT, SETTINGS) == ()  # no head is so large
    assert find_heads(maps_of([(0.0, 250.0, 14.0)]), TAUGHT, SETTINGS) == ()  # cut off by the photo's edge
    assert find_heads(maps_of(discs, ground="tyre"), TAUGHT, SETTINGS) == ()
    assert find_heads(maps_of(discs, surface="lamp"), TAUGHT, SETTINGS) == ()


def test_a_network_without_a_class_for_fasteners_shows_none() -> None:
    discs = [(100.0, 90.0, 12.0)]
    assert len(find_heads(maps_of(discs), TAUGHT, SETTINGS)) == 1
    assert find_heads(maps_of(discs, surface="bare_metal"), TAUGHT, SETTINGS) == ()
    assert find_heads(maps_of(discs), UNTAUGHT, SETTINGS) == ()


def test_the_class_that_is_looked_for_is_the_one_that_is_taught() -> None:
    assert SETTINGS.surface == "fastener" and SETTINGS.surface in SURFACES
    assert SURFACES[: len(UNTAUGHT.surfaces)] == UNTAUGHT.surfaces  # appended: what older planes hold means the same


def drawn(turn: tuple[float, float, float], radius_mm: float) -> NetworkMaps:
    """What a network says that draws every head of the panel as it is: the share of each cell that it covers."""
    finer, cell = 4, 6.25
    rows, columns = (round(side / cell) for side in (SIZE[1], SIZE[0]))
    picture = np.zeros((rows * finer, columns * finer), np.uint8)
    for x, y in PANEL.heads.values():
        angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        rim = np.array([x, y]) + radius_mm * np.column_stack([np.cos(angles), np.sin(angles)])
        # of 256 sub-pixels, whose first one's middle is 0
        places = (seen(rim, turn=turn) / cell * finer - 0.5) * 256
        cv2.fillPoly(picture, [places.round().astype(np.int32)], 1, shift=8)
    head = picture.reshape(rows, finer, columns, finer).mean(axis=(1, 3)).astype(np.float32)
    surfaces = np.zeros((len(TAUGHT.surfaces), rows, columns), np.float32)
    surfaces[TAUGHT.surfaces.index("fastener")], surfaces[TAUGHT.surfaces.index("paint")] = head, 1 - head
    none = np.zeros((1, rows, columns), np.float32)
    return NetworkMaps(none, {}, surfaces, none, {}, 1.0, cell)


@pytest.mark.parametrize("turn", [(0.0, 0.0, 0.0), (25.0, 5.0, -4.0), (-20.0, -15.0, 8.0)])
def test_from_the_map_to_the_decal(turn: tuple[float, float, float]) -> None:
    """Heads of 20 mm across are three cells in this photo, those of 8 mm one."""
    corner = tuple(seen((DECAL.x_mm + 30, DECAL.y_mm - 40), turn=turn)[0])
    for radius_mm, seen_heads in ((10.0, (20,)), (4.0, range(16, 21))):
        points = find_points(PANEL, find_heads(drawn(turn, radius_mm), TAUGHT, SETTINGS), SIZE, SETTINGS)
        assert isinstance(points, dict) and len(points) in seen_heads
        measure = measure_decal(PANEL, DECAL, points, [corner], DECALS)
        assert isinstance(measure, Measure)
        assert measure.value == pytest.approx(50, abs=2 * measure.uncertainty) and measure.uncertainty < 3
    unsure = drawn(turn, 10.0)
    unsure.surfaces[TAUGHT.surfaces.index("fastener")] *= 0.9 * SETTINGS.sure
    assert isinstance(find_points(PANEL, find_heads(unsure, TAUGHT, SETTINGS), SIZE, SETTINGS), NotMeasured)
