"""Reference balls of the shelf: flown as the computed ones are, and what these differ from them."""

import math
from dataclasses import dataclass

from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import as_flown, draw_shots
from pipeline.decide.flights.population import SHOTS
from pipeline.report.inputs import Inputs
from pipeline.report.table import Cell, Table
from pipeline.shelf.ball import ShelfBall
from pipeline.shelf.fly import FlownBall, fly_ball
from pipeline.shelf.folder import read_shelf
from pipeline.study.model import Study
from pipeline.study.trade_units import millimetres, number, yards_cell


@dataclass(frozen=True)
class References:
    """Reference balls, and their flights by (golfer, ball)."""

    balls: list[ShelfBall]
    flights: dict[tuple[str, str], FlownBall]


def references_of(study: Study) -> References:
    """Read and fly the reference balls that a study names.

    Raises
    ------
    InputError
        A ball is missing or its file is wrong.
    """
    if study.shelf is None or not study.references:
        return References([], {})
    balls = read_shelf(study.shelf, study.references)
    scenarios = [(of.weight, of.conditions) for of in scenarios_of(study)]
    return References(
        balls,
        {
            (golfer.name, ball.name): fly_ball(
                ball, draw_shots(golfer, SHOTS, SEED), as_flown(golfer).mean_shot, scenarios
            )
            for golfer in study.golfers
            for ball in balls
        },
    )


def reference_table(inputs: Inputs, references: References) -> Table | None:
    """Every pattern at its best depth less every reference ball, by golfer; None without references."""
    rows = []
    for row in inputs.decision.rows:
        for ball in references.balls:
            of = references.flights[row.golfer, ball.name]
            error = math.hypot(row.carry_se_m or 0.0, of.carry_se_m)
            rows.append(
                [
                    Cell(row.golfer),
                    Cell(f"{row.pattern}, {millimetres(row.best_depth_m)}"),
                    Cell(ball.name),
                    Cell(yards_cell(of.carry_m, of.carry_se_m)),
                    Cell(yards_cell(row.carry_m - of.carry_m, error)),
                    Cell(yards_cell(of.peak_height_m)),
                    Cell(yards_cell(row.peak_height_m - of.peak_height_m)),
                ]
            )
    columns = (
        "Golfer", "Computed ball", "Reference", "Carry of the reference ± standard error, yd (m)",
        "Carry less the reference's ± standard error, yd (m)", "Peak height of the reference, yd (m)",
        "Peak height less the reference's, yd (m)",
    )  # fmt: skip
    return Table("Differences to reference balls of the shelf", columns, rows, labels=3) if rows else None


def facts_of(references: References) -> list[tuple[str, str]]:
    """What each reference ball is, in words."""
    found = []
    for ball in references.balls:
        parts = [f"{ball.kind}: {ball.place}" if ball.place else ball.kind]
        parts += [f"pattern {ball.pattern}"] if ball.pattern else []
        parts += [] if math.isnan(ball.depth_m) else [f"depth {millimetres(ball.depth_m)}"]
        parts += [text for text in (ball.geometry, ball.conditions, ball.date, ball.note) if text]
        low, high = ball.table.reynolds[[0, -1]]
        parts.append(f"Re {number(low / 1e3, 0)} to {number(high / 1e3, 0)} thousand")
        found.append((ball.name, ", ".join(parts)))
    return found
