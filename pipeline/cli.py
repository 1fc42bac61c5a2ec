"""The command `maskline`: each body reads, calls one function, writes. Here errors become one line and an exit code."""

from __future__ import annotations

import importlib
import json
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from pipeline import outputs, screening, sharing
from pipeline.ask import seller_message
from pipeline.build_sheets import read_build_sheet
from pipeline.errors import INSTALL_TRAINING, ScreeningError, UsageError
from pipeline.paint_table import Paint, demo_table, read_paint_table
from pipeline.photo_requests import known_languages
from pipeline.report.wording import DECISIONS, percent
from pipeline.store import read_result

NOTHING_DONE, WRONG_USAGE, STOPPED = 1, 2, 130
FORWARD = {"allow_extra_args": True, "ignore_unknown_options": True, "help_option_names": []}

app = typer.Typer(
    name="maskline",
    help="Screen advert photos of older utility vehicles for signs that the paint is not the factory's.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

sheet = typer.Typer(help="Check build sheets.", no_args_is_help=True)
app.add_typer(sheet, name="sheet")

Out = Annotated[Path, typer.Option("--out", help="Folder for the outputs; made if it is not there.")]
Screened = Annotated[Path, typer.Argument(help="Folder that a screening wrote (its --out).")]
AdvertName = Annotated[str, typer.Argument(help="Name of the advert, as in the shortlist.")]
Language = Annotated[str, typer.Option("--language", help=f"One of {', '.join(known_languages())}.")]
Weights = Annotated[
    Path | None, typer.Option("--weights", help="Folder of another network.", show_default="the shipped network")
]
Device = Annotated[
    str,
    typer.Option(
        "--device",
        help="What computes the network: cpu; torch, on a GPU if there is one; or cuda, on a GPU or not at all. "
        "The last two need the training packages.",
    ),
]
Threads = Annotated[
    int | None, typer.Option("--threads", min=1, help="Processor cores to use at most.", show_default="all")
]
Paints = Annotated[
    Path | None,
    typer.Option("--paints", help="Table (.csv) of the factory's paints: code,name,L,a,b,from_year,to_year,families."),
]
References = Annotated[
    Path | None,
    typer.Option("--references", help="Folder of photos of vehicles known to wear a paint, one folder a code."),
]


@app.command()
def screen(
    batch: Annotated[
        Path,
        typer.Argument(
            help="Folder with one folder of photos an advert, a .zip of it, or a CSV with the columns advert,photo."
        ),
    ],
    out: Out,
    weights: Weights = None,
    device: Device = "cpu",
    strict: Annotated[bool, typer.Option("--strict", help="Exit with 1 if any photo was set aside.")] = False,
    threads: Threads = None,
    paints: Paints = None,
    references: References = None,
) -> None:
    """Screen a batch of adverts.

    Writes a shortlist, the findings with crops, and a report to open in a browser. The batch is never changed. Photos
    that were screened before into the same folder are not computed again, so a batch can grow, and a run that was
    stopped goes on where it was.
    """
    table = () if paints is None else read_paint_table(paints)
    result = _screen(batch, out, weights, device, threads, table, references)
    if result.photos == 0 or (strict and result.set_aside):
        raise typer.Exit(NOTHING_DONE)


@app.command()
def demo(
    out: Out = Path("maskline-demo"),
    threads: Threads = None,
) -> None:
    """Screen the invented adverts that come along."""
    _screen(Path(str(files("synthetic_data").joinpath("demo", "adverts"))), out, None, "cpu", threads, demo_table())


@app.command()
def ask(
    out: Screened,
    advert: AdvertName,
    language: Language = "en",
) -> None:
    """Print a message to the seller.

    Ready to paste. It asks for the photos that would tell most, and says nothing of what was found.
    """
    typer.echo(seller_message(read_result(out, advert), language), nl=False)


@app.command()
def viewing(
    out: Annotated[Path | None, typer.Argument(help="Folder that a screening wrote (its --out).")] = None,
    advert: Annotated[str | None, typer.Argument(help="Name of the advert, as in the shortlist.")] = None,
    statement: Annotated[bool, typer.Option("--statement", help="Write the statement for the file instead.")] = False,
    shot_list: Annotated[
        str | None,
        typer.Option(
            "--shot-list",
            metavar="FAMILY",
            help="Write the photos to take of a vehicle of this family (a build sheet) into this folder instead.",
        ),
    ] = None,
) -> None:
    """Write the sheet for viewing one vehicle.

    It says where to look first and how, and leaves room to note what is found; it prints on A4 and reads on a phone.
    The statement says on one page what is thought of the paint, for what, and what was and was not seen. The shot list
    needs no screening: it is for photographing a vehicle that stands before you.
    """
    if shot_list is not None:
        if out is not None or statement:
            raise typer.BadParameter("a shot list is of a family: give no OUT, ADVERT or --statement with it")
        typer.echo(f"Shot list: {outputs.write_shot_list(shot_list, Path())}")
        return
    if out is None or advert is None:
        raise typer.BadParameter("give OUT and ADVERT, or --shot-list FAMILY")
    if statement:
        typer.echo(f"Statement: {outputs.write_statement(out, advert)}")
    else:
        typer.echo(f"Sheet: {outputs.write_viewing_sheet(out, advert)}")


@app.command()
def readings(
    out: Screened,
    advert: AdvertName,
    file: Annotated[Path, typer.Argument(help="CSV with the columns panel, reading_um (or reading_mil), metal.")],
) -> None:
    """Take in film-thickness readings.

    They come from the viewing. Each panel is judged against the build sheet; shortlist and report are written anew with
    what the readings weigh. Readings taken in again replace the earlier ones.
    """
    films, result = outputs.take_readings(out, advert, file)
    for film in films:
        typer.echo(f"{film.panel.label}: {film.median_um:.0f} ± {film.uncertainty_um:.0f} µm, {film.judgement}")
    typer.echo(f"{DECISIONS[result.decision]}: {percent(result.refinished)} for a refinish, rank {result.rank}.")


@app.command()
def judge(
    out: Screened,
    reader: Annotated[
        str, typer.Option("--reader", help="Your name: a second reader answers under another.")
    ] = "reader",
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="Port on this machine; 0 takes a free one.")
    ] = 8471,
    batch: Annotated[
        Path | None,
        typer.Option("--batch", help="Where the photos lie now.", show_default="where they were screened"),
    ] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page at once.")] = True,
) -> None:
    """Judge the findings on a page of your own browser.

    All sightings of a place stand side by side; each is called a sign, innocent, or left open. Every answer is saved at
    once and changes shortlist and report; nothing leaves this machine. Stop with Ctrl+C.
    """
    from pipeline.judging.service import judge as serve  # a web service, which no other command needs

    serve(out, reader, port=port, batch=batch, open_browser=browser, announce=typer.echo)


