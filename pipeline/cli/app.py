"""The `depthline` command: its subcommands and options; the work is in the other modules of this folder.

Imports stand inside the commands, so that `depthline --help` does not wait for the numerical libraries.
"""

import sys
from pathlib import Path
from typing import Annotated

import typer

from pipeline import __version__
from pipeline.cli.range_app import firings
from pipeline.cli.shared_options import AsJson, ResultsRoot, StudyPath, Units
from pipeline.cli.shelf_app import balls
from pipeline.cli.shop_app import cutlist, draw, order
from pipeline.ending import ended_well

app = typer.Typer(
    name="depthline",
    help="Which dimple depth to cut: from a study file to drag, lift, flights and a decision.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    epilog="Example: depthline check cases/demo/study.yaml. Every command has its own --help.",
)

app.add_typer(firings)
app.add_typer(balls)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"depthline {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    pass


@app.command("new", epilog='Example: depthline new spring --golfers "slow, tour" --depths "0.15 mm, 0.20 mm"')
def make_new(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="Name of the study, and of its file.", show_default=False)
    ],
    golfers: Annotated[
        str | None,
        typer.Option(metavar="NAMES", help="Swings: slow, moderate, women's tour, tour, rules; with commas."),
    ] = None,
    symmetry: Annotated[
        str | None, typer.Option(metavar="NAME", help="Symmetry of the layout, for instance icosahedral.")
    ] = None,
    count: Annotated[int | None, typer.Option(min=1, help="Dimples.")] = None,
    chord: Annotated[
        str | None, typer.Option(metavar="QUANTITY", help='Chord diameter, for instance "4 mm".')
    ] = None,
    depths: Annotated[
        str | None,
        typer.Option(metavar="QUANTITIES", help='Surface depths, for instance "0.15 mm, 0.20 mm".'),
    ] = None,
    level: Annotated[str | None, typer.Option(metavar="NAME", help="Mesh: coarse, medium or fine.")] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="File to write, instead of NAME.yaml.")
    ] = None,
) -> None:
    """Write a commented study file to start from; at a terminal a few questions are asked."""
    from pipeline.cli.new import write_new

    given = {"golfers": golfers, "symmetry": symmetry, "chord": chord, "depths": depths, "level": level}
    write_new(name, given | {"count": None if count is None else str(count)}, out)


@app.command(epilog="Example: depthline check cases/demo/study.yaml")
def check(
    study: StudyPath,
    units: Units = None,
    results: ResultsRoot = Path("results"),
    as_json: AsJson = False,
) -> None:
    """Validate a study and show its runs, its geometry and its price in core hours."""
    from pipeline.cli.check import check_study

    check_study(study, results, as_json, units)


@app.command(epilog="Example: depthline search family.yaml")
def search(
    study: StudyPath,
    show: Annotated[
        str | None,
        typer.Option(metavar="PATTERN", help="Print one candidate as an entry of a study's patterns."),
    ] = None,
    units: Units = None,
    results: ResultsRoot = Path("results"),
    as_json: AsJson = False,
) -> None:
    """List the patterns of a family (patterns: search: in the study), ranked by the runs that are there."""
    from pipeline.cli.search import search_patterns

    search_patterns(study, results, show, as_json, units)


@app.command(epilog="Example: depthline run cases/demo/study.yaml --cores 2")
def run(
    study: StudyPath,
    cores: Annotated[
        int | None, typer.Option(min=1, help="Cores to use on this machine; all when absent.")
    ] = None,
    profile: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Workflow profile below profiles/, for instance slurm."),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(
            metavar="decided",
            help="Choose the runs in rounds, between the depths, Reynolds numbers and spin ratios of the "
            "study, until the decision is known; a study with a budget is computed so in any case.",
        ),
    ] = None,
    results: ResultsRoot = Path("results"),
) -> None:
    """Compute a study: geometry, flow, tables, flights, decision, report.

    What is there already is kept; a run that was stopped goes on from its last state.
    """
    from pipeline.cli.run import run_study
    from pipeline.errors import InputError

    if until not in (None, "decided"):
        raise InputError(f"--until: {until}: no such end; write --until decided")
    raise typer.Exit(run_study(study, results, cores, profile, until is not None))


