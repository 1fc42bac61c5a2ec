"""Build sheets: what ships is whole, refinement replaces entries, and every fault is told with its line and remedy."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from pipeline.build_sheets import BuildSheet, known_build_sheets, read_build_sheet
from pipeline.configuration import load, shipped
from pipeline.errors import ConfigError
from pipeline.records import ZONES
from synthetic_data.vehicle import Part, build_vehicle, families

HEAD = "label: mine\nrefines: generic_utility\n"


def written(folder: Path, text: str, name: str = "family.yaml") -> str:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("name", known_build_sheets())
def test_every_shipped_sheet_is_whole(name: str) -> None:
    sheet = read_build_sheet(name)
    assert all(sheet.finish(zone) is not None for zone in ZONES)
    assert sheet.known_panels and sheet.film_range_um()[0] < sheet.film_range_um()[1]
    assert {panel.metal for panel in sheet.known_panels.values()} == {"steel", "aluminium"}


def test_every_invented_family_has_a_sheet() -> None:
    assert set(known_build_sheets()) == {"generic_utility", *families()}


# --- against the vehicles that the generator builds --------------------------------------------------------------

FINISHES = {"body": "body_colour", "bare": "bare", "zinc": "zinc", "black": "black", "rubber": "rubber"}


def fastening(part: Part) -> str:
    """What a sheet calls a fastener of the generator: a row is painted with the body, or it is not."""
    kind = "rivet" if "rivet" in part.name else "bolt"
    return f"{kind}_painted" if part.finish == "body" else f"{kind}_bare"


@pytest.mark.parametrize("family", sorted(families()))
@pytest.mark.parametrize("open_doors", [(), ("left",), ("bonnet",)])
def test_a_sheet_says_of_every_fastener_what_the_generator_builds(family: str, open_doors: tuple[str, ...]) -> None:
    sheet = read_build_sheet(family)
    vehicle = build_vehicle(family, families()[family], np.random.default_rng(4), open_doors)
    built: dict[str, set[str]] = {}
    for part in vehicle.parts:
        if part.kind == "fastener" and part.zone is not None:
            built.setdefault(part.zone, set()).add(fastening(part))
    assert {"tub_side", "tub_rear", "wing_front", "chassis_rail"} <= set(built)
    for zone, fastenings in built.items():
        said = {joint.fastening for joint in sheet.joints_in(zone)} - {None, "spot_weld"}
        assert said == fastenings, zone


@pytest.mark.parametrize("family", sorted(families()))
def test_a_sheet_says_of_each_row_and_seam_what_the_generator_builds(family: str) -> None:
    sheet, body = read_build_sheet(family), families()[family]
    vehicle = build_vehicle(family, body, np.random.default_rng(5))
    names = {part.group.split(".")[0] for part in vehicle.parts}
    for row, finish in body.rivet_finish.items():
        joint = sheet.joints[f"{row}_rivets"]
        assert joint is not None and joint.fastening == ("rivet_painted" if finish == "body" else "rivet_bare"), row
    for seam in {part.group.split(".")[0] for part in vehicle.parts if part.kind == "seam"}:
        joint = sheet.joints[seam]
        assert joint is not None and joint.seam == ("sealed" if body.seam_sealer[seam] else "open"), seam
    assert sheet.finish("sill_rail") == FINISHES[body.rail_finish]
    assert ("capping_rivet0" in names) == ("capping_rivets" in sheet.joints)


@pytest.mark.parametrize("family", sorted(families()))
def test_a_sheet_says_of_seals_and_hidden_parts_what_the_generator_builds(family: str) -> None:
    sheet = read_build_sheet(family)
    vehicle = build_vehicle(family, families()[family], np.random.default_rng(6), ("left", "bonnet"))
    built: dict[str, Counter[str]] = {}
    for part in vehicle.parts:
        if part.zone is not None and part.kind in ("seal", "hidden"):
            built.setdefault(part.zone, Counter())[part.finish] += 1
    hidden = {"chassis_rail", "wiring", "rear_crossmember", "under_bonnet_bracket"}
    assert {"glazing_seal", "door_seal", "front_trim_clip"} | hidden == set(built)
    for zone, finishes in built.items():
        assert sheet.finish(zone) == FINISHES[finishes.most_common(1)[0][0]], zone


def test_panels_of_a_sheet_are_those_of_the_generator() -> None:
    # what a sheet adds to the generic one must be a panel that the family has
    generic = read_build_sheet("generic_utility").known_panels
    for name, body in families().items():
        built = {part.panel for part in build_vehicle(name, body, np.random.default_rng(7)).parts}
        assert set(read_build_sheet(name).known_panels) - set(generic) <= built, name


@pytest.mark.parametrize("seed", range(4))
def test_heads_of_a_sheets_rows_stand_where_it_says_on_every_vehicle(seed: int) -> None:
    sheet = read_build_sheet("brindle")
    vehicle = build_vehicle("brindle", families()["brindle"], np.random.default_rng(seed))
    at = {p.name: p.patch.points[-1].mean(axis=0) * 1000 for p in vehicle.parts if p.name.startswith("badge_bolt")}
    said = np.array(list(sheet.known_panels["tailgate"].heads.values()))
    rows = sheet.known_panels["tailgate"].rows
    there = [at[f"badge_bolt_{name}.{k}"] for name, row in rows.items() for k in range(row.heads)]
    built = np.array([[-y, z] for _, y, z in there])  # as seen from behind: to the right, and up
    off = (built - built.mean(axis=0)) - (said - said.mean(axis=0))
    assert len(at) == len(said) == 10 and np.abs(off).max() < 1.0  # mm
    assert built[:, 0].mean() == pytest.approx(0, abs=1)  # the gate's middle, where the sheet has 620 mm


def test_the_same_row_of_rivets_is_painted_on_one_family_and_bare_on_the_next() -> None:
    # design section 10 (common practice, no source): what was assembled before paint is painted with the body
    rows = {name: read_build_sheet(name).joints["rear_rivets"] for name in ("pellock", "brindle")}
    fastenings = {name: row.fastening for name, row in rows.items() if row}
    assert fastenings == {
        "pellock": "rivet_bare",
        "brindle": "rivet_painted",
    }


def test_a_sheet_inherits_what_it_does_not_say(tmp_path: Path) -> None:
    path = written(
        tmp_path, "label: mine\nrefines: generic_utility\nfamily: mine\nzones: {sill_rail: {finish: zinc}}\n"
    )
    sheet, generic = read_build_sheet(path), read_build_sheet("generic_utility")
    assert (sheet.label, sheet.finish("sill_rail")) == ("mine", "zinc")
    assert sheet.finish("hinge") == generic.finish("hinge")
    assert sheet.joints == generic.joints and sheet.film_um == generic.film_um


def test_an_entry_given_as_null_is_taken_away(tmp_path: Path) -> None:
    path = written(tmp_path, "label: mine\nrefines: generic_utility\njoints: {wing_bolts: null}\n")
    sheet = read_build_sheet(path)
    assert "wing_bolts" not in sheet.joints and sheet.joints_in("wing_front") == ()
    assert sheet.joints_in("hinge") == read_build_sheet("generic_utility").joints_in("hinge")


def test_an_entry_replaces_the_whole_inherited_entry(tmp_path: Path) -> None:
    path = written(tmp_path, "label: mine\nrefines: pellock\nzones: {glazing_seal: {finish: rubber}}\n")
    assert read_build_sheet("pellock").effort_min("glazing_seal") == 240
    assert read_build_sheet(path).effort_min("glazing_seal") is None


def test_a_sheet_may_refine_one_beside_it(tmp_path: Path) -> None:
    written(tmp_path, "label: early\nrefines: pellock\nyears: [1968, 1975]\n", "early.yaml")
    path = written(tmp_path, "label: first year\nrefines: early.yaml\nyears: [1968, 1968]\n")
    sheet = read_build_sheet(path)
    assert sheet.years == (1968, 1968) and sheet.family == "pellock"


def test_the_worked_example_in_the_head_of_the_generic_sheet_works(tmp_path: Path) -> None:
    lines = shipped("build_sheets", "generic_utility.yaml").read_text(encoding="utf-8").splitlines()
    example = "\n".join(line.removeprefix("#     ") for line in lines if line.startswith("#     "))
    sheet = read_build_sheet(written(tmp_path, example))
    assert sheet.finish("sill_rail") == "zinc"
    assert [joint.fastening for joint in sheet.joints_in("wing_front")] == ["rivet_painted"]
    assert [joint.seam for joint in sheet.joints_in("body_seam")] == ["sealed"]


def test_the_film_range_of_a_panel_overrides_the_familys() -> None:
    sheet = read_build_sheet("brindle")
    assert sheet.film_range_um("bed") == (60, 140) and sheet.film_range_um("bonnet") == sheet.film_um


@pytest.mark.parametrize(
    ("text", "line", "fault"),
    [
        (HEAD + "zones:\n  hinge: {finish: blue}\n", 4, "zones.hinge.finish"),
        (HEAD + "zones:\n  hinges: {finish: black}\n", 4, "there is no zone 'hinges'"),
        (HEAD + "joints:\n  row: {zone: hinge, fastening: rivets}\n", 4, "joints.row.fastening"),
        (HEAD + "joints:\n  row:\n    zone: hinge\n", 4, "a joint needs a fastening"),
        (HEAD + "joints:\n  row: {zone: hinge, seam: open, colour: red}\n", 4, "joints.row.colour"),
        (HEAD + "film_um: [180, 80]\n", 3, "the smaller one first"),
        (HEAD + "years: [1980, 1970]\n", 3, "first year is after the last"),
        (HEAD + "colour: red\n", 3, "colour"),
        ("refines: generic_utility\n", 1, "label"),
        (HEAD + "panels:\n  lid: {label: Lid, zone: bonnet, metal: tin}\n", 4, "panels.lid.metal"),
        ("label: mine\nrefines: pelock\n", 2, "there is no build sheet 'pelock'"),
        ("label: mine\nrefines: family.yaml\n", 2, "in a circle"),
        (
            HEAD + "decals:\n  badge: {panel: lid, x_mm: 1, y_mm: 1, width_mm: 9, height_mm: 9, tolerance_mm: 2}\n",
            4,
            "not under `panels`",
        ),
        (
            HEAD + "decals:\n  badge:\n    panel: roof\n    x_mm: 1\n    y_mm: 1\n    width_mm: 9\n    height_mm: 9\n"
            "    tolerance_mm: 2\n",
            5,
            "fewer than four",
        ),
    ],
)
def test_a_fault_is_told_with_its_line_and_a_remedy(tmp_path: Path, text: str, line: int, fault: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read_build_sheet(written(tmp_path, text))
    assert caught.value.file.endswith(f"family.yaml, line {line}")
    assert fault in caught.value.fault and caught.value.remedy


def test_rows_of_heads_stand_for_named_points(tmp_path: Path) -> None:
    badge = "decals:\n  badge: {panel: lid, x_mm: 1, y_mm: 1, width_mm: 9, height_mm: 9, tolerance_mm: 2}\n"
    lid = "panels:\n  lid:\n    {label: Lid, zone: bonnet, metal: steel, rows: {"
    low, high = "low: {first: [0, 10], last: [100, 10], heads: 5}", "high: {first: [0, 90], last: [90, 90], heads: 4}"
    panel = read_build_sheet(written(tmp_path, f"{HEAD}{lid}{low}, {high}}}}}\n{badge}")).known_panels["lid"]
    assert [panel.heads[f"low_{k}"] for k in range(1, 6)] == [(0, 10), (25, 10), (50, 10), (75, 10), (100, 10)]
    assert panel.ends == ("low_1", "low_5", "high_1", "high_4")
    with pytest.raises(ConfigError, match="fewer than four"):
        read_build_sheet(written(tmp_path, f"{HEAD}{lid}{low}}}}}\n{badge}"))


def test_a_circle_over_two_files_is_found(tmp_path: Path) -> None:
    written(tmp_path, "label: other\nrefines: family.yaml\n", "other.yaml")
    with pytest.raises(ConfigError, match="in a circle"):
        read_build_sheet(written(tmp_path, "label: mine\nrefines: other.yaml\n"))


def test_a_sheet_that_refines_nothing_must_say_everything(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="has no `family`"):
        read_build_sheet(written(tmp_path, "label: mine\n"))
    whole = (
        "label: mine\nfamily: mine\nyears: [1950, 1960]\ndoubt: 0.1\nfilm_um: [80, 180]\ncode_plate: {where: none}\n"
    )
    with pytest.raises(ConfigError, match="does not say how the factory left door_shut"):
        read_build_sheet(written(tmp_path, whole))


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(ConfigError, match=r"use one of brindle, .*pellock"):
        read_build_sheet("heron")


def test_a_missing_file_is_told() -> None:
    with pytest.raises(ConfigError, match="there is no such file"):
        read_build_sheet("nowhere/heron.yaml")


def test_a_sheet_survives_being_written_and_read(tmp_path: Path) -> None:
    sheet = read_build_sheet("pellock")
    path = tmp_path / "whole.yaml"
    path.write_text(sheet.model_dump_json(), encoding="utf-8")  # JSON is YAML
    assert load(path, BuildSheet) == sheet
