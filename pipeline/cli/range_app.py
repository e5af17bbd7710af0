"""Options of `depthline range`: firings of moulded balls simulated, reduced and planned."""

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.shared_options import AsJson, Units

firings = typer.Typer(
    name="range",
    help="Firings of moulded balls: simulate, reduce and plan them. Only on a guarded range, by "
    "its operator's "
    "rules, with eye protection.",
    no_args_is_help=True,
)


@firings.command("simulate", epilog="Example: depthline range simulate invented.csv --balls 6 --seed 1")
def range_simulate(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="CSV of firings to write.", show_default=False)],
    arrangement: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="screens: light screens over 20 m; baselines: three stations of two gates 0.41 "
            "m apart and a "
            "slanted one, over 3.8 m.",
        ),
    ] = "screens",
    truth: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="TABLE", help="Coefficient table of a pattern's balls; a published fit when absent."
        ),
    ] = None,
    balls: Annotated[int, typer.Option(min=1, max=500, help="Balls of each pattern.")] = 6,
    shots: Annotated[int, typer.Option(min=1, max=500, help="Shots of a ball at each speed and spin.")] = 1,
    upright: Annotated[
        int, typer.Option(min=0, max=100, help="Further shots of a ball at each speed, axis upright.")
    ] = 0,
    speeds: Annotated[str, typer.Option(metavar="NUMBERS", help="Speeds, in m/s.")] = "30 45 60 75",
    spins: Annotated[str, typer.Option(metavar="NUMBERS", help="Spins, in rpm.")] = "1500 2500 3500",
    bad_gates: Annotated[
        float, typer.Option(min=0, max=0.3, help="Share of times that are miscounted.")
    ] = 0.0,
    perfect: Annotated[bool, typer.Option("--perfect", help="No errors and no scatter.")] = False,
    seed: Annotated[int, typer.Option(min=0, help="Seed of all that is random.")] = 0,
) -> None:
    """Write invented firings, which say so, to try a range and a reduction on."""
    from pipeline.cli.range import simulate_range

    simulate_range(
        out, arrangement, truth or [], balls, shots, upright, speeds, spins, bad_gates, perfect, seed
    )  # fmt: skip


@firings.command("reduce", epilog="Example: depthline range reduce monday.csv tuesday.csv --balls balls.csv")
def range_reduce(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...", help="CSV of firings, one row a shot and gate.", show_default=False
        ),
    ],
    balls: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="CSV of measured balls: ball, class, depth_mm, mass_g, diameter_mm."
        ),
    ] = None,
    drag: Annotated[
        str | None,
        typer.Option(metavar="TERMS", help='Terms of Cd, for instance "1 S S^2 Re"; found when absent.'),
    ] = None,
    lift: Annotated[str | None, typer.Option(metavar="TERMS", help="Terms of Cl.")] = None,
    speed: Annotated[
        str, typer.Option(metavar="QUANTITY", help="Ball speed of the launch that is flown.")
    ] = "165 mph",
    angle: Annotated[str, typer.Option(metavar="QUANTITY", help="Its launch angle.")] = "11 deg",
    spin: Annotated[str, typer.Option(metavar="QUANTITY", help="Its backspin.")] = "2600 rpm",
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Where to write; results/range/NAME when absent.")
    ] = None,
    units: Units = None,
    as_json: AsJson = False,
) -> None:
    """Find drag and lift of fired balls, with errors, and what is wrong with the firings."""
    from pipeline.cli.range import reduce_range
    from pipeline.study.trade_units import shown_in

    launch = {"--speed": speed, "--angle": angle, "--spin": spin}
    with shown_in(units or "trade"):
        reduce_range(files, balls, drag, lift, launch, out, as_json)


@firings.command("plan", epilog='Example: depthline range plan cases/demo/study.yaml --error "2 yd"')
def range_plan(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="Study file (YAML).", show_default=False)],
    reference: Annotated[
        Path | None,
        typer.Option(
            metavar="TABLE", help="Coefficient table of the reference ball; a published fit when absent."
        ),
    ] = None,
    arrangement: Annotated[str, typer.Option(metavar="NAME", help="screens or baselines.")] = "screens",
    error: Annotated[
        str, typer.Option(metavar="QUANTITY", help="Standard error wanted of a difference in carry.")
    ] = "2 yd",
    ball_scatter: Annotated[
        float, typer.Option(min=0, max=0.05, help="Scatter of balls in Cd and Cl that is expected.")
    ] = 0.003,
    results: Annotated[Path, typer.Option(metavar="DIR", help="Folder of all results.")] = Path("results"),
    out: Annotated[Path | None, typer.Option(metavar="DIR", help="Where to write.")] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of simulations and order.")] = 0,
    units: Units = None,
    as_json: AsJson = False,
) -> None:
    """Design a firing of a study's short list: balls, shots, order; a sheet to print, a CSV to fill in."""
    from pipeline.cli.range import plan_range

    plan_range(study, results, reference, arrangement, error, ball_scatter, out, seed, as_json, units)
