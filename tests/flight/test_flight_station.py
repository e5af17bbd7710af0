"""The flight station: flights.csv of a study, paired shots and draws."""

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.table import CoefficientTable
from pipeline.flight.air import Air
from pipeline.flight.population import fly_pattern
from pipeline.flight.station import COLUMNS, conditions_of, fly_study, write_flights
from pipeline.flight.trajectory import Conditions, Launches
from pipeline.study import Study

SHOTS = Launches([70.0, 74.0], [0.19, 0.21], [260.0, 280.0])
STILL = Conditions(0.0427, 0.0459, Air(1.2, 1.5e-5, 293.15, 101325.0, 0.0))


def table(cd=0.26, se=0.001):
    shape = (2, 2)
    return CoefficientTable(
        [9e4, 1.8e5], [0.08, 0.2], np.full(shape, cd), np.tile([0.15, 0.22], (2, 1)),
        cd_se=np.full(shape, se), cl_se=np.full(shape, 2 * se),
    )  # fmt: skip


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
                "fidelity": "steady-rans",
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
    flown = fly_pattern({0.2e-3: table(), 0.3e-3: table()}, "a", SHOTS, STILL, draws=50)
    assert flown.depth_m.tolist() == [0.2e-3, 0.3e-3]
    assert np.ptp(flown.mean.carry_m) == 0.0  # the shots are paired
    one, other = flown.carry_draws_m
    assert not np.array_equal(one, other)  # the errors of two runs are not
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.5


def test_draws_of_a_depth_stay_when_depths_are_added():
    alone = fly_pattern({0.2e-3: table()}, "a", SHOTS, STILL, draws=20)
    among = fly_pattern({0.1e-3: table(), 0.2e-3: table(), 0.3e-3: table()}, "a", SHOTS, STILL, draws=20)
    assert np.array_equal(alone.carry_draws_m[0], among.carry_draws_m[1])
    other = fly_pattern({0.2e-3: table()}, "b", SHOTS, STILL, draws=20)
    assert not np.array_equal(alone.carry_draws_m, other.carry_draws_m)


def test_scatter_of_the_draws_by_propagation_of_errors():
    # First-order propagation: se^2 = sum over nodes and coefficients of (d carry / d node x se)^2, the
    # derivatives by differences of the mean flights.
    base = table(se=0.0005)
    variance = 0.0
    for name in ("cd", "cl"):
        for node in np.ndindex(2, 2):
            carry = []
            for sign in (1, -1):
                values = {"cd": base.cd.copy(), "cl": base.cl.copy()}
                values[name][node] += sign * 0.002
                moved = CoefficientTable(base.reynolds, base.spin_ratio, **values)
                carry.append(fly_pattern({0.2e-3: moved}, "a", SHOTS, STILL, draws=2).mean.carry_m[0])
            variance += ((carry[0] - carry[1]) / 0.004 * getattr(base, f"{name}_se")[node]) ** 2
    flown = fly_pattern({0.2e-3: base}, "a", SHOTS, STILL, draws=2000)
    # 2000 draws know a standard deviation to 1.6 %.
    assert flown.carry_draws_m[0].std(ddof=1) == pytest.approx(np.sqrt(variance), rel=0.06)
    assert flown.carry_draws_m[0].mean() == pytest.approx(
        flown.mean.carry_m[0], abs=4 * np.sqrt(variance / 2000)
    )


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
