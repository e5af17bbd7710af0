"""Options that several commands share: the study file, the folder of all results, JSON on standard output."""

from pathlib import Path
from typing import Annotated

import typer

StudyPath = Annotated[Path, typer.Argument(metavar="STUDY", help="Study file (YAML).", show_default=False)]
ResultsRoot = Annotated[
    Path,
    typer.Option("--results", metavar="DIR", help="Folder of all results; a study's are in DIR/NAME."),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON object on standard output and nothing else.")
]
