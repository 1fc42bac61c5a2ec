"""The report in a real browser: opened from disk, with no network, on a desk and on a phone."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.records import Shortlist
from pipeline.report.pages import write_report
from tests.pipeline.examples import advert, result
from tests.pipeline.test_report import NASTY, write_example_report

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no chromium here")]

FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
DESK, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
ORDER = ["Pellock wagon, Marl Green", "Brindle tray back", "Brindle pickup", NASTY]


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_example_report(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def browser() -> Iterator[playwright.Browser]:
    with playwright.sync_playwright() as started:
        chromium = started.chromium.launch(
            executable_path=CHROMIUM,
            args=FLAGS,
        )
        yield chromium
        chromium.close()


@pytest.fixture(params=["desk", "phone"])
def page(request: pytest.FixtureRequest, browser: playwright.Browser, report: Path) -> Iterator[playwright.Page]:
    """The first page of the report; afterwards nothing may have been complained of or fetched from elsewhere."""
    troubles: list[str] = []
    context = browser.new_context(viewport=DESK if request.param == "desk" else PHONE)
    page = context.new_page()
    page.on("console", lambda message: troubles.append(message.text))
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("dialog", lambda dialog: troubles.append(f"dialog: {dialog.message}"))
    page.on("request", lambda asked: None if asked.url.startswith(report.as_uri()) else troubles.append(asked.url))
    page.on("requestfailed", lambda failed: troubles.append(failed.url) if "ABORTED" not in failed.failure else None)
    page.goto((report / "index.html").as_uri())
    yield page
    context.close()
    assert troubles == []


def shown(page: playwright.Page) -> list[str]:
    return [title.inner_text() for title in page.locator(".card:visible h3").all()]


def test_it_opens_from_disk_without_sideways_scrolling(page: playwright.Page) -> None:
    adverts = [link.get_attribute("href") for link in page.locator(".card h3 a").all()]
    for link in ["index.html", "compare.html", *adverts]:
        page.goto(page.url.rsplit("/", 1)[0] + f"/{link}")
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), link
        for picture in page.locator("img:visible").all():
            picture.scroll_into_view_if_needed()
            picture.evaluate("picture => picture.decode()")
            assert picture.evaluate("picture => picture.naturalWidth") > 0


def test_sorting(page: playwright.Page) -> None:
    assert shown(page) == ORDER
    sort = page.get_by_label("Sort by")
    sort.select_option("price")
    assert shown(page) == [NASTY, ORDER[0], ORDER[2], ORDER[1]]  # without a price: last
    sort.select_option("price-down")
    assert shown(page) == [ORDER[2], ORDER[0], NASTY, ORDER[1]]
    sort.select_option("refinished-down")
    assert shown(page)[0] == "Brindle pickup"
    sort.select_option("title")
    assert shown(page) == sorted(ORDER, key=str.lower)
    sort.select_option("rank")
    assert shown(page) == ORDER


def test_filtering(page: playwright.Page) -> None:
    status = page.get_by_role("status")
    assert status.inner_text() == "4 adverts"
    page.get_by_label("Likely refinished").uncheck()
    assert shown(page) == [ORDER[0], ORDER[1], ORDER[3]]
    assert status.inner_text() == "3 of 4 adverts shown"
    page.get_by_label("Find").fill("BRINDLE back")
    assert shown(page) == ["Brindle tray back"]
    page.get_by_label("Find").fill("nothing like it")
    assert shown(page) == [] and status.inner_text() == "0 of 4 adverts shown"
    page.get_by_label("Find").fill("")
    page.get_by_label("Likely refinished").check()
    assert shown(page) == ORDER


def test_adverts_chosen_on_the_first_page_stand_side_by_side(page: playwright.Page) -> None:
    bar = page.locator(".side-by-side")
    assert not bar.is_visible()
    page.get_by_label("Compare Pellock wagon, Marl Green").check()
    assert "1 chosen: choose another" in bar.inner_text()
    place = bar.bounding_box()
    assert place is not None and 0 < place["y"] + place["height"] <= page.viewport_size["height"]  # always in sight
    assert not bar.get_by_role("link").is_visible()
    page.get_by_label("Compare Brindle pickup").focus()
    page.keyboard.press("Space")
    assert "2 chosen" in bar.inner_text()
    bar.get_by_role("link", name="Set side by side").click()
    page.wait_for_url("**/compare.html#1,3")
    assert columns(page) == ["Pellock wagon, Marl Green", "Brindle pickup"]
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    page.get_by_text("Choose two to four adverts").click()
    page.get_by_label("Brindle tray back").check()
    assert columns(page) == ["Pellock wagon, Marl Green", "Brindle tray back", "Brindle pickup"]
    assert page.url.endswith("#1,2,3")
    page.get_by_label("Pellock wagon, Marl Green").uncheck()
    assert columns(page) == ["Brindle tray back", "Brindle pickup"]
    page.reload()
    assert columns(page) == ["Brindle tray back", "Brindle pickup"]


def test_no_more_than_four_stand_side_by_side(browser: playwright.Browser, tmp_path: Path) -> None:
    results = tuple(result(f"advert-{rank}", rank, title=f"Number {rank}", photos=0) for rank in range(1, 7))
    adverts = [advert(row.advert) for row in results]
    index = write_report(tmp_path, adverts, Shortlist(adverts=results), {}, [], "")
    context = browser.new_context()
    page = context.new_page()
    page.goto(index.as_uri())
    for rank in range(1, 5):
        page.get_by_label(f"Compare Number {rank}").check()
    page.get_by_label("Compare Number 5").click()  # a fifth is not taken, and it is said why
    assert not page.get_by_label("Compare Number 5").is_checked()
    assert "4 chosen; 4 at most" in page.locator(".side-by-side").inner_text()
    page.get_by_role("link", name="Set side by side").click()
    assert columns(page) == ["Number 1", "Number 2", "Number 3", "Number 4"]
    page.set_viewport_size(PHONE)  # the table scrolls in itself, the page does not
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert page.locator(".scroll").evaluate("table => table.scrollWidth > table.clientWidth")
    page.goto(index.with_name("compare.html").as_uri())  # without a choice: the first two, and the list to choose from
    assert columns(page) == ["Number 1", "Number 2"] and page.get_by_label("Number 6").is_visible()
    context.close()


def columns(page: playwright.Page) -> list[str]:
    return [name.inner_text() for name in page.locator(".compare thead .name:visible").all()]


def test_a_link_opens_the_finding_that_is_folded_away(page: playwright.Page) -> None:
    page.goto(page.url.replace("index.html", "advert-brindle-1.html"))
    folded = page.locator("details.weak article.finding").first
    assert folded.count() == 1 and not folded.is_visible()
    page.evaluate("anchor => { location.hash = anchor }", folded.get_attribute("id"))
    folded.wait_for(state="visible")


def test_evidence_opens_by_keyboard(page: playwright.Page) -> None:
    card = page.locator(".card", has_text="Brindle pickup")
    summary = card.locator("summary")
    summary.focus()
    page.keyboard.press("Enter")
    assert card.get_by_text("Assumed before any photo").is_visible()
    card.locator("h3 a").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/advert-brindle-1.html")
    page.get_by_role("link", name="Painted fastener heads: Door hinges, left side").first.click()
    finding = page.locator("article.finding", has_text="Painted fastener heads").first
    assert page.url.endswith(f"#{finding.get_attribute('id')}")
    mark = finding.locator(".whole .marked rect.over").bounding_box()
    picture = finding.locator(".whole .marked img").bounding_box()
    assert mark is not None and picture is not None
    # the box of the example: 90 × 60 pixels at (400, 300) of 800 × 600
    assert (mark["x"] - picture["x"]) / picture["width"] == pytest.approx(0.5, abs=0.02)
    assert (mark["y"] - picture["y"]) / picture["height"] == pytest.approx(0.5, abs=0.02)
    assert mark["width"] / picture["width"] == pytest.approx(90 / 800, abs=0.02)
    # in the cut, whose pixels are the photo's, it is framed too, and in its middle, since it is far from every edge
    heat = finding.locator("figure:not(.cut, .whole) .marked")
    mark, picture = heat.locator("rect.over").bounding_box(), heat.locator("img").bounding_box()
    assert mark is not None and picture is not None
    across, down = (int(heat.locator("img").get_attribute(side) or 0) for side in ("width", "height"))
    assert mark["width"] / picture["width"] == pytest.approx(90 / across, abs=0.02)
    assert mark["height"] / picture["height"] == pytest.approx(60 / down, abs=0.02)
    assert mark["x"] + mark["width"] / 2 == pytest.approx(picture["x"] + picture["width"] / 2, abs=4)


def test_the_bars_stand_where_the_numbers_say(page: playwright.Page) -> None:
    page.goto(page.url.replace("index.html", "advert-brindle-1.html"))
    table = page.locator("#sum ~ .scroll table.sum").first
    zero = table.locator(".zero").first.bounding_box()
    total, against = table.locator("rect.total").bounding_box(), table.locator("rect.factory").bounding_box()
    assert zero is not None and total is not None and against is not None
    assert total["x"] == pytest.approx(zero["x"], abs=2)  # +10.0 decibans start at even odds and run to the right
    assert against["x"] == pytest.approx(
        total["x"] + total["width"], abs=2
    )  # the last weight ends where the total does


def test_printing_opens_what_is_folded(page: playwright.Page) -> None:
    page.goto(page.url.replace("index.html", "advert-brindle-1.html"))
    assert page.locator("details[open]").count() == 0
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details:not([open], .weak)").count() == 0
    page.emulate_media(media="print")
    assert not page.locator(".contents").is_visible()
    assert page.locator(".cautions").is_visible()


def test_without_scripts_everything_is_still_there(browser: playwright.Browser, report: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((report / "index.html").as_uri())
    assert shown(page) == ORDER
    assert not page.get_by_label("Sort by").is_visible()
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_checker_finds_nothing(browser: playwright.Browser, report: Path, scheme: str) -> None:
    """axe-core (as axe-playwright-python carries it), all its rules, with everything unfolded."""
    context = browser.new_context(viewport=PHONE, color_scheme=scheme)
    page = context.new_page()
    for name in ("index.html", "advert-brindle-1.html", "advert-ask.html", "compare.html#1,3"):
        page.goto(f"{report.as_uri()}/{name}")
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        found = axe.Axe().run(page).response["violations"]
        assert [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found] == [], name
    context.close()
