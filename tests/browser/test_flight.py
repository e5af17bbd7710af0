"""Flights in the page are those of `pipeline.flight`, and of the command that the page names."""

import json
import math
import re
import shlex

import numpy as np
import pytest
from browser_page import see
from playwright.sync_api import Page
from report_studies import Results
from typer.testing import CliRunner

from pipeline.aero.collect import read_coefficients
from pipeline.aero.table import TableBatch
from pipeline.cli.app import app
from pipeline.decide.flights.models import models_of
from pipeline.flight.air import air_from
from pipeline.flight.single import fly_each
from pipeline.flight.trajectory import Conditions, Launches
from pipeline.flight.wind import WindProfile
from pipeline.report.page_data import flown_depths

pytestmark = pytest.mark.browser

SAME = 1e-3
"""Difference that is allowed, as a share (issue: within 0.1 %); of lengths from 0 on, in metres."""

PROFILES = ("uniform", "logarithmic", "power")


def page_flights(tab: Page, shots: list[dict]) -> list[dict | None]:
    return tab.evaluate(
        "shots => shots.map(s => window.page.Page.flyAt(s.pattern, s.place, s.launch, s.air, s.wind))", shots
    )


def test_random_shots_fly_as_ours_do(tab: Page, reported: Results) -> None:
    """Every number of 120 shots: any depth, launch, weather and wind profile, with both patterns' tables."""
    study, folder = reported
    models = models_of(study, read_coefficients(folder / "coefficients.csv")).models
    rng = np.random.default_rng(3)
    tables = {name: model.tables(flown_depths(model.depth_m)) for name, model in models.items()}
    shots, ours = [], []
    for number in range(120):
        name = ("ico32", "oct14")[number % 2]
        place = int(rng.integers(len(tables[name])))
        launch = {
            "speed": rng.uniform(20, 90), "angle": np.radians(rng.uniform(2, 40)),
            "spin": rng.uniform(100, 1000), "tilt": np.radians(rng.uniform(-40, 40)),
        }  # fmt: skip
        high = number % 3 == 0
        air = {
            "temperature": None if high and number % 2 else rng.uniform(250, 320),
            "pressure": None if high else rng.uniform(6e4, 1.05e5),
            "altitude": rng.uniform(-400, 3000) if high else None,
            "humidity": rng.uniform(0, 1),
        }
        wind = {
            "speed": float(rng.uniform(0, 12)) * (number % 4 > 0), "from": rng.uniform(-3, 6),
            "profile": PROFILES[number % 3], "height_m": 8.0, "roughness_m": 0.02, "exponent": 0.2,
        }  # fmt: skip
        shots.append({"pattern": name, "place": place, "launch": launch, "air": air, "wind": wind})
        state = air_from(air["temperature"], air["pressure"], air["humidity"], air["altitude"])
        profile = WindProfile(wind["profile"], wind["height_m"], wind["roughness_m"], wind["exponent"])
        ball = study.ball
        conditions = Conditions(
            ball.diameter_m, ball.mass_kg, state, wind["speed"], wind["from"], wind_profile=profile
        )
        ours.append(fly_each(tables[name][place], Launches(*launch.values()), conditions)[0])
    for shot, own, theirs in zip(shots, ours, page_flights(tab, shots), strict=True):
        for key, value in own.items():
            near = pytest.approx(value, rel=SAME, abs=0.01 if key.endswith("_m") else 0.005)
            assert theirs[key] == near, (key, shot)


def test_a_ball_that_is_struck_into_the_ground(tab: Page, reported: Results) -> None:
    study, folder = reported
    air = {"temperature": 293.15, "pressure": 101325.0, "altitude": None, "humidity": 0.5}
    down = {"speed": 60.0, "angle": -0.1, "spin": 200.0, "tilt": 0.0}
    (flown,) = page_flights(
        tab, [{"pattern": "ico32", "place": 0, "launch": down, "air": air, "wind": {"speed": 0}}]
    )
    assert (flown["carry_m"], flown["time_s"], flown["peak_height_m"]) == (0.0, 0.0, 0.0)
    model = models_of(study, read_coefficients(folder / "coefficients.csv")).models["ico32"]
    conditions = Conditions(study.ball.diameter_m, study.ball.mass_kg, air_from(293.15, 101325.0, 0.5))
    own = fly_each(model.tables(model.depth_m)[0], Launches(*down.values()), conditions)[0]
    assert flown == pytest.approx(own)