@app.command(epilog="Example: depthline status cases/demo/study.yaml --json")
def status(
    study: StudyPath,
    watch: Annotated[
        bool,
        typer.Option("--watch", help="Show the states anew every few seconds, until all runs have ended."),
    ] = False,
    results: ResultsRoot = Path("results"),
    as_json: AsJson = False,
) -> None:
    """Report the state of every run of a study, each with its reason."""
    from pipeline.cli.status import show_status, watch_status

    if watch and not as_json:
        watch_status(study, results)
    else:
        show_status(study, results, as_json)


@app.command(epilog="Example: depthline report cases/demo/study.yaml")
def report(
    study: StudyPath,
    units: Units = None,
    results: ResultsRoot = Path("results"),
) -> None:
    """Write the report of a study from the results that are there."""
    from pipeline.cli.report import write_study_report

    write_study_report(study, results, units)


@app.command(epilog='Example: depthline fly table.csv --speed "165 mph" --angle "11 deg" --spin "2600 rpm"')
def fly(
    table: Annotated[
        list[Path],
        typer.Argument(
            metavar="TABLE...",
            help="Coefficient tables (CSV: reynolds, spin_ratio, cd, cl and, where known, cm), or a study's "
            "tables.csv or coefficients.csv.",
            show_default=False,
        ),
    ],
    speed: Annotated[
        str | None, typer.Option(metavar="QUANTITY", help='Ball speed, for instance "165 mph".')
    ] = None,
    angle: Annotated[
        str | None, typer.Option(metavar="QUANTITY", help='Launch angle, for instance "11 deg".')
    ] = None,
    spin: Annotated[
        str | None, typer.Option(metavar="QUANTITY", help='Backspin, for instance "2600 rpm".')
    ] = None,
    tilt: Annotated[
        str | None,
        typer.Option(
            metavar="QUANTITY", help="Tilt of the spin axis, 0 deg when absent; positive curves to the right."
        ),
    ] = None,
    launches: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="CSV of launches to fly instead, one a row: ball_speed_m_s or ball_speed_mph, "
            "launch_angle_deg, backspin_rpm and, where known, axis_tilt_deg.",
        ),
    ] = None,
    pattern: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Pattern of a study's table to fly; all when absent."),
    ] = None,
    depth: Annotated[
        str | None,
        typer.Option(metavar="QUANTITY", help="Surface depth of a study's table to fly; all when absent."),
    ] = None,
    path: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the path of every flight as CSV.")
    ] = None,
    diameter: Annotated[str, typer.Option(metavar="QUANTITY", help="Diameter of the ball.")] = "42.67 mm",
    mass: Annotated[str, typer.Option(metavar="QUANTITY", help="Mass of the ball.")] = "45.93 g",
    temperature: Annotated[
        str | None,
        typer.Option(metavar="QUANTITY", help="20 degC, or that of the altitude, when absent."),
    ] = None,
    pressure: Annotated[
        str | None,
        typer.Option(metavar="QUANTITY", help="1013.25 hPa, or that of the altitude, when absent."),
    ] = None,
    humidity: Annotated[str, typer.Option(metavar="QUANTITY", help="Relative humidity.")] = "50 %",
    altitude: Annotated[
        str | None, typer.Option(metavar="QUANTITY", help="Altitude, instead of a pressure.")
    ] = None,
    wind: Annotated[str, typer.Option(metavar="QUANTITY", help="Wind speed.")] = "0 m/s",
    wind_from: Annotated[
        str,
        typer.Option(
            metavar="QUANTITY", help="Where the wind comes from: 0 deg is a headwind, 90 deg the right."
        ),
    ] = "0 deg",
    wind_profile: Annotated[
        str,
        typer.Option(
            metavar="KIND", help="uniform, or logarithmic or power over open ground, from 10 m of height."
        ),
    ] = "uniform",
    units: Units = None,
    as_json: AsJson = False,
) -> None:
    """Fly one shot, or the shots of a file, with coefficient tables from anywhere."""
    from pipeline.cli.fly import fly_shots
    from pipeline.study.trade_units import shown_in

    with shown_in(units or "trade"):
        fly_shots(
            table,
            pattern=pattern,
            depth=depth,
            launches_path=launches,
            path_out=path,
            launch={"--speed": speed, "--angle": angle, "--spin": spin, "--tilt": tilt},
            ball={"--diameter": diameter, "--mass": mass},
            air={
                "--temperature": temperature,
                "--pressure": pressure,
                "--humidity": humidity,
                "--altitude": altitude,
            },
            wind={"--wind": wind, "--wind-from": wind_from, "--wind-profile": wind_profile},
            as_json=as_json,
        )


