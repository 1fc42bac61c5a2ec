"""`maskline data` whole: make sets, bring labels in or take them out of what was judged, choose what to label next."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import models.label_commands
import synthetic_data.cli
from pipeline.errors import need_packages
from pipeline.judging.labels import export_labels

app = typer.Typer(help="Make, bring in, check and choose data for training.", no_args_is_help=True)
for _group in (synthetic_data.cli.app, models.label_commands.app):
    app.registered_commands += _group.registered_commands


@app.command()
def export(
    screened: Annotated[Path, typer.Option("--from", metavar="OUT", help="Folder of a screening that was judged.")],
    out: Annotated[Path, typer.Option(metavar="SET", help="New folder for the labelled set.")],
    batch: Annotated[
        Path | None, typer.Option(help="Where the photos lie now.", show_default="where they were screened")
    ] = None,
) -> None:
    """Write what was judged as a labelled set; what nobody answered is unknown, never absent."""
    need_packages("maskline data", "pandas", "pyarrow", "pycocotools")
    made = export_labels(screened, out, batch)
    for name in made.missing[:10]:
        typer.echo(f"{name}: the photo is gone or was changed, its answers are left out.", err=True)
    left_out = f", {len(made.missing)} photos are left out" if made.missing else ""
    typer.echo(f"{made.photos} photos with {made.boxes} boxes in {out}{left_out}.")
