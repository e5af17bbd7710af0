"""Options of `depthline draw`, `cutlist` and `order`: pictures and papers for the toolmaker and the shop."""

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.shared_options import AsJson, ResultsRoot, StudyPath, Units

PatternName = Annotated[
    str | None, typer.Option("--pattern", metavar="NAME", help="Pattern; needed when the study has several.")
]
DepthOption = Annotated[
    str | None, typer.Option("--depth", metavar="QUANTITY", help='Surface depth, for instance "0.25 mm".')
]
EdgeAngleOption = Annotated[
    str | None,
    typer.Option("--edge-angle", metavar="QUANTITY", help='Edge angle instead, for instance "14 deg".'),
]


def draw(
    study: StudyPath,
    pattern: PatternName = None,
    depth: DepthOption = None,
    edge_angle: EdgeAngleOption = None,
    results: ResultsRoot = Path("results"),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Where to write, instead of the results folder.")
    ] = None,
) -> None:
    """Draw one ball of a study: map by class, sections with their measures, view."""
    from pipeline.cli.draw import draw_pictures

    draw_pictures(study, results, pattern, depth, edge_angle, out)


def cutlist(
    study: StudyPath,
    pattern: PatternName = None,
    depth: DepthOption = None,
    edge_angle: EdgeAngleOption = None,
    shrinkage: Annotated[
        str,
        typer.Option(metavar="QUANTITY", help="Share by which the moulded ball is smaller than its cavity."),
    ] = "0 %",
    land_finish: Annotated[
        str, typer.Option(metavar="QUANTITY", help="Thickness of the finish on the land.")
    ] = "0 mm",
    dimple_finish: Annotated[
        str, typer.Option(metavar="QUANTITY", help="Thickness of the finish at the dimples' bottoms.")
    ] = "0 mm",
    decided: Annotated[
        bool,
        typer.Option(
            "--decided", help="Cut lists of every ball that was decided or short-listed, instead of one."
        ),
    ] = False,
    number: Annotated[
        str, typer.Option(metavar="TEXT", help="Number of the list; STUDY-PATTERN-DEPTH when absent.")
    ] = "",
    revision: Annotated[str, typer.Option(metavar="TEXT", help="Revision of the list.")] = "A",
    units: Units = None,
    results: ResultsRoot = Path("results"),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Where to write, instead of the results folder.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write the toolmaker's cut list of one ball: every dimple as CSV, a page to print, the surface."""
    from pipeline.cli.cutlist import Issue, write_cut_list, write_decided
    from pipeline.errors import InputError

    tooling = {"--shrinkage": shrinkage, "--land-finish": land_finish, "--dimple-finish": dimple_finish}
    issue = Issue(number, revision)
    if not decided:
        write_cut_list(study, results, pattern, depth, edge_angle, tooling, out, as_json, issue, units)
        return
    given = {"--pattern": pattern, "--depth": depth, "--edge-angle": edge_angle}
    for option, value in given.items():
        if value is not None:
            raise InputError(f"{option}: {value}: goes with one ball; --decided takes those of the decision")
    write_decided(study, results, tooling, out, as_json, issue, units)


def order(
    study: StudyPath,
    quantity: Annotated[int, typer.Option(min=1, help="Balls of each prototype.")] = 12,
    number: Annotated[
        str, typer.Option(metavar="TEXT", help="Number of the order; a blank to fill in when absent.")
    ] = "",
    units: Units = None,
    results: ResultsRoot = Path("results"),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Where to write, instead of the results folder.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write the order sheet of the prototypes that were decided or short-listed: a page to print, and CSV."""
    from pipeline.cli.order import write_order

    write_order(study, results, quantity, number, out, as_json, units)
