"""Pictures of a report for looking at it: `python -m tests.pipeline.screenshots OUT FOLDER`.

The first page, the advert with the most findings and two adverts side by side; on a desk, on a phone, in the dark, and
printed (PDF). Needs the extra `dev` and Chromium.
"""

from __future__ import annotations

from pathlib import Path

import typer
from playwright.sync_api import Browser, sync_playwright

from pipeline.records import Shortlist
from pipeline.report.pages import page_names
from tests.pipeline.test_report_browser import CHROMIUM, DESK, FLAGS, PHONE

VIEWS = {"desk": (DESK, "light"), "phone": (PHONE, "light"), "dark": (DESK, "dark")}


def take(browser: Browser, report: Path, pages: dict[str, str], folder: Path) -> None:
    for view, (viewport, scheme) in VIEWS.items():
        context = browser.new_context(
            viewport=viewport, color_scheme=scheme, device_scale_factor=2 if view == "phone" else 1
        )
        page = context.new_page()
        for name, address in pages.items():
            page.goto(f"{report.resolve().as_uri()}/{address}")
            page.screenshot(path=folder / f"{name}-{view}.png")
            if view == "desk":
                page.pdf(path=folder / f"{name}-print.pdf", format="A4", print_background=True)
        context.close()


def main(out: Path, folder: Path) -> None:
    shortlist = Shortlist.model_validate_json((out / "shortlist.json").read_text(encoding="utf-8"))
    ranked = sorted(shortlist.adverts, key=lambda result: result.rank)
    telling = max(ranked, key=lambda result: sum(weight.decibans > 0 for weight in result.weights))
    pages = {
        "shortlist": "index.html",
        "advert": page_names([result.advert for result in shortlist.adverts])[telling.advert],
        "compare": f"compare.html#1,{max(2, telling.rank)}",
    }
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        take(browser, out / "report", pages, folder)
        browser.close()


if __name__ == "__main__":
    typer.run(main)