def set_slider(tab: Page, name: str, value: float) -> None:
    tab.locator(f"#{name}").fill(str(value))


def shown(tab: Page) -> dict[str, float]:
    rows = tab.locator("#shot-numbers tbody tr").all()
    return {
        row.locator("th").inner_text(): float(row.locator("td").first.inner_text().split()[0]) for row in rows
    }


def test_the_shot_shown_is_that_of_the_command_named(tab: Page, reported: Results) -> None:
    """The command under the table, run as it stands, gives what the table shows."""
    tab.locator("#shot-golfer").select_option("1")
    tab.locator("#shot-pattern").select_option("oct14")
    for name, value in (("depth", 5), ("speed", 150.5), ("angle", 13.2), ("spin", 3010), ("tilt", -7),
                        ("wind", 11), ("from", 40), ("altitude", 1200)):  # fmt: skip
        set_slider(tab, f"shot-{name}", value)
    words = shlex.split(tab.locator("#shot-command").inner_text())
    assert words[:2] == ["depthline", "fly"]
    words[2] = str(reported.folder / "tables.csv")
    result = CliRunner().invoke(app, [*words[1:], "--json"])
    assert result.exit_code == 0, result.output
    flown = json.loads(result.stdout)
    flown = flown.get("flights", [flown])[0]
    numbers = shown(tab)
    for label, key, unit in (("carry", "carry_m", 0.9144), ("peak height", "peak_height_m", 0.9144),
                             ("side (right +)", "side_m", 0.9144), ("descent angle", "descent_deg", 1.0),
                             ("flight time", "time_s", 1.0), ("spin at landing", "final_spin_rpm", 1.0),
    ):  # fmt: skip
        assert numbers[label] == pytest.approx(flown[key] / unit, rel=SAME, abs=0.06), label


def test_sliders_move_the_ball(tab: Page) -> None:
    before = shown(tab)
    see(tab, "side")
    path = tab.evaluate("document.getElementById('chart-side').data.at(-1).x.at(-1)")
    assert path == pytest.approx(before["carry"], abs=0.06)
    set_slider(tab, "shot-speed", 140)
    assert shown(tab)["carry"] < before["carry"] - 20
    tab.wait_for_function(
        "was => document.getElementById('chart-side').data.at(-1).x.at(-1) < was - 20", arg=path
    )
    tab.locator("#shot-keep").click()
    set_slider(tab, "shot-altitude", 2000)
    row = tab.locator("#shot-numbers tbody tr").first.locator("td")
    now, kept, difference = (
        float(re.match(r"\+?([-\d.]+)", row.nth(n).inner_text()).group(1)) for n in range(3)
    )
    assert now - kept == pytest.approx(difference, abs=0.11)
    assert difference > 0  # thin air: less drag on these shots
    tab.locator("#shot-reset").click()
    assert shown(tab) == before


def test_tables_in_the_page_are_those_of_the_study(tab: Page, reported: Results) -> None:
    """Cd, Cl and Cm in single precision, at the depths studied those of tables.csv."""
    study, folder = reported
    model = models_of(study, read_coefficients(folder / "coefficients.csv")).models["ico32"]
    batch = TableBatch.of(model.tables(model.depth_m))
    given = tab.evaluate(
        """() => { const of = window.page.Page.pattern("ico32");
        return {studied: of.studied, values: Array.from(window.page.Page.unpacked(of.tables.values))}; }"""
    )
    values = np.array(given["values"]).reshape(len(given["studied"]), *batch.values.shape[1:])
    assert values[np.array(given["studied"])] == pytest.approx(batch.values, rel=1e-6, abs=1e-9)
    assert math.isclose(sum(given["studied"]), model.depth_m.size)
