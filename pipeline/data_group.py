"""`maskline data` whole: commands that make sets, that bring labels in, and that choose what to label next."""

from __future__ import annotations

import typer

import models.label_commands
import synthetic_data.cli

app = typer.Typer(help="Make, bring in, check and choose data for training.", no_args_is_help=True)
for _group in (synthetic_data.cli.app, models.label_commands.app):
    app.registered_commands += _group.registered_commands
