"""Options that several commands share: study file, folder of all results, units, JSON on standard output."""

from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import InputError

StudyPath = Annotated[Path, typer.Argument(metavar="STUDY", help="Study file (YAML).", show_default=False)]
ResultsRoot = Annotated[
    Path,
    typer.Option("--results", metavar="DIR", help="Folder of all results; a study's are in DIR/NAME."),
]


def _known(units: str | None) -> str | None:
    if units not in (None, "trade", "SI"):
        raise InputError(f"--units: {units}: must be trade or SI")
    return units


Units = Annotated[
    str | None,
    typer.Option(
        "--units",
        metavar="NAME",
        help="trade (yards, mph) or SI; those of the study, or trade, when absent.",
        callback=_known,
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON object on standard output and nothing else.")
]
