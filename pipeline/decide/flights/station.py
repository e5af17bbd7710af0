"""Flights of one golfer with every pattern and depth, and the rows of flights.csv."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.aero.model import CoefficientModel
from pipeline.aero.stated_error import StatedError
from pipeline.decide.flights.conditions import SEED, scenarios_of
from pipeline.decide.flights.golfer import as_flown, draw_shots
from pipeline.decide.flights.population import SHOTS, PatternFlights, fly_pattern
from pipeline.files.atomic import write_text
from pipeline.files.clean_numbers import clean_csv
from pipeline.flow.solver.fidelity import fidelity
from pipeline.study.model import FlowSettings, Golfer, MeshErrorSpec, Study

COLUMNS = (
    "pattern",
    "depth_m",
    "golfer",
    "carry_m",
    "carry_se_m",
    "peak_height_m",
    "descent_deg",
    "time_s",
    "total_m",
    "side_m",
    "extrapolated",
    "ball_speed_m_s",
    "launch_angle_deg",
    "backspin_rpm",
    "axis_tilt_deg",
    "carry_runs_m",
    "peak_height_runs_m",
    "crisis_m",
)
"""Columns of flights.csv, in their order; columns are only ever added."""


def stated_errors(study: Study, models: Sequence[CoefficientModel] = ()) -> tuple[StatedError, ...]:
    """Errors beyond those of the runs: of the mesh and of the flow model.

    That of the model is the same for all depths and patterns: it widens every carry and not the best depth.
    That of the mesh has a level, as the study states it, and a slope with depth, as the study states it or
    as it was measured for the mesh level (`Fidelity.slope_error`): it widens the best depth.
    Coefficients of models that measured balls have corrected have the errors of the correction, that of its
    slope with depth included, in the place of the flow model's and of those measured for the mesh level.
    """
    found = [StatedError(**mesh_error(study.flow, models).model_dump())]
    model = fidelity(study.flow.fidelity).model_error.get(study.flow.boundary_layer)
    if model is not None and not any(of.corrected for of in models):
        found.append(StatedError(shared=1.0, cd_relative=model[0], cl_relative=model[1]))
    return tuple(found)


def mesh_error(flow: FlowSettings, models: Sequence[CoefficientModel] = ()) -> MeshErrorSpec:
    """Error of the mesh: as the study states it, its slopes else as measured for the mesh level.

    Slopes of models that finer runs have corrected have that of the finer level, and the uncertainty of the
    difference in their draws; those that measured balls have corrected have none of either.
    """
    stated = flow.mesh_error or MeshErrorSpec()
    measured = {} if any(of.corrected for of in models) else fidelity(flow.fidelity).slope_error
    cd_slope, cl_slope = measured.get(mesh_level(flow, models), (0.0, 0.0))
    return stated.model_copy(
        update={
            "cd_slope": cd_slope if stated.cd_slope is None else stated.cd_slope,
            "cl_slope": cl_slope if stated.cl_slope is None else stated.cl_slope,
        }
    )


def mesh_level(flow: FlowSettings, models: Sequence[CoefficientModel] = ()) -> str:
    """Mesh level whose errors the models have: that of the finer runs where these have corrected them."""
    refined = flow.finer is not None and any(of.finer_mesh for of in models)
    return flow.finer.level if flow.finer is not None and refined else flow.level


def fly_golfer(
    study: Study, golfer: Golfer, models: dict[str, CoefficientModel]
) -> dict[str, PatternFlights]:
    """Fly one golfer's shots with every pattern.

    Parameters
    ----------
    study : Study
        Ball, air, order of the patterns.
    golfer : Golfer
        Whose shots.
    models : dict
        From `models_of`.

    Returns
    -------
    dict
        From the pattern's name to its flights, in the study's order; patterns without a model are left out.
        Draws of the same number are of the same coefficients for every golfer.
    """
    shots = draw_shots(golfer, SHOTS, SEED)
    scenarios = scenarios_of(study)
    return {
        pattern.name: fly_pattern(model, shots, scenarios, seed=SEED, stated=stated_errors(study, [model]))
        for pattern in study.patterns
        if (model := models.get(pattern.name)) is not None
    }


def flights_table(study: Study, flights: Mapping[str, Mapping[str, PatternFlights]]) -> pd.DataFrame:
    """Rows of flights.csv.

    Parameters
    ----------
    study : Study
        Golfers.
    flights : mapping
        By golfer and pattern.

    Returns
    -------
    DataFrame
        One row a pattern, depth and golfer, with the columns `COLUMNS`: means over the golfer's shots. The
        standard error of the carry is the scatter over draws of the coefficient model; the launch is the mean
        one. carry_runs_m and peak_height_runs_m are of plain interpolation of the runs' own grid (NaN where
        it has gaps), crisis_m is what the drag crisis takes of the carry, most probable. Without rows when no
        run is usable.
    """
    rows = []
    for number, golfer in enumerate(study.golfers):
        speed, angle, spin, tilt = as_flown(golfer).mean
        launch = {
            "golfer": golfer.name,
            "ball_speed_m_s": speed,
            "launch_angle_deg": np.degrees(angle),
            "backspin_rpm": spin * 30.0 / np.pi,
            "axis_tilt_deg": np.degrees(tilt),
        }
        for order, (pattern, flown) in enumerate(flights[golfer.name].items()):
            mean = flown.mean
            for d in np.flatnonzero(flown.studied):
                depth = flown.depth_m[d]
                row = {
                    "pattern": pattern,
                    "depth_m": depth,
                    "carry_m": mean.carry_m[d],
                    "carry_se_m": float(np.nanstd(flown.carry_draws_m[d], ddof=1)),
                    "peak_height_m": mean.peak_height_m[d],
                    "descent_deg": np.degrees(mean.descent_rad[d]),
                    "time_s": mean.time_s[d],
                    "total_m": mean.total_m[d],
                    "side_m": mean.side_m[d],
                    "extrapolated": mean.extrapolated[d],
                    "carry_runs_m": flown.plain.carry_m[d],
                    "peak_height_runs_m": flown.plain.peak_height_m[d],
                    "crisis_m": flown.plain.crisis_m[d],
                }
                rows.append(((order, d, number), row | launch))
    return pd.DataFrame([row for _, row in sorted(rows, key=lambda item: item[0])], columns=list(COLUMNS))


def write_flights(frame: pd.DataFrame, path: Path) -> None:
    """Write the frame of `flights_table` as CSV, atomically."""
    write_text(path, clean_csv(frame))
