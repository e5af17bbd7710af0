"""The flight station: flights.csv of a study, paired shots and draws."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.model import CoefficientModel
from pipeline.aero.process import SHARED_BETWEEN_PATTERNS
from pipeline.aero.stated_error import StatedError
from pipeline.decide.flights.conditions import conditions_of, scenarios_of
from pipeline.decide.flights.models import models_of
from pipeline.decide.flights.population import Scenario, carry_per_diameter, fly_pattern
from pipeline.decide.flights.station import COLUMNS, flights_table, fly_golfer, stated_errors, write_flights
from pipeline.flight.air import Air
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.flow.solver.fidelity import fidelity
from pipeline.study.model import Study

SHOTS = Launches([70.0, 74.0], [0.19, 0.21], [260.0, 280.0])
STILL = Conditions(0.0427, 0.0459, Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0))


def fly_study(of: Study, runs: pd.DataFrame) -> pd.DataFrame:
    """Rows of flights.csv of all golfers."""
    models = models_of(of, runs).models
    return flights_table(of, {golfer.name: fly_golfer(of, golfer, models) for golfer in of.golfers})


def model(pattern="a", slope=0.0, se=0.001):
    """Model of runs at two depths, whose drag differs by `slope` times their difference."""
    runs = coefficients((pattern,)).assign(cd_se=se, cl_se=2 * se)
    runs["cd"] += (slope - 100) * (runs["depth_m"] - 0.25e-3)
    return CoefficientModel(pattern, runs)


def study(golfers=("long hitter", "short hitter"), patterns=("oct300", "ico332"), **air) -> Study:
    launches = {"long hitter": 74.0, "short hitter": 58.0}
    return Study.model_validate(
        {
            "name": "invented",
            "ball": {"diameter_m": 0.0427, "mass_kg": 0.0459},
            "patterns": [
                {
                    "name": name,
                    "layout": {"symmetry": "icosahedral", "count": 332},
                    "cavity": {"chord_diameter_m": 0.0036},
                    "depths_m": [0.2e-3, 0.3e-3],
                }
                for name in patterns
            ],
            "flow": {
                "fidelity": "transient-rans", "boundary_layer": "turbulent",
                "level": "coarse",
                "reynolds": [9e4, 1.8e5],
                "spin_ratios": [0.08, 0.2],
            },
            "golfers": [
                {
                    "name": name,
                    "launch": {
                        "ball_speed_m_s": launches[name],
                        "launch_angle_rad": 0.2,
                        "backspin_rad_s": 270.0,
                    },
                    "spread": {"ball_speed_m_s": 1.0, "axis_tilt_rad": 0.03},
                }
                for name in golfers
            ],
            "air": air,
        },
        by_name=True,
    )  # fmt: skip


def coefficients(patterns=("oct300", "ico332"), depths=(0.2e-3, 0.3e-3), verdict="settled"):
    rows = [
        {
            "pattern": pattern, "depth_m": depth, "reynolds": re, "spin_ratio": s,
            "cd": 0.25 + 100 * depth, "cl": 0.1 + 0.6 * s, "cm": -0.01 * s,
            "cd_se": 0.001, "cl_se": 0.002, "cm_se": 1e-5,
            "verdict": verdict, "run": f"runs/{pattern}/{depth}/{re}/{s}",
        }
        for pattern in patterns for depth in depths for re in (9e4, 1.8e5) for s in (0.08, 0.2)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_the_same_ball_at_two_depths_flies_the_same():
    flown = fly_pattern(model(), SHOTS, STILL, draws=200)
    assert flown.depth_m == pytest.approx(np.linspace(0.2e-3, 0.3e-3, 13))
    assert np.flatnonzero(flown.studied).tolist() == [0, 12]
    assert np.ptp(flown.mean.carry_m[flown.studied]) < 1e-3  # the shots are paired
    one, other = flown.carry_draws_m[[0, -1]]
    # What is not known between the Reynolds numbers and spin ratios studied is the same for both depths, the
    # errors of two runs are not: the difference of depths is known better than either, but not exactly.
    assert 0.01 * one.std() < (one - other).std() < 0.5 * one.std()


def test_draws_are_those_of_the_model_flown_one_by_one():
    of = model(slope=60.0)
    flown = fly_pattern(of, SHOTS, STILL, draws=30, seed=5)
    tables = of.draws(flown.depth_m, 30, 5)
    for depth, draw in ((0, 0), (0, 29), (1, 7), (2, 18)):
        alone = fly(tables, depth * 30 + draw, SHOTS, STILL)
        # Draws are on fewer nodes than the most probable table; only what they differ by from that one on the
        # same nodes is added to its flight.
        middle = fly(of.most_probable(flown.depth_m, coarse=True), depth, SHOTS, STILL)
        for name in ("carry_m", "peak_height_m"):
            off = getattr(alone, name).mean() - getattr(middle, name).mean()
            expected = getattr(flown.mean, name)[depth] + off
            assert getattr(flown.draws, name)[depth, draw] == pytest.approx(expected, rel=1e-12)
    spread = flown.carry_draws_m.std(axis=1)
    assert flown.carry_draws_m.mean(axis=1) == pytest.approx(flown.mean.carry_m, abs=spread.max())


def test_patterns_share_most_of_what_no_run_tells():
    # Two numbers of one variance, a share p of which they have in common, differ by sqrt(2 (1 - p)) of their
    # standard deviation; the errors of the runs, which nothing shares, add a little.
    depths = np.linspace(0.2e-3, 0.3e-3, 9)
    one, other = (
        fly_pattern(CoefficientModel(name, coefficients((name,), depths)), SHOTS, STILL).carry_draws_m[4]
        for name in "ab"
    )
    least = np.sqrt(2 * (1 - SHARED_BETWEEN_PATTERNS))
    assert 0.9 * least < (one - other).std() / one.std() < 1.4 * least
    again = fly_pattern(CoefficientModel("a", coefficients(("a",), depths)), SHOTS, STILL).carry_draws_m[4]
    assert np.array_equal(one, again)


def test_a_stated_mesh_error_widens_what_it_does_not_share():
    plain = fly_pattern(model(), SHOTS, STILL, draws=200)
    shared = fly_pattern(model(), SHOTS, STILL, draws=200, stated=[StatedError(0.05, 0.0, shared=1.0)])
    split = fly_pattern(model(), SHOTS, STILL, draws=200, stated=[StatedError(0.05, 0.0, shared=0.5)])
    level = [flown.carry_draws_m[0].std() for flown in (plain, shared, split)]
    between = [(flown.carry_draws_m[0] - flown.carry_draws_m[-1]).std() for flown in (plain, shared, split)]
    assert level[1] > 1.2 * level[0] and level[2] > 1.2 * level[0]
    assert between[2] > 2 * between[1]


def test_a_model_error_widens_the_carry_and_not_its_differences():
    plain = fly_pattern(model(), SHOTS, STILL, draws=200)
    error = StatedError(cd_relative=0.1, cl_relative=0.05, shared=1.0)
    moved = fly_pattern(model(), SHOTS, STILL, draws=200, stated=[error])
    level = [flown.carry_draws_m[0].std() for flown in (plain, moved)]
    between = [(flown.carry_draws_m[0] - flown.carry_draws_m[-1]).std() for flown in (plain, moved)]
    # A tenth of Cd is 0.027: by the linear fall of the carry with drag, from two models of different drag.
    worse = fly_pattern(CoefficientModel("a", more_drag(0.027)), SHOTS, STILL, draws=2).mean.carry_m[0]
    per_tenth = plain.mean.carry_m[0] - worse
    assert level[1] > 0.8 * per_tenth > 2 * level[0]
    assert between[1] < 1.5 * between[0]


def test_the_slope_error_of_the_mesh_level_is_in_every_study_and_a_stated_one_replaces_it():
    given = study().model_dump(by_alias=False)
    flow = study().flow
    assert stated_errors(study())[0].cd_slope == fidelity(flow.fidelity).slope_error[flow.level][0]
    given["flow"]["mesh_error"] = {"cd": 0.01, "cd_slope": 0.05}
    stated = stated_errors(Study.model_validate(given, by_name=True))[0]
    assert (stated.cd, stated.cd_slope) == (0.01, 0.05)
    assert stated.cl_slope == fidelity(flow.fidelity).slope_error[flow.level][1]


def more_drag(cd):
    runs = coefficients(("a",)).assign(cd_se=0.001, cl_se=0.002)
    runs["cd"] += cd - 100 * (runs["depth_m"] - 0.25e-3)
    return runs


def test_scenarios_are_weighted_means():
    of = model()
    windy = replace(STILL, wind_speed_m_s=5.0)
    alone = [fly_pattern(of, SHOTS, where, draws=20) for where in (STILL, windy)]
    both = fly_pattern(of, SHOTS, [Scenario("calm", 3.0, STILL), Scenario("wind", 1.0, windy)], draws=20)
    for name in ("carry_m", "peak_height_m"):
        calm, wind = (getattr(flown.mean, name) for flown in alone)
        assert getattr(both.mean, name) == pytest.approx(0.75 * calm + 0.25 * wind)
        calm, wind = (getattr(flown.draws, name) for flown in alone)
        assert getattr(both.draws, name) == pytest.approx(0.75 * calm + 0.25 * wind)
    assert both.by_scenario["wind"].carry_m == pytest.approx(alone[1].mean.carry_m)


def test_scenarios_of_a_study():
    given = study().to_json() | {
        "scenarios": [
            {"name": "hot", "weight": 2.0, "air": {"temperature_k": 308.15, "pressure_pa": 101325.0}},
            {
                "name": "wind",
                "air": {
                    "temperature_k": 293.15,
                    "pressure_pa": 101325.0,
                    "wind": {"speed_m_s": 6.0, "profile": "logarithmic", "roughness_m": 0.05},
                },
            },
        ]
    }
    hot, wind = scenarios_of(Study.model_validate(given, by_name=True))
    assert (hot.name, hot.weight, wind.weight) == ("hot", 2.0, 1.0)
    assert hot.conditions.air.density_kg_m3 < wind.conditions.air.density_kg_m3
    assert wind.conditions.wind_profile.share(2.0) == pytest.approx(np.log1p(40) / np.log1p(200))
    (plain,) = scenarios_of(study())
    assert plain.conditions == conditions_of(study()) and plain.weight == 1.0


def test_carry_falls_with_the_diameter():
    # A fixed drag coefficient and no lift: the air acts through area over mass alone, so that a ball
    # larger by 1 % flies as one lighter by 2 % does [first order in the closed form of the equation of
    # motion].
    runs = coefficients(("a",)).assign(cd=0.25, cl=0.0, cm=0.0, cd_se=1e-6, cl_se=1e-6, cm_se=1e-8)
    of = CoefficientModel("a", runs)
    shot = Launches(50.0, 0.4, 200.0)
    by_diameter = carry_per_diameter(of, 0.25e-3, shot, STILL) * 0.01 * STILL.ball_diameter_m
    carry = [
        fly_pattern(of, shot, replace(STILL, ball_mass_kg=mass * 0.0459), draws=2).mean.carry_m[1]
        for mass in (0.99, 1.01)
    ]
    assert by_diameter < 0
    # 1.01^2 / 0.99^2 against 1.01 / 0.99: the two changes differ by a percent or two of themselves.
    assert by_diameter == pytest.approx(carry[0] - carry[1], rel=0.03)


def test_flights_of_a_study():
    frame = fly_study(study(), coefficients(("ico332", "oct300")))
    assert tuple(frame.columns) == COLUMNS
    keys = list(frame[["pattern", "depth_m", "golfer"]].itertuples(index=False, name=None))
    assert keys == [
        (pattern, depth, golfer)
        for pattern in ("oct300", "ico332")  # the study's order, not that of the runs
        for depth in (0.2e-3, 0.3e-3)
        for golfer in ("long hitter", "short hitter")
    ]
    by = frame.set_index(["pattern", "depth_m", "golfer"])
    deep, shallow = by.loc["ico332", 0.3e-3, "long hitter"], by.loc["ico332", 0.2e-3, "long hitter"]
    assert deep["carry_m"] < shallow["carry_m"]  # more drag, same lift
    assert by.loc["ico332", 0.2e-3, "short hitter"]["carry_m"] < shallow["carry_m"]
    assert (frame["total_m"] > frame["carry_m"]).all() and (frame["carry_se_m"] > 0).all()
    assert frame["extrapolated"].between(0, 1).all()
    assert shallow["ball_speed_m_s"] == 74.0
    assert shallow["backspin_rpm"] == pytest.approx(270 * 60 / (2 * np.pi))
    assert shallow["launch_angle_deg"] == pytest.approx(np.degrees(0.2)) and shallow["axis_tilt_deg"] == 0.0
    pd.testing.assert_frame_equal(fly_study(study(), coefficients()), frame)


def test_the_launch_of_a_measured_golfer_is_the_mean_of_his_file(tmp_path):
    """A false launch beside the file moves neither the carry nor the columns."""
    path = tmp_path / "launches.csv"
    rows = [f"{speed},11,2600" for speed in (70, 72, 74, 76, 78)]
    path.write_text("\n".join(["ball_speed_m_s,launch_angle_deg,backspin_rpm", *rows]) + "\n")
    given = study(golfers=("long hitter",), patterns=("ico332",)).to_json()
    frames = []
    for false in (None, {"ball_speed_m_s": 45.0, "launch_angle_rad": 0.3, "backspin_rad_s": 100.0}):
        given["golfers"] = [{"name": "measured", "measured": {"file": str(path)}, "launch": false}]
        of = Study.model_validate(given, by_name=True)
        assert len(of.warnings()) == (false is not None)
        frames.append(fly_study(of, coefficients(("ico332",))))
    assert frames[0]["ball_speed_m_s"].tolist() == pytest.approx([74.0, 74.0])
    assert frames[0]["launch_angle_deg"].tolist() == pytest.approx([11.0, 11.0])
    assert frames[0]["backspin_rpm"].tolist() == pytest.approx([2600.0, 2600.0])
    pd.testing.assert_frame_equal(*frames)


def test_all_runs_failed_gives_an_empty_table(tmp_path):
    frame = fly_study(study(), coefficients(verdict="diverged"))
    assert len(frame) == 0 and tuple(frame.columns) == COLUMNS
    write_flights(frame, tmp_path / "flights.csv")
    assert (tmp_path / "flights.csv").read_text() == ",".join(COLUMNS) + "\n"


def test_flights_csv_round_trip(tmp_path):
    frame = fly_study(study(("long hitter",), ("ico332",)), coefficients(("ico332",)))
    write_flights(frame, tmp_path / "flights.csv")
    pd.testing.assert_frame_equal(
        pd.read_csv(tmp_path / "flights.csv"), frame, check_exact=True, check_dtype=False
    )


def test_air_and_wind_of_the_study():
    found = conditions_of(
        study(
            temperature_k=293.15, pressure_pa=101325.0, humidity=0.5, wind={"speed_m_s": 4.0, "from_rad": 1.0}
        )
    )
    # CIPM-2007, Picard et al. 2008 [computed].
    assert found.air.density_kg_m3 == pytest.approx(1.19931, abs=6e-6)
    assert (found.wind_speed_m_s, found.wind_from_rad) == (4.0, 1.0)
    high = conditions_of(study(altitude_m=2000.0, humidity=0.0)).air
    # US Standard Atmosphere 1976, 2000 m [computed with `fluids`]; real against ideal gas: below 1e-3.
    assert high.pressure_pa == pytest.approx(79501.4, abs=0.06)
    assert high.density_kg_m3 == pytest.approx(1.00655, rel=1e-3)