@app.command()
def share(
    out: Screened,
    bundle: Annotated[Path, typer.Option("--out", help="Zip file to write.", metavar="BUNDLE.zip")],
    redact: Annotated[bool, typer.Option(help="Cover letters, so number plates too, and faces.")] = True,
) -> None:
    """Write the report as one zip to pass on.

    Number plates, other letters and faces are covered in every picture, as far as they are found: look through the
    pictures before you pass them on. What adverts say in words stays as it is.
    """
    with _progress_bar("Covering pictures") as progress:
        shared = sharing.share(out, bundle, redact=redact, progress=progress)
    typer.echo(f"Bundle: {shared.bundle}, with {_count(shared.pictures, 'picture')}.")
    if redact:
        typer.echo(f"Covered something in {shared.pictures_covered} of them. Look through them all.")


@app.command()
def schema() -> None:
    """Print the JSON Schema of the outputs.

    Of shortlist.json, a line of findings.jsonl, a row of set_aside.csv, and of advert.yaml.
    """
    typer.echo(json.dumps(outputs.output_schema(), indent=1))


@sheet.command("check")
def check_sheet(
    file: Annotated[str, typer.Argument(help="A YAML file, or the name of a shipped build sheet.")],
) -> None:
    """Check a build sheet; a wrong or missing entry is named with its line."""
    found = read_build_sheet(file)
    parts = (("zone", found.zones), ("joint", found.joints), ("panel", found.panels), ("decal", found.decals))
    typer.echo(f"{file}: '{found.label}' holds, with {', '.join(_count(len(items), noun) for noun, items in parts)}.")


@app.command(context_settings=FORWARD, add_help_option=False)
def model(context: typer.Context) -> None:
    """Train and measure networks."""
    _forward("models.cli", context)


@app.command(context_settings=FORWARD, add_help_option=False)
def data(context: typer.Context) -> None:
    """Make and check data sets."""
    _forward("pipeline.data_group", context)


def main() -> None:
    """Entry point of `maskline`."""
    try:
        app(prog_name="maskline")
    except UsageError as error:
        _stop(str(error), WRONG_USAGE)
    except ScreeningError as error:
        _stop(str(error), NOTHING_DONE)
    except (OSError, sqlite3.Error) as error:
        file = getattr(error, "filename", None) or "maskline"
        _stop(f"{file}: {getattr(error, 'strerror', None) or error}; check free space and permissions.", NOTHING_DONE)


def _screen(
    batch: Path,
    out: Path,
    weights: Path | None,
    device: str,
    threads: int | None,
    paints: Sequence[Paint],
    references: Path | None = None,
) -> screening.ScreeningResult:
    try:
        with _progress_bar() as progress:
            result = screening.screen(
                batch,
                out,
                weights=weights,
                device=device,
                threads=threads,
                paints=paints,
                references=references,
                progress=progress,
            )
    except KeyboardInterrupt:
        typer.echo("Stopped; finished photos are kept, and the same command goes on from there.", err=True)
        raise typer.Exit(STOPPED) from None
    adverts, kept = len(result.shortlist.adverts), result.known_before
    typer.echo(
        f"Screened {_count(adverts, 'advert')} with {_count(result.photos, 'photo')}"
        + (f", {kept} of them from an earlier run." if kept else ".")
    )
    typer.echo(f"Report: {result.report}")
    aside = len(result.set_aside)
    typer.echo(
        f"Set aside: {_count(aside, 'file')}" + (f", listed with reasons in {out / 'set_aside.csv'}." if aside else ".")
    )
    return result


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


@contextmanager
def _progress_bar(label: str = "Looking at photos") -> Iterator[screening.Progress]:
    """A bar on standard error while photos are gone through; nothing where that is no terminal."""
    console = Console(stderr=True)
    columns = (TextColumn(label), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("photos", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _forward(module: str, context: typer.Context) -> None:
    """Hand the rest of the command line to a group of commands whose packages only the extra installs."""
    try:
        group = importlib.import_module(module)
    except ModuleNotFoundError as error:
        raise ScreeningError(
            context.command_path,
            f"the package '{error.name}' is not installed",
            INSTALL_TRAINING,
        ) from None
    group.app(context.args, prog_name=context.command_path)


def _stop(message: str, code: int) -> None:
    typer.echo(message, err=True)
    sys.exit(code)


if __name__ == "__main__":
    main()
