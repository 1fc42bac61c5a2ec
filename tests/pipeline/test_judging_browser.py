"""The judging page in a real browser, against the real program: every key, undo, a kill, two tabs, a phone."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.pipeline.made_screening import FIRST, HINGE, SECOND, make_screening, show_rows

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
expect = playwright.expect
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no chromium here")]

DESK, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}


class Program:
    """`maskline judge` as a process of its own, on a port that it keeps when it is started again."""

    def __init__(self, out: Path) -> None:
        self.out, self.port, self.address = out, 0, ""
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "pipeline.cli", "judge", str(self.out), "--no-browser", "--reader", "anna"]
        self.process = subprocess.Popen(
            [*command, "--port", str(self.port)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        assert self.process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", self.process.stdout.readline())
        assert found is not None, self.process.communicate()
        self.address, self.port = found[0], int(found[1])

    def end(self, how: signal.Signals) -> None:
        self.process.send_signal(how)
        out, err = self.process.communicate(timeout=60)
        assert "Traceback" not in out + err, err
        assert self.process.returncode == (0 if how == signal.SIGINT else -how), err


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_screening(tmp_path_factory.mktemp("made"))


@pytest.fixture
def program(made: Path, tmp_path: Path) -> Iterator[Program]:
    running = Program(Path(shutil.copytree(made, tmp_path / "out")))
    yield running
    if running.process.poll() is None:
        running.end(signal.SIGINT)


@pytest.fixture(scope="module")
def browser() -> Iterator[playwright.Browser]:
    with playwright.sync_playwright() as started:
        chromium = started.chromium.launch(
            executable_path=CHROMIUM,
            args=["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield chromium
        chromium.close()


@pytest.fixture
def context(browser: playwright.Browser, program: Program) -> Iterator[playwright.BrowserContext]:
    """Tabs of one browser; afterwards none may have complained or asked anyone else for anything."""
    troubles: list[str] = []
    context = browser.new_context(viewport=DESK, reduced_motion="reduce")
    context.on(
        "console", lambda message: troubles.append(message.text) if message.type in ("error", "warning") else None
    )
    context.on("weberror", lambda error: troubles.append(str(error.error)))
    context.on("request", lambda asked: None if asked.url.startswith(program.address) else troubles.append(asked.url))
    context.troubles = troubles
    yield context
    context.close()
    assert troubles == []


@pytest.fixture
def page(context: playwright.BrowserContext, program: Program) -> playwright.Page:
    return tab(context, program)


def tab(context: playwright.BrowserContext, program: Program, zone: str = "hinge") -> playwright.Page:
    page = context.new_page()
    page.goto(f"{program.address}sheet?advert={FIRST}&zone={zone}")
    expect(page.locator(".sighting")).to_have_count({"hinge": 2, "all": 4}.get(zone, 0))
    return page


def press(page: playwright.Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def said(page: playwright.Page, number: int = 0) -> playwright.Locator:
    return page.locator(".sighting .said").nth(number)


def kept(page: playwright.Page, zone: str = "hinge", advert: str = FIRST) -> dict[str, Any]:
    """What the program says now, asked from the page."""
    return dict(
        page.evaluate(
            "async (place) => (await fetch('/api/sheet?' + new URLSearchParams(place))).json()",
            {"advert": advert, "zone": zone},
        )
    )


def answers(page: playwright.Page, zone: str = "hinge") -> list[str | None]:
    return [s["answer"] and s["answer"]["verdict"] for s in kept(page, zone)["sightings"]]


def saved(page: playwright.Page, words: str) -> None:
    """Wait until the page says so and that it is saved."""
    place = "#hint" if page.locator("#large[open]").count() else "#status"
    expect(page.locator(place)).to_contain_text(re.compile(f"{words}.*Saved", re.IGNORECASE))


# --- keys ------------------------------------------------------------------------------------------------------------


def test_a_sheet_is_answered_by_keys_alone(page: playwright.Page) -> None:
    press(page, "s")
    saved(page, "sign")
    expect(page.locator(".sighting").nth(1)).to_have_class(re.compile("is-current"))  # on to the next open one
    press(page, "i")
    expect(page.get_by_role("dialog", name="Innocent: what is it?")).to_be_visible()
    press(page, "4")
    saved(page, "reflection")
    assert answers(page) == ["sign", "innocent"]
    assert kept(page)["sightings"][1]["answer"]["cause"] == "reflection"
    press(page, "ArrowLeft", "c")
    saved(page, "can't tell")
    assert answers(page) == ["cannot_tell", "innocent"]
    press(page, "u")
    expect(page.locator("#status")).to_contain_text("Undone")
    expect(said(page)).to_have_text("Sign")
    press(page, "u", "u")
    expect(said(page, 1)).to_have_text("Open")
    expect(said(page)).to_have_text("Open")
    press(page, "u")
    expect(page.locator("#status")).to_contain_text("Nothing left to undo")
    assert answers(page) == [None, None]


def test_keys_lead_from_place_to_place_and_tell_what_they_do(page: playwright.Page) -> None:
    first = page.locator("h1").inner_text()
    step = "n" if page.locator(".places a").last.get_attribute("aria-current") is None else "p"
    press(page, step)
    page.wait_for_url(lambda url: "zone=hinge" not in url)
    press(page, {"n": "p", "p": "n"}[step])
    page.wait_for_url("**zone=hinge")
    expect(page.locator("h1")).to_have_text(first)
    press(page, "?")
    expect(page.get_by_role("dialog", name="Keys")).to_be_visible()
    press(page, "Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    press(page, "q")
    expect(page.locator("#cue")).to_be_focused()
    press(page, "Escape")
    press(page, "ArrowRight", "ArrowRight", "ArrowLeft", "ArrowDown", "ArrowUp", "Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    press(page, "Escape")
    expect(page.locator(".picture").first).to_be_focused()


def test_a_key_struck_the_moment_a_dialog_closes_is_not_lost(page: playwright.Page) -> None:
    """Before the next frame the box to tick in the closed dialog still has the focus."""
    page.evaluate(
        """() => {
            const keys = document.getElementById("keys");
            keys.showModal();
            document.getElementById("keys-on").focus();
            keys.close();
            document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key: "q", bubbles: true }));
        }"""
    )
    expect(page.locator("#cue")).to_be_focused()


def test_keys_in_a_large_photo(page: playwright.Page) -> None:
    press(page, "ArrowRight", "ArrowLeft", "Enter")
    view = page.locator("#view")

    def box() -> list[float]:
        return [float(number) for number in str(view.get_attribute("viewBox")).split()]

    start = box()
    press(page, "+")
    assert box()[2] == pytest.approx(start[2] / 1.25)
    press(page, "-")
    assert box() == pytest.approx(start)
    press(page, "ArrowRight", "ArrowDown")
    assert box()[0] > start[0] and box()[1] > start[1]
    press(page, "0")
    assert box()[2] >= 960 and box()[3] >= 720  # the whole photo
    press(page, "f")
    assert box() == pytest.approx(start)
    x, y, width, height = start
    assert x < HINGE.x and y < HINGE.y and x + width > HINGE.x + HINGE.width and y + height > HINGE.y + HINGE.height
    press(page, "h")
    expect(page.locator("#view-heat")).to_have_attribute("href", re.compile("/heat/.*painted_fastener"))
    expect(page.locator("#heat")).to_have_attribute("aria-pressed", "true")
    press(page, "h")
    expect(page.locator("#heat")).to_have_attribute("aria-pressed", "false")
    press(page, "r")
    saved(page, "open")
    assert kept(page)["sightings"][0]["answer"]["side"] == "right"
    press(page, "x", "l", "s")
    saved(page, "sign")
    assert kept(page)["sightings"][0]["answer"] | {"box": 0} == {
        "kind": "mark", "verdict": "sign", "cue": "painted_fastener", "cause": None, "box": 0,
        "zone": "hinge", "side": "left",
    }  # fmt: skip
    press(page, "n")
    expect(page.locator("#position")).to_have_text("2 of 2")
    press(page, "i", "7")
    saved(page, "the factory made it so")
    press(page, "p", "c")
    saved(page, "can't tell")
    press(page, "u")
    expect(page.locator("#large-said")).to_have_text("Sign")
    press(page, "z")
    expect(page.locator("#zone")).to_be_focused()
    page.locator("#zone").select_option("bonnet")
    saved(page, "sign")
    assert kept(page)["sightings"][0]["answer"]["zone"] == "bonnet"
    assert kept(page)["sightings"][0]["answer"]["side"] is None
    page.locator("#stage").focus()
    press(page, "q")
    page.locator("#cue").select_option("masking_edge")
    saved(page, "masking edge")
    page.locator("#stage").focus()
    press(page, "t")
    expect(page.locator("#shot")).to_be_focused()
    page.locator("#shot").select_option("door_open")
    saved(page, "door")
    page.locator("#stage").focus()
    press(page, "a")
    saved(page, "nothing else")
    photo = next(iter(kept(page)["photos"].values()))
    assert photo["shot"]["answer"]["shot"] == "door_open" and photo["looked_through"]["answer"]
    press(page, "Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)


def test_a_list_does_not_take_the_next_key_for_a_choice(page: playwright.Page) -> None:
    press(page, "ArrowRight", "ArrowLeft", "Enter")
    cue, stage = page.locator("#cue"), page.locator("#stage")
    cue.dispatch_event("pointerdown")  # the browser's own list cannot be clicked from here
    cue.select_option("masking_edge")
    saved(page, "masking edge")
    expect(stage).to_be_focused()
    press(page, "n")
    expect(page.locator("#position")).to_have_text("2 of 2")
    press(page, "p", "q", "ArrowDown")  # by keys one chooses on in the list, until Enter
    expect(cue).to_be_focused()
    press(page, "Enter")
    expect(stage).to_be_focused()


def test_a_box_is_mended_by_keys(page: playwright.Page) -> None:
    page.locator(".picture").first.click()
    press(page, "b")
    press(page, "ArrowRight", "ArrowRight", "ArrowDown", "Shift+ArrowLeft", "Enter")
    saved(page, "open")
    mended = kept(page)["sightings"][0]["answer"]["box"]
    assert mended["x"] > HINGE.x and mended["y"] > HINGE.y
    assert mended["width"] < HINGE.width and mended["height"] == HINGE.height
    press(page, "b", "ArrowRight", "Escape")  # not kept
    expect(page.get_by_role("dialog")).to_be_visible()
    assert kept(page)["sightings"][0]["answer"]["box"] == mended


def test_a_missed_sign_is_marked_and_withdrawn_by_keys(page: playwright.Page) -> None:
    press(page, "m")
    press(page, "ArrowLeft", "Shift+ArrowDown", "Enter")
    expect(page.locator("#cue")).to_be_focused()
    expect(page.locator("#position")).to_have_text("3 of 3")
    page.locator("#cue").select_option("tape_residue")
    saved(page, "masking tape residue")
    added = kept(page)["sightings"][2]
    assert added["origin"] == "reader" and added["answer"]["cue"] == "tape_residue" and added["zone"] == "hinge"
    page.locator("#stage").focus()
    press(page, "Delete")
    expect(page.locator(".sighting")).to_have_count(2)
    press(page, "u")
    expect(page.locator(".sighting")).to_have_count(3)
    assert answers(page)[2] == "sign"


def test_single_keys_can_be_switched_off(page: playwright.Page) -> None:
    """WCAG 2.2, success criterion 2.1.4: character key shortcuts can be turned off."""
    press(page, "?")
    page.get_by_label(re.compile("Single keys")).uncheck()
    press(page, "Escape", "s")
    page.reload()
    press(page, "s", "i")
    expect(page.get_by_role("dialog")).to_have_count(0)
    assert answers(page) == [None, None]
    page.get_by_role("button", name="Keys").click()
    page.get_by_label(re.compile("Single keys")).check()
    press(page, "Escape", "s")
    saved(page, "sign")


# --- mouse -----------------------------------------------------------------------------------------------------------


def on_photo(page: playwright.Page, x: float, y: float) -> tuple[float, float]:
    """Where a pixel of the photo is on the screen."""
    left, top, width, height = (float(n) for n in str(page.locator("#view").get_attribute("viewBox")).split())
    frame = page.locator("#stage").bounding_box()
    assert frame is not None
    return frame["x"] + (x - left) / width * frame["width"], frame["y"] + (y - top) / height * frame["height"]


def test_a_box_is_drawn_where_the_mouse_goes(page: playwright.Page) -> None:
    page.locator(".picture").first.click()
    press(page, "0")
    page.get_by_role("button", name="Mark a missed sign").click()
    page.mouse.move(*on_photo(page, 300, 200))
    page.mouse.down()
    page.mouse.move(*on_photo(page, 380, 300), steps=4)
    page.mouse.move(*on_photo(page, 420, 350), steps=4)
    page.mouse.up()
    page.get_by_role("button", name="Keep").click()
    expect(page.locator("#position")).to_have_text("3 of 3")
    box = kept(page)["sightings"][2]["answer"]["box"]
    assert [box[side] for side in ("x", "y", "width", "height")] == pytest.approx([300, 200, 120, 150], abs=2)


def test_the_wheel_zooms_to_the_pointer_and_a_drag_moves_the_photo(page: playwright.Page) -> None:
    page.locator(".picture").first.click()
    press(page, "0")
    place = on_photo(page, 700, 500)
    page.mouse.move(*place)
    page.mouse.wheel(0, -400)
    expect(page.locator("#view")).not_to_have_attribute("viewBox", re.compile(r"^-?0 "))
    assert on_photo(page, 700, 500) == pytest.approx(place, abs=2)  # a wheel's place is in whole pixels
    page.mouse.down()
    page.mouse.move(place[0] - 90, place[1] - 40, steps=5)
    page.mouse.up()
    assert on_photo(page, 700, 500) == pytest.approx((place[0] - 90, place[1] - 40), abs=3)


def test_clicks_on_points_measure_a_decal(context: playwright.BrowserContext, program: Program) -> None:
    """As in test_service: a millimetre of the rear door is a pixel, the badge 30 and 40 mm off."""
    page = tab(context, program, "tub_rear")
    page.locator("#photos button").click()
    press(page, "0")
    page.get_by_role("button", name="Measure its place").click()
    where = {
        "lower left corner": (50, 690), "lower right corner": (910, 690),
        "upper left corner": (50, 70), "upper right corner": (910, 70),
    }  # fmt: skip
    for _ in range(4):
        asked = page.locator("#hint").inner_text()
        page.mouse.click(*on_photo(page, *next(place for name, place in where.items() if name in asked)))
    expect(page.locator("#hint")).to_contain_text("Decal: click its lower left corner")
    page.mouse.click(*on_photo(page, 400, 400))
    press(page, "Backspace")  # misplaced
    expect(page.locator("#hint")).to_contain_text("Decal: click its lower left corner")
    page.mouse.click(*on_photo(page, 140, 580))
    press(page, "k")
    saved(page, "off its place")
    (photo,) = kept(page, "tub_rear")["photos"].values()
    assert photo["decals"]["maker_badge"]["answer"]["measure"]["value"] == pytest.approx(50, abs=2)
    press(page, "d", "Enter", "ArrowRight", "Shift+ArrowRight", "Enter")  # by keys as well
    expect(page.locator("#view-marks circle")).to_have_count(2)
    press(page, "Backspace", "Escape")
    expect(page.get_by_role("dialog")).to_be_visible()


def test_heads_that_were_found_need_no_clicks(browser: playwright.Browser, made: Path, tmp_path: Path) -> None:
    out = Path(shutil.copytree(made, tmp_path / "out"))
    show_rows(out)
    running = Program(out)
    page = browser.new_page(viewport=DESK, reduced_motion="reduce")
    page.goto(f"{running.address}sheet?advert={FIRST}&zone=tub_rear")
    page.locator("#photos button").click()
    press(page, "0", "d")
    expect(page.locator("#hint")).to_contain_text("20 heads of the panel were found")
    expect(page.locator("#view-marks circle")).to_have_count(20)
    press(page, "Backspace")
    expect(page.locator("#hint")).to_contain_text("click its low 1")
    press(page, "Escape", "d")
    page.mouse.click(*on_photo(page, 140, 580))
    press(page, "k")
    saved(page, "off its place")
    (photo,) = kept(page, "tub_rear")["photos"].values()
    assert photo["decals"]["maker_badge"]["answer"]["measure"]["value"] == pytest.approx(50, abs=2)
    page.close()
    running.end(signal.SIGINT)


# --- what may go wrong -----------------------------------------------------------------------------------------------


def test_answers_survive_a_kill_and_one_given_meanwhile_is_saved_later(
    context: playwright.BrowserContext, page: playwright.Page, program: Program
) -> None:
    press(page, "s")
    saved(page, "sign")
    program.end(signal.SIGKILL)
    press(page, "c")
    expect(page.get_by_role("alert")).to_contain_text("Not saved yet")
    expect(page.locator("#status")).to_be_empty()
    expect(said(page, 1)).to_have_text("Can't tell")
    program.start()
    saved(page, "can't tell")
    expect(page.get_by_role("alert")).to_have_count(0)
    page.reload()
    expect(said(page)).to_have_text("Sign")
    expect(said(page, 1)).to_have_text("Can't tell")
    press(page, "u")  # still knows what was answered in this tab
    expect(said(page, 1)).to_have_text("Open")
    assert [trouble for trouble in context.troubles if "ERR_CONNECTION_REFUSED" not in trouble] == []
    context.troubles.clear()  # the browser's own word on the program not being there


def test_two_tabs_do_not_lose_each_others_answers(context: playwright.BrowserContext, program: Program) -> None:
    one, two = tab(context, program), tab(context, program)
    press(one, "s")
    saved(one, "sign")
    press(two, "ArrowRight", "c")  # another sighting: both stay
    saved(two, "can't tell")
    assert answers(one) == ["sign", "cannot_tell"]
    press(two, "ArrowLeft", "c")  # the same one, which this tab did not see answered
    conflict = two.locator(".conflict").first
    expect(conflict).to_contain_text("Answered in another tab: sign. Yours was: can't tell.")
    assert answers(one) == ["sign", "cannot_tell"]
    conflict.get_by_role("button", name="Keep that").click()
    expect(said(two)).to_have_text("Sign")
    press(two, "ArrowLeft", "c")
    saved(two, "can't tell")  # now it was seen
    press(one, "u")
    expect(one.locator("#status")).to_contain_text("Not undone: it was answered in another tab since")
    assert answers(one) == ["cannot_tell", "cannot_tell"]
    expect(said(one)).to_have_text("Can't tell")
    context.troubles[:] = [trouble for trouble in context.troubles if "409" not in trouble]  # Chromium logs the refusal


def test_the_shortlist_follows_while_the_page_is_open(page: playwright.Page, program: Program) -> None:
    before = page.locator("#thought").inner_text()
    press(page, "s")
    saved(page, "sign")
    press(page, "i", "5")
    expect(page.locator("#thought")).to_contain_text("being weighed anew")
    expect(page.locator("#thought")).not_to_contain_text("being weighed anew", timeout=30_000)
    assert page.locator("#thought").inner_text() != before
    assert "judged by eye" in (program.out / "shortlist.json").read_text(encoding="utf-8")


# --- everyone --------------------------------------------------------------------------------------------------------


def test_a_narrow_screen_needs_no_sideways_scrolling(browser: playwright.Browser, program: Program) -> None:
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    page = context.new_page()
    for path in ("", f"sheet?advert={FIRST}&zone=hinge", f"sheet?advert={FIRST}&zone=all", "sheet?advert=nobody"):
        page.goto(program.address + path)
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), path
    page.goto(f"{program.address}sheet?advert={FIRST}&zone=hinge")
    page.locator(".picture").first.tap()
    stage, panel = page.locator("#stage").bounding_box(), page.locator(".panel").bounding_box()
    assert stage is not None and panel is not None
    assert stage["width"] == panel["width"] == PHONE["width"] and stage["height"] > 300
    page.locator("#large-answers button").first.tap()
    expect(page.locator("#large-said")).to_have_text("Sign")
    context.close()


def test_the_overview_names_every_advert_as_it_is_written(page: playwright.Page, program: Program) -> None:
    page.goto(program.address)
    expect(page.get_by_role("link", name='Brindle "tidy" <script>alert(1)</script>')).to_be_visible()
    page.get_by_role("link", name=re.compile("Brindle")).click()
    page.wait_for_load_state()
    expect(page.locator(".sighting")).to_have_count(1)
    press(page, "s")
    saved(page, "sign")
    assert answers_of(page, SECOND) == ["sign"]


def answers_of(page: playwright.Page, advert: str) -> list[str | None]:
    return [s["answer"] and s["answer"]["verdict"] for s in kept(page, "hinge", advert)["sightings"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_an_accessibility_checker_finds_nothing(
    browser: playwright.Browser, program: Program, scheme: str, size: dict[str, int]
) -> None:
    """axe-core (as axe-playwright-python carries it), all its rules, with every dialog open in turn."""
    context = browser.new_context(viewport=size, color_scheme=scheme)
    page = context.new_page()

    def check(where: str) -> None:
        found = axe.Axe().run(page).response["violations"]
        assert [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found] == [], where

    page.goto(program.address)
    check("overview")
    page.goto(f"{program.address}sheet?advert={FIRST}&zone=hinge")
    press(page, "s")
    saved(page, "sign")
    check("sheet")
    press(page, "?")
    check("keys")
    press(page, "Escape", "i")
    check("causes")
    press(page, "Escape", "Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    check("large")
    press(page, "m")
    check("drawing")
    page.goto(f"{program.address}sheet?advert=nobody")
    check("fault")
    context.close()
