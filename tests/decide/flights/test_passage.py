"""Where in Reynolds number and spin ratio flights spend their time, against mechanics; what `auto` covers."""

import numpy as np
import pytest

from pipeline.aero.published import published_tables
from pipeline.aero.table import CoefficientTable
from pipeline.decide.flights.passage import outside_warnings, passage, passages, pooled, with_conditions
from pipeline.errors import InputError
from pipeline.flight.air import standard_atmosphere
from pipeline.flight.trajectory import Conditions, Launches
from pipeline.flight.wind import WindProfile
from pipeline.study.model import Study

DIAMETER_M, G_M_S2 = 0.0427, 9.80665
AIR = standard_atmosphere(0.0)
VISCOSITY_M2_S = AIR.kinematic_viscosity_m2_s
SPEED_M_S, ANGLE_RAD, SPIN_RAD_S = 50.0, np.radians(30.0), 250.0
NO_FORCE = CoefficientTable(
    np.array([1e4, 1e6]), np.array([0.0, 2.0]), np.zeros((2, 2)), np.zeros((2, 2)), np.zeros((2, 2))
)


def conditions(
    wind_m_s: float = 0.0, from_rad: float = 0.0, profile: WindProfile | None = None
) -> Conditions:
    return Conditions(DIAMETER_M, 0.0459, AIR, wind_m_s, from_rad, wind_profile=profile or WindProfile())


def study(**changes) -> Study:
    given = {
        "name": "invented",
        "ball": {"diameter_m": DIAMETER_M, "mass_kg": 0.0459},
        "patterns": [
            {
                "name": "a",
                "layout": {"symmetry": "icosahedral", "count": 32},
                "cavity": {"chord_diameter_m": 3.58e-3},
                "depths_m": [0.2e-3],
            }
        ],
        "flow": {"fidelity": "steady-rans", "level": "coarse"},
        "golfers": [golfer("fast", 75.0, 11.0, 2600.0)],
    }
    return Study.model_validate(given | changes, by_name=True)


def golfer(name: str, speed: float, angle_deg: float, spin_rpm: float, spread: bool = True) -> dict:
    found = {
        "name": name,
        "launch": {
            "ball_speed_m_s": speed,
            "launch_angle_rad": np.radians(angle_deg),
            "backspin_rad_s": spin_rpm * np.pi / 30.0,
        },
    }
    if spread:
        found["spread"] = {
            "ball_speed_m_s": 0.02 * speed, "launch_angle_rad": 0.02, "backspin_rad_s": 0.08 * spin_rpm / 9.55
        }  # fmt: skip
    return found


@pytest.mark.parametrize(("wind", "from_deg"), [(0.0, 0.0), (6.0, 0.0), (6.0, 180.0), (6.0, 90.0)])
def test_a_ball_without_forces_spends_its_time_as_mechanics_says(wind, from_deg):
    """Speed through the air of a parabola [closed form], wind from ahead, behind and the right."""
    shot = Launches(SPEED_M_S, ANGLE_RAD, SPIN_RAD_S)
    found = passage(NO_FORCE, shot, conditions(wind, np.radians(from_deg)))
    time = np.linspace(0.0, 2.0 * SPEED_M_S * np.sin(ANGLE_RAD) / G_M_S2, 20001)
    ahead = SPEED_M_S * np.cos(ANGLE_RAD) + wind * np.cos(np.radians(from_deg))
    aside = wind * np.sin(np.radians(from_deg))
    speed = np.sqrt(ahead**2 + aside**2 + (SPEED_M_S * np.sin(ANGLE_RAD) - G_M_S2 * time) ** 2)
    reynolds, spin_ratio = speed * DIAMETER_M / VISCOSITY_M2_S, SPIN_RAD_S * DIAMETER_M / (2.0 * speed)
    for share in (0.05, 0.3, 0.5, 0.9):
        assert found.quantile("reynolds", share) == pytest.approx(np.quantile(reynolds, share), rel=0.005)
        assert found.quantile("spin_ratio", share) == pytest.approx(np.quantile(spin_ratio, share), rel=0.005)
    edges = np.quantile(reynolds, [0.1, 0.45, 0.8])
    # points are 0.05 s apart, 1 % of the time: each of up to four crossings of a bin's edges is off by half
    assert found.shares("reynolds", edges) == pytest.approx([0.1, 0.35, 0.35, 0.2], abs=0.02)
    sides = found.beyond([edges[0], edges[2]], [0.0, 2.0])
    assert sides.outside == pytest.approx(0.3, abs=0.02)
    assert sides.outside == pytest.approx(sides.reynolds_below + sides.reynolds_above)


