"""`maskline data`: make sets of synthetic adverts and check labelled sets."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
import yaml
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from pipeline.configuration import load, shipped
from pipeline.errors import ScreeningError, need_packages
from pipeline.records import DETECTED_CUES
from synthetic_data.contact_sheet import write_contact_sheet
from synthetic_data.dataset import SetConfig, graphics_cards
from synthetic_data.dataset import synth as make_set
from synthetic_data.label_marks import marks_of_set
from synthetic_data.semi_real_marks import read_marks
from synthetic_data.semi_real_set import make_semi_real
from synthetic_data.set_check import SPLITS, CheckResult, check_set, read_labels
from synthetic_data.variant import prepare_llvm

app = typer.Typer(help="Make and check data sets for training.", no_args_is_help=True)
console = Console()


@app.callback()
def data() -> None:
    """Make and check data sets for training."""


@app.command()
def synth(
    adverts: Annotated[
        int, typer.Option(min=1, help="How many adverts the set has; may grow when a set is gone on with.")
    ],
    seed: Annotated[int, typer.Option(min=0, help="The same seed, config and version give the same set.")],
    out: Annotated[Path, typer.Option(help="Folder of the set; an unfinished set there is gone on with.")],
    config: Annotated[Path | None, typer.Option(help="YAML like configs/synthesis/dataset.yaml.")] = None,
    panoramas: Annotated[Path | None, typer.Option(help="Folder of .exr or .hdr panoramas as light.")] = None,
    scenes: Annotated[Path | None, typer.Option(help="Folder of photos for far backdrops.")] = None,
    processes: Annotated[int, typer.Option(min=0, help="Worker processes; 0: two a graphics card, or one a core.")] = 0,
    gpus: Annotated[int | None, typer.Option(min=0, help="Graphics cards to use; all by default, 0: none.")] = None,
    time_limit_min: Annotated[
        float | None,
        typer.Option(min=0, help="Begin no advert after so many minutes; finish the set with what there is."),
    ] = None,
) -> None:
    """Render a set of synthetic adverts with labels and masks."""
    need_packages("maskline data", "mitsuba", "pandas", "pycocotools")
    settings = load(config or shipped("synthesis", "dataset.yaml"), SetConfig)
    for option, folder in (("--panoramas", panoramas), ("--scenes", scenes)):
        if folder is not None and not folder.is_dir():
            raise ScreeningError(folder, "it is not a folder", f"name a folder with {option}")
    settings = settings.model_copy(
        update={key: value for key, value in (("panoramas", panoramas), ("scenes", scenes)) if value is not None}
    )
    cards = graphics_cards() if gpus is None else gpus
    workers = processes or (2 * cards if cards else max((os.cpu_count() or 2) // 2, 1))
    with _progress() as bars:
        task = bars.add_task("adverts", total=adverts, note="")

        def show(done: int, total: int, photos: int) -> None:
            bars.update(task, completed=done, total=total, note=f"{photos} photos")

        made = make_set(
            settings,
            adverts=adverts,
            seed=seed,
            out=out,
            processes=workers,
            gpus=cards,
            time_limit_min=time_limit_min,
            progress=show,
        )
    for fault in made.failed[:10]:
        typer.echo(fault, err=True)
    left_out = f", {len(made.failed)} adverts failed and are left out" if made.failed else ""
    typer.echo(f"{made.photos} photos of {made.adverts} adverts in {out}{left_out}.")


@app.command("semi-real")
def semi_real(
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTOS", help="Folders with the marked photos; what is missing is named."),
    ],
    out: Annotated[Path, typer.Option(metavar="SET", help="Folder of the set; an unfinished set is gone on with.")],
    seed: Annotated[int, typer.Option(min=0, help="The same seed, marks and version give the same set.")] = 0,
    marks: Annotated[Path | None, typer.Option(help="YAML like configs/semi_real_marks.yaml.")] = None,
    turns: Annotated[
        int, typer.Option(min=1, max=20, help="How often each mark is painted with each cue, and with no cue.")
    ] = 2,
    processes: Annotated[int | None, typer.Option(min=1, help="How many work at once; by default the cores.")] = None,
) -> None:
    """Paint cues, and as many innocent look-alikes, on marked surfaces of real photos."""
    need_packages("maskline data", "pandas", "pycocotools")
    for folder in photos:
        if not folder.is_dir():
            raise ScreeningError(folder, "it is not a folder", "name folders of photos")
    marked = read_marks(marks)
    with _progress() as bars:
        task = bars.add_task("photos", total=len(marked.photos), note="")
        made = make_semi_real(
            photos,
            marked,
            out,
            seed=seed,
            turns=turns,
            processes=processes or os.cpu_count() or 1,
            progress=lambda done, total: bars.update(task, completed=done),
        )
    for names, fault in ((made.missing, "are missing"), (made.changed, "are not the version that was marked")):
        if names:
            typer.echo(f"{len(names)} marked photos {fault}: {', '.join(names)}", err=True)
    unseen = f", {made.unseen} edits could not be seen and are left out" if made.unseen else ""
    typer.echo(f"{made.photos} photos made from {made.used} in {out}{unseen}.")


@app.command("marks")
def marks_command(
    folder: Annotated[Path, typer.Argument(metavar="SET", help="Folder of a set that `data synth` made.")],
    out: Annotated[Path, typer.Option(metavar="FILE", help="YAML for `data semi-real SET/images --marks FILE`.")],
    seed: Annotated[int, typer.Option(min=0, help="The same seed and set give the same marks.")] = 0,
    most: Annotated[int, typer.Option(min=1, max=6, help="Marks on a photo, at most.")] = 1,
) -> None:
    """Mark surfaces on the renders of a set from its own labels, to paint cues on them as on real photos."""
    need_packages("maskline data", "pandas", "pycocotools")
    marks = marks_of_set(folder, seed=seed, most=most)
    out.write_text(yaml.safe_dump(marks.model_dump(mode="json", exclude_defaults=True)), encoding="utf-8")
    typer.echo(f"{sum(len(photo.marks) for photo in marks.photos)} marks on {len(marks.photos)} photos in {out}.")


@app.command()
def check(
    folder: Annotated[Path, typer.Argument(metavar="SET", help="Folder of a labelled set.")],
    sheet: Annotated[
        Path | None, typer.Option(help="Folder for the contact sheet; SET/contact_sheet by default.")
    ] = None,
    each: Annotated[int, typer.Option(min=1, max=64, help="Photos in a row of the contact sheet.")] = 8,
) -> None:
    """Check a set: schema, masks, leakage between splits, class counts; and write a contact sheet to look at."""
    need_packages("maskline data", "pandas", "pycocotools", "imagehash")
    labelled = read_labels(folder)
    with _progress() as bars:
        task = bars.add_task("photos", total=len(labelled.rows), note="")
        result = check_set(labelled, progress=lambda done, total: bars.update(task, completed=done, total=total))
    console.print(_counts(result))
    page = write_contact_sheet(labelled, sheet or folder / "contact_sheet", each=each)
    for problem in result.problems:
        typer.echo(problem)
    typer.echo(f"{len(result.problems)} problems in {len(labelled.rows)} photos; contact sheet: {page}")
    if result.problems:
        raise typer.Exit(1)


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder for the adverts, one folder each; files of the same name go.")],
) -> None:
    """Render the demo batch anew, on a graphics card where there is one."""
    need_packages("maskline data", "mitsuba")
    if out.exists() and not out.is_dir():
        raise ScreeningError(out, "it is not a folder", "name a folder with --out")
    settings = load(shipped("synthesis", "dataset.yaml"), SetConfig)
    variant = settings.gpu_variant if graphics_cards() else settings.cpu_variant
    if variant.startswith("llvm"):
        prepare_llvm()
    from synthetic_data.demo_batch import demo_settings, write_demo  # imports mitsuba, which looks for LLVM only then

    adverts = len(demo_settings().adverts)
    with _progress() as bars:
        task = bars.add_task("adverts", total=adverts, note="")
        photos = write_demo(out, variant, progress=lambda name: bars.update(task, advance=1, note=name))
    typer.echo(f"{photos} photos of {adverts} adverts in {out}.")


@contextmanager
def _progress() -> Iterator[Progress]:
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[note]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True)) as bars:
        yield bars


def _counts(result: CheckResult) -> Table:
    """Photos by cue and split: present / absent (hard negatives) / unknown."""
    splits = [split for split in SPLITS if split in result.counts]
    table = Table("cue", *splits, title="present / absent (of these with hard negatives) / unknown")
    for cue in DETECTED_CUES:
        cells = []
        for split in splits:
            here = result.counts[split]
            present, absent, unknown, hard = (
                here.get(f"{cue} {kind}", 0) for kind in ("present", "absent", "unknown", "hard negative")
            )
            cells.append(f"{present} / {absent} ({hard}) / {unknown}")
        table.add_row(cue, *cells)
    return table
