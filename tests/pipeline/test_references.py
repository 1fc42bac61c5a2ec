"""References: found by folder, the nearest in view and surroundings first, and the comparison uses them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.colour import colour_settings, measure_advert, measure_colour, reference_of, view_of
from pipeline.errors import ConfigError
from pipeline.paint_table import ColourReading, Lab, demo_table
from pipeline.records import AdvertDetails, PhotoFindings
from pipeline.references import Reference, View, likeness, nearest, paints_as_photographed, reference_photos
from tests.pipeline.painted import Light, made_side

SETTINGS = colour_settings().references
GRASS: Lab = (45.0, -20.0, 30.0)
TARMAC: Lab = (40.0, 0.0, -1.0)
GREEN = next(paint for paint in demo_table() if paint.name == "Marl Green")


def view(ground: Lab | None, shot: str = "exterior") -> View:
    return View({shot: 1.0}, {} if ground is None else {"ground": ColourReading(ground, (3, 3, 3))})


def reference(code: str, ground: Lab, lab: Lab = (50, 0, 0), name: str = "r.jpg") -> Reference:
    return Reference(code, Path(name), ColourReading(lab, (17, 6, 6)), view(ground), name)


def test_codes_are_the_folders_names(tmp_path: Path) -> None:
    for name in ("OW 503/a.jpg", "OW 503/b.PNG", "OW 604/c.heic", "OW 604/notes.txt", ".cache/x.jpg"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    found = reference_photos(tmp_path)
    assert [(code, path.name) for code, path in found] == [
        ("OW 503", "a.jpg"),
        ("OW 503", "b.PNG"),
        ("OW 604", "c.heic"),
    ]


def test_no_folder_and_no_photo_are_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such folder"):
        reference_photos(tmp_path / "none")
    with pytest.raises(ConfigError, match="named by its code"):
        reference_photos(tmp_path)


def test_the_same_view_is_wholly_alike_and_likeness_has_no_order() -> None:
    one, other = view(GRASS), view(TARMAC, "close_up")
    assert likeness(one, one, SETTINGS) == 1
    assert likeness(one, other, SETTINGS) == likeness(other, one, SETTINGS) < 0.1


def test_what_one_photo_does_not_show_makes_them_less_alike_but_not_strangers() -> None:
    assert 0.3 < likeness(view(GRASS), view(None), SETTINGS) < 1


def test_a_reference_in_another_light_is_less_alike() -> None:
    """Illuminant A against D65: ln R/G and ln B/G of a grey in linear sRGB, from colour-science."""
    import colour

    def ratios(illuminant: str) -> tuple[float, float]:
        white = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][illuminant])
        red, green, blue = colour.XYZ_to_sRGB(white / 2, apply_cctf_encoding=False)
        return float(np.log(red / green)), float(np.log(max(blue, 1e-3) / green))

    daylight, filament = (replace(view(GRASS), light={"tyre": ratios(name)}) for name in ("D65", "A"))
    assert likeness(daylight, daylight, SETTINGS) == 1
    assert likeness(daylight, filament, SETTINGS) < SETTINGS.least_likeness
    other_surface = replace(view(GRASS), light={"black_part": ratios("A")})
    assert likeness(daylight, other_surface, SETTINGS) == 1  # nothing in common to tell it by


def test_the_nearest_come_first_and_strangers_not_at_all() -> None:
    references = [
        reference("A", TARMAC, name="1"),
        reference("B", GRASS, name="2"),
        reference("C", (95, 0, 60), name="3"),
    ]
    near = nearest(view(GRASS), references, SETTINGS)
    assert near[0].reference.code == "B"
    assert "C" not in [item.reference.code for item in near]
    many = [reference("A", GRASS, name=str(k)) for k in range(9)]
    assert len(nearest(view(GRASS), many, SETTINGS)) == SETTINGS.shown


def test_references_move_a_paint_by_how_alike_they_are() -> None:
    def lightness(ground: Lab) -> float:
        paints = paints_as_photographed([GREEN], [reference("ow503", ground, (70, -9, 19))], [view(GRASS)], SETTINGS)
        return paints[0].lab[0]

    assert lightness(GRASS) == pytest.approx((GREEN.lab[0] + 70) / 2)
    assert GREEN.lab[0] < lightness(TARMAC) < lightness(GRASS)
    assert paints_as_photographed([GREEN], [reference("OW 604", GRASS)], [view(GRASS)], SETTINGS) == (GREEN,)


def seen(lab: Lab, light: Light, name: str) -> PhotoFindings:
    made = made_side((lab, lab, lab), np.random.default_rng(1), light=light, name=name)
    return made.findings.model_copy(update={"measures": measure_colour(made.photo, made.maps, made.findings)})


def test_in_a_light_like_theirs_references_tell_the_paint_better_than_the_table() -> None:
    """Deep blue shade turns Marl Green into what the table calls another paint; references in it show how it looks."""
    shade = Light(cast=(0.6, 0.9, 1.5), low_cast=(0.6, 0.9, 1.5), exposure=0.5)
    photos = [seen(GREEN.lab, shade, "advert")]
    known = reference_of("OW 503", Path("OW 503/r.jpg"), seen(GREEN.lab, shade, "r.jpg"))
    assert known is not None

    def probability(references: list[Reference]) -> float:
        ranking = measure_advert(AdvertDetails(), photos, paints=demo_table(), references=references).identity.ranking
        assert ranking is not None
        return next(m.probability for m in ranking.matches if m.paint.code == "OW 503")

    assert probability([known] * 4) > probability([])


def test_a_reference_without_paint_is_none() -> None:
    made = made_side(((40, 0, 0),) * 3, np.random.default_rng(0))
    assert reference_of("OW 503", Path("r.jpg"), made.findings) is None
    assert view_of(made.findings).surroundings == {}