def test_wind_that_grows_with_the_height_is_met_at_the_ball_s_height():
    """A power law of 1 over 10 m: at the top of a parabola of 31.9 m a headwind of 2 m/s is 6.4 m/s."""
    profile = WindProfile("power", 10.0, 0.03, 1.0)
    found = passage(NO_FORCE, Launches(SPEED_M_S, ANGLE_RAD, SPIN_RAD_S), conditions(2.0, 0.0, profile))
    top_m = (SPEED_M_S * np.sin(ANGLE_RAD)) ** 2 / (2.0 * G_M_S2)
    slowest = SPEED_M_S * np.cos(ANGLE_RAD) + 2.0 * top_m / 10.0
    assert found.reynolds.min() == pytest.approx(slowest * DIAMETER_M / VISCOSITY_M2_S, rel=0.002)


def test_a_ball_struck_into_the_ground_counts_with_its_launch():
    found = passage(NO_FORCE, Launches(50.0, -0.1, 250.0), conditions())
    assert found.reynolds == pytest.approx([50.0 * DIAMETER_M / VISCOSITY_M2_S])
    assert found.time_share.tolist() == [1.0]


def test_pooled_passages_have_the_same_weight():
    slow, fast = (passage(NO_FORCE, Launches(speed, 0.3, 250.0), conditions()) for speed in (20.0, 60.0))
    both = pooled([slow, fast])
    assert both.time_share.sum() == pytest.approx(1.0)
    assert both.shares("reynolds", [8e4]) == pytest.approx([0.5, 0.5])


GOLFERS = {
    "one slow shot": [golfer("slow", 40.0, 18.0, 3500.0, spread=False)],
    "fast and slow": [golfer("fast", 82.0, 10.0, 2300.0), golfer("slow", 45.0, 16.0, 3600.0)],
    "wedge": [golfer("wedge", 40.0, 28.0, 9500.0)],
    "no spin": [golfer("knuckle", 60.0, 15.0, 0.0, spread=False)],
}
WEATHER = [
    {"name": "still", "air": {"temperature_k": 303.15}},
    {"name": "cold headwind", "air": {"temperature_k": 275.15, "wind": {"speed_m_s": 8.0}}},
]


@pytest.mark.parametrize("golfers", GOLFERS.values(), ids=GOLFERS)
@pytest.mark.parametrize("scenarios", [[], WEATHER], ids=["air", "scenarios"])
def test_auto_holds_95_percent_of_every_golfer_s_flights(golfers, scenarios):
    asked = study(golfers=golfers, scenarios=scenarios)
    resolved = with_conditions(asked)
    reynolds, spin_ratios = resolved.flow.reynolds, resolved.flow.spin_ratios
    found = passages(resolved, published_tables())
    assert len(found) == len(golfers) * max(len(scenarios), 1) * 2
    # shots that took no part in the choice would spend as much: the share holds with room to spare
    assert max(of.beyond(reynolds, spin_ratios).outside for of in found) < 0.05
    assert outside_warnings(resolved, found) == []
    for nodes in (reynolds, spin_ratios):
        assert nodes == sorted(set(nodes)) and 3 <= len(nodes) <= 12
        assert all(float(f"{node:.1e}") == node for node in nodes)  # two significant digits
    assert np.diff(np.log(reynolds)).max() < 0.48 and np.diff(spin_ratios).max() < 0.12
    assert with_conditions(asked) == resolved  # the same every time
    assert with_conditions(resolved) is resolved


def test_auto_leaves_what_is_given():
    flow = {"fidelity": "steady-rans", "level": "coarse", "reynolds": [9e4, 1.8e5]}
    resolved = with_conditions(study(flow=flow))
    assert resolved.flow.reynolds == [9e4, 1.8e5] and len(resolved.flow.spin_ratios) >= 3
    assert not study(flow=flow).flow.resolved and resolved.flow.resolved


def test_a_matrix_that_leaves_flights_outside_is_warned_of():
    flow = {
        "fidelity": "steady-rans",
        "level": "coarse",
        "reynolds": [1.2e5, 2.2e5],
        "spin_ratios": [0.0, 1.0],
    }
    of = study(flow=flow, golfers=[golfer("fast", 75.0, 11.0, 2600.0), golfer("bullet", 110.0, -3.0, 2600.0)])
    lines = outside_warnings(of, passages(of, published_tables()))
    assert len(lines) == 3  # one of them, both of them below or above, and what would do
    assert lines[0].startswith("flow: the flights of fast spend ") and "% below Re 120000" in lines[0]
    assert lines[1].startswith("flow: the flights of bullet spend 100 % of") and "above Re 220000" in lines[1]
    assert "reynolds: [" in lines[2] and "spin_ratios: [" in lines[2]


def test_a_ball_that_does_not_land_is_named():
    afloat = Conditions(DIAMETER_M, 0.0459, AIR, gravity_m_s2=1e-3)  # up for 50,000 s
    with pytest.raises(InputError, match="invented: no ball lands within a minute"):
        passage(NO_FORCE, Launches(50.0, 0.5, 0.0), afloat, ("invented", "", "feather"))
