"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Databases = Annotated[
    list[Path] | None,
    typer.Option("--dbc", metavar="FILE", help="Signal database of the vehicle; repeatable."),
]
ProfileFile = Annotated[
    Path | None,
    typer.Option("--profile", metavar="FILE", help="What is known of the vehicle (TOML)."),
]
OutputPage = Annotated[
    Path | None,
    typer.Option("-o", "--output", metavar="OUT.html", help="Where the page goes."),
]
JsonFile = Annotated[
    str | None,
    typer.Option("--json", metavar="FILE", help="Where the result goes as JSON; - is the output."),
]
