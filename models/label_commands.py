"""Commands of `maskline data` for labels of one's own: bring them in, split them, choose what to label next."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import UsageError, need_packages

app = typer.Typer()

MySet = Annotated[Path, typer.Argument(metavar="SET", help="Folder of a labelled set.")]


@app.command("import")
def import_command(
    file: Annotated[Path, typer.Argument(help="COCO .json, or a table (.csv, .parquet) with a row a photo.")],
    out: Annotated[Path, typer.Option(help="New folder for the set.")],
    photos: Annotated[Path | None, typer.Option(help="Folder of the photos.", show_default="beside the file")] = None,
    name: Annotated[
        list[str] | None, typer.Option(help="Another name for a cue or a shot, THEIRS=OURS; may be repeated.")
    ] = None,
    complete: Annotated[
        bool, typer.Option("--complete", help="Every photo was searched for every cue named: unmarked is absent.")
    ] = False,
    seed: Annotated[int, typer.Option(min=0, help="Of the splits, where the table has none.")] = 0,
) -> None:
    """Bring labels in from a label tool (COCO) or a table, and say what was not understood.

    A cue that nobody marked is unknown, unless --complete says otherwise. Boxes count as labels of the photo, outlines
    as masks. Splits are by vehicle (column vehicle, vehicle_id, advert or group).
    """
    need_packages("maskline data", "pandas", "pyarrow", "pycocotools", "torch")
    from models.label_import import import_labels

    pairs = [entry.partition("=") for entry in name or []]
    if any(not theirs or not ours for theirs, _, ours in pairs):
        raise UsageError(
            "--name", "an entry is not of the form THEIRS=OURS", "write for example --name rust_bubble=film_defect"
        )
    names = {theirs: ours for theirs, _, ours in pairs}
    found = import_labels(file, out, photos=photos, names=names, complete=complete, seed=seed)
    for sentence in found.not_understood:
        typer.echo(f"Not understood: {sentence}")
    typer.echo(f"{found.photos} photos with {found.labels} labelled cues and {found.masks} masks in {out}.")


@app.command("split")
def split_command(
    folder: MySet,
    shares: Annotated[tuple[float, float, float], typer.Option(min=0, help="Shares of train, val and test.")] = (
        0.7,
        0.15,
        0.15,
    ),
    seed: Annotated[int, typer.Option(min=0, help="Another seed gives another split.")] = 0,
) -> None:
    """Split a set anew into train, val and test: by vehicle, never by photo, every cue in each if possible."""
    need_packages("maskline data", "pandas", "pyarrow")
    from models.vehicle_split import split_set

    if sum(shares) <= 0:
        raise UsageError("--shares", "they add up to nothing", "write for example --shares 0.7 0.15 0.15")
    found = split_set(folder, shares=shares, seed=seed)
    typer.echo(
        ", ".join(f"{split}: {photos} photos of {vehicles} vehicles" for split, (photos, vehicles) in found.items())
    )


@app.command("suggest")
def suggest_command(
    folder: Annotated[Path, typer.Argument(metavar="SET", help="Folder of a set, or any folder of photos.")],
    out: Annotated[Path, typer.Option(help="Folder for label_next.csv and doubtful_labels.csv.")],
    weights: Annotated[
        Path | None, typer.Option(help="Folder of the network that is asked.", show_default="the shipped network")
    ] = None,
    number: Annotated[int, typer.Option(min=1, help="How many photos to label next.")] = 50,
    threads: Annotated[int | None, typer.Option(min=1, help="Processor cores to use.", show_default="all")] = None,
) -> None:
    """Say which unlabelled photos to label next, and which labels look wrong.

    Next: what the network is unsure of, spread over unlike photos. Doubtful: labels that it contradicts, worst first
    (confident learning); look at them, it may be the one that errs. Ask a network that has not trained on these photos.
    """
    need_packages("maskline data", "torch", "cleanlab")
    from models.suggest import suggest, write_suggestions

    found = suggest(folder, weights, number=number, threads=threads)
    write_suggestions(found, out)
    typer.echo(
        f"{len(found.label_next)} photos to label next, {len(found.doubtful)} labels to look at again, in {out}."
    )