@app.command(epilog="Example: depthline forces path/to/case --plot forces.png")
def forces(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="DIR",
            help="Any OpenFOAM case, its postProcessing folder, one below it, or a run of a study.",
            show_default=False,
        ),
    ],
    target: Annotated[
        float | None,
        typer.Option(
            metavar="SHARE",
            help="Standard error wanted, as a share of the largest mean of its kind; by default those of the "
            "run, 0.005 for other cases.",
            show_default=False,
        ),
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the histories into this PNG.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Average the force histories of any OpenFOAM case: mean, standard error, effective samples, verdict."""
    from pipeline.cli.forces import show_forces

    show_forces(folder, target, plot, as_json)


app.command(epilog='Example: depthline draw cases/demo/study.yaml --depth "0.25 mm"')(draw)
app.command(epilog='Example: depthline cutlist cases/demo/study.yaml --depth "0.25 mm" --shrinkage "0.6 %"')(
    cutlist
)
app.command(epilog="Example: depthline order cases/demo/study.yaml --quantity 12")(order)


@app.command(
    epilog="Example: depthline compare cases/demo/study.yaml tour-old --golfers cases/demo/study.yaml"
)
def compare(
    sources: Annotated[
        list[str],
        typer.Argument(
            metavar="BALLS...",
            help="Study files with results, results folders, coefficient tables (CSV), balls of the shelf.",
            show_default=False,
        ),
    ],
    golfers: Annotated[
        Path | None,
        typer.Option(
            metavar="STUDY", help="Study whose golfers, ball and air are flown; the first one when absent."
        ),
    ] = None,
    against: Annotated[
        str | None,
        typer.Option(metavar="BALL", help="Ball to set the others against; the first when absent."),
    ] = None,
    shelf: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder of the shelf; that of the study when absent.")
    ] = None,
    results: ResultsRoot = Path("results"),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Where to write, instead of DIR/comparison.")
    ] = None,
    units: Units = None,
    as_json: AsJson = False,
) -> None:
    """Set balls of studies, tables and the shelf side by side at the same launches: a page and a CSV."""
    from pipeline.cli.compare import compare as compare_balls

    compare_balls(sources, golfers, against, shelf, results, out or results / "comparison", as_json, units)


@app.command(epilog="Example: depthline doctor")
def doctor(results: ResultsRoot = Path("results"), as_json: AsJson = False) -> None:
    """Report what this machine has and lacks for computing studies, and how to fix it."""
    from pipeline.cli.doctor import show_doctor

    raise typer.Exit(show_doctor(results, as_json))


@app.command("next", epilog="Example: depthline next cases/demo/study.yaml --count 2")
def propose(
    study: StudyPath,
    count: Annotated[int, typer.Option(min=1, help="Depths to add, at most.")] = 3,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Study file to write, instead of STUDY-next.yaml beside the study."
        ),
    ] = None,
    units: Units = None,
    results: ResultsRoot = Path("results"),
    as_json: AsJson = False,
) -> None:
    """Write a study file with the depths whose runs would improve the decision most for their core hours."""
    from pipeline.cli.next import propose_next

    propose_next(study, results, count, out, as_json, units)


@app.command(epilog="Example: depthline verify sphere spin --cores 2")
def verify(
    parts: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[PART]...",
            help="Parts of the suite; the cheap ones when none is named.",
            show_default=False,
        ),
    ] = None,
    cores: Annotated[
        int | None, typer.Option(min=1, help="Runs at a time, each on a core; all cores when absent.")
    ] = None,
    results: ResultsRoot = Path("results"),
    as_json: AsJson = False,
) -> None:
    """Compute spheres whose drag, lift and wakes are published, and compare: DIR/verification/report.html."""
    from pipeline.cli.verify import verify as verify_parts

    raise typer.Exit(verify_parts(parts or [], cores, results, as_json))


@app.command(epilog="Example: depthline schema > cases/study.schema.json")
def schema(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="The same for people: a table of keys, as the guide has it.")
    ] = False,
) -> None:
    """Print the JSON Schema of a study file, for editors that complete and check it."""
    from pipeline.cli.schema import print_schema

    print_schema(markdown)


def main() -> None:
    """Run the command; a fault that the user can fix ends it with one line a fault and an exit code."""
    sys.exit(ended_well(app))
