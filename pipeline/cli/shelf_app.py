"""Options of `depthline shelf`: balls added, listed, shown, and ranked for a study's golfers."""

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.shared_options import AsJson, Units

Shelf = Annotated[Path, typer.Option("--shelf", metavar="DIR", help="Folder of the shelf.")]
SHELF = Path("shelf")

balls = typer.Typer(
    name="shelf",
    help="Every ball that is known, measured or computed, a plain file each in one folder.",
    no_args_is_help=True,
)


@balls.command(
    "add",
    epilog='Example: depthline shelf add tunnel.csv --name tour-old --place "tunnel B" --depth "0.25 mm"',
)
def shelf_add(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="SOURCE",
            help="Folder of a reduction (range reduce), folder of a study's results, or a CSV of Cd and Cl "
            "from any tunnel or range (reynolds, spin_ratio, cd, cl and, where known, cd_se, cl_se, cm).",
            show_default=False,
        ),
    ],
    shelf: Shelf = SHELF,
    place: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT", help="Range, tunnel or laboratory; its balls share what it measures wrong."
        ),
    ] = None,
    name: Annotated[
        str | None, typer.Option(metavar="NAME", help="Name of the ball, where there is one.")
    ] = None,
    pattern: Annotated[
        str | None, typer.Option(metavar="NAME", help="Pattern of the ball, as studies name it.")
    ] = None,
    depth: Annotated[
        str | None, typer.Option(metavar="QUANTITY", help="Mean surface depth as moulded.")
    ] = None,
    critical_reynolds: Annotated[
        float | None,
        typer.Option(metavar="NUMBER", help="Measured critical Reynolds number of the ball, not spinning."),
    ] = None,
    critical_spread: Annotated[
        str, typer.Option(metavar="QUANTITY", help="Its relative standard deviation.")
    ] = "5 %",
    date: Annotated[str, typer.Option(metavar="TEXT", help="When it was measured.")] = "",
    note: Annotated[str, typer.Option(metavar="TEXT", help="Anything else worth keeping.")] = "",
    replace: Annotated[bool, typer.Option("--replace", help="Replace balls of the same names.")] = False,
    as_json: AsJson = False,
) -> None:
    """Put balls on the shelf."""
    from pipeline.cli.shelf import Given, add

    given = Given(place, name, pattern, depth, critical_reynolds, critical_spread, date, note)
    add(source, shelf, given, replace, as_json)


@balls.command("list", epilog="Example: depthline shelf list --shelf shelf")
def shelf_list(shelf: Shelf = SHELF, as_json: AsJson = False) -> None:
    """List the balls of the shelf."""
    from pipeline.cli.shelf import show_list

    show_list(shelf, as_json)


@balls.command("show", epilog="Example: depthline shelf show tour-old")
def shelf_show(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of a ball.", show_default=False)],
    shelf: Shelf = SHELF,
    as_json: AsJson = False,
) -> None:
    """Show all that is known of a ball."""
    from pipeline.cli.shelf import show_ball

    show_ball(shelf, name, as_json)


@balls.command("rank", epilog="Example: depthline shelf rank cases/demo/study.yaml --shelf shelf")
def shelf_rank(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="Study file (YAML).", show_default=False)],
    shelf: Annotated[
        Path | None,
        typer.Option(
            "--shelf", metavar="DIR", help="Folder of the shelf; the study's own, or shelf, when absent.",
            show_default=False,
        ),
    ] = None,
    results: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder of all results; a study's are in DIR/NAME.")
    ] = Path("results"),
    units: Units = None,
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """Fly a study's golfers with every ball of the shelf: which suits this construction, at which depth."""
    from pipeline.cli.shelf import rank

    rank(study, shelf, results, as_json, units)
