"""Stations as the workflow calls them: `python -m pipeline.cli.stations NAME ...` in a results folder."""

import sys
from pathlib import Path

import typer

from pipeline.cli.ending import ended_well
from pipeline.study import Study

app = typer.Typer(add_completion=False, help=__doc__, pretty_exceptions_enable=False)

HERE = Path(".")


def _study() -> Study:
    return Study.from_json(HERE / "study.json")


@app.command()
def layout(pattern: str) -> None:
    """Lay a pattern's dimples out."""
    from pipeline.geometry.build import build_layout

    build_layout(HERE / "geometry" / pattern)


@app.command()
def geometry(pattern: str, key: str) -> None:
    """Make totals, skin and shell of a variant."""
    from pipeline.geometry.build import build_variant

    build_variant(HERE / "geometry" / pattern / key)


@app.command()
def flow(run: str, ranks: int = 1, keep: str = "numbers", wall_time: float | None = None) -> None:
    """Compute one run."""
    from pipeline.flow.run import run as compute

    compute(HERE, run, ranks, wall_time=wall_time, keep=keep)


@app.command()
def coefficients() -> None:
    """Collect all runs into coefficients.csv."""
    from pipeline.aero.collect import collect, write_coefficients
    from pipeline.matrix import runs

    frame = collect(HERE, [run.run_id for run in runs(_study())])
    write_coefficients(frame, HERE / "coefficients.csv")


@app.command()
def flights() -> None:
    """Fly every golfer's shots with every table."""
    from pipeline.aero.collect import read_coefficients
    from pipeline.flight.station import fly_study, write_flights

    write_flights(fly_study(_study(), read_coefficients(HERE / "coefficients.csv")), HERE / "flights.csv")


@app.command()
def decision() -> None:
    """Name the depth to cut."""
    from pipeline.aero.collect import read_coefficients
    from pipeline.decide.station import decide_study, write_decision

    table, details = decide_study(_study(), read_coefficients(HERE / "coefficients.csv"))
    write_decision(HERE, table, details)


@app.command()
def report() -> None:
    """Write report.html and its figures."""
    from pipeline.report.page import write_report

    write_report(_study(), HERE)


if __name__ == "__main__":
    sys.exit(ended_well(app))
