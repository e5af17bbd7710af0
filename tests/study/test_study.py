"""The study model: defaults, warnings, JSON and its schema."""

import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.study.matrix import runs
from pipeline.study.model import (
    AirSpec,
    BallSpec,
    CavitySpec,
    FlightWindow,
    FlowSettings,
    Golfer,
    Launch,
    LayoutSpec,
    Pattern,
    Study,
)
from pipeline.study.schema import study_schema

CASES = Path(__file__).parents[2] / "cases"


def small_study(**changes):
    parts = {
        "name": "small",
        "ball": BallSpec(diameter_m=0.0427, mass_kg=0.0459),
        "patterns": [
            Pattern(
                name="p",
                layout=LayoutSpec(symmetry="none", count=300),
                cavity=CavitySpec(chord_diameter_m=0.0036),
                depths_m=[0.0002],
            )
        ],
        "flow": FlowSettings(fidelity="steady-rans", level="coarse", reynolds=[9e4], spin_ratios=[0.1]),
        "golfers": [
            Golfer(name="g", launch=Launch(ball_speed_m_s=70.0, launch_angle_rad=0.2, backspin_rad_s=270.0))
        ],
    }
    return Study(**{**parts, **changes})


def test_defaults_are_those_of_the_design():
    study = small_study()
    assert (study.flow.standard_error.cd, study.flow.standard_error.cl) == (0.001, 0.002)
    assert (study.flow.iterations, study.flow.ranks) == (1500, 1)
    assert study.golfers[0].spread.ball_speed_m_s == 0.0
    assert study.golfers[0].flight_window is None
    assert study.air.wind.speed_m_s == 0.0
    assert study.air.humidity == 0.5


def test_air_at_an_altitude_leaves_temperature_and_pressure_to_the_standard_atmosphere():
    air = AirSpec(altitude_m=1600.0)
    assert (air.temperature_k, air.pressure_pa, air.altitude_m) == (None, None, 1600.0)
    assert (AirSpec().temperature_k, AirSpec().pressure_pa) == (293.15, 101325.0)
    assert AirSpec(altitude_m=0.0, temperature_k=300.0).temperature_k == 300.0


# Equipment Rules of the governing bodies: mass <= 45.93 g, diameter >= 42.67 mm [source].
@pytest.mark.parametrize(
    ("diameter_m", "mass_kg", "words"),
    [
        (0.04267, 0.04593, []),
        (0.0427, 0.04594, ["ball.mass: 45.94 g is above the 45.93 g"]),
        (0.04266, 0.0459, ["ball.diameter: 42.66 mm is below the 42.67 mm"]),
        (0.0411, 0.050, ["ball.mass: 50.00 g", "ball.diameter: 41.10 mm"]),
    ],
)
def test_equipment_rules_warn_and_allow(diameter_m, mass_kg, words):
    warnings = small_study(ball=BallSpec(diameter_m=diameter_m, mass_kg=mass_kg)).warnings()
    assert len(warnings) == len(words)
    for warning, word in zip(warnings, words, strict=True):
        assert warning.startswith(word)
        assert "Equipment Rules" in warning


def test_sections_are_frozen():
    with pytest.raises(ValueError, match="frozen"):
        small_study().ball.mass_kg = 1.0


def in_range(low, high):
    return st.floats(low, high, allow_nan=False)


patterns = st.builds(
    lambda depths, angles, file: Pattern(
        name="p",
        layout=LayoutSpec(file=Path("/a/layout.csv"))
        if file
        else LayoutSpec(symmetry="octahedral", count=336),
        cavity=CavitySpec(chord_diameter_m=0.0035),
        depths_m=[d * 1e-6 for d in depths] if not angles else None,
        edge_angles_rad=[a * 1e-3 for a in angles] if angles else None,
    ),
    st.lists(st.integers(20, 1900), min_size=1, max_size=5, unique=True),
    st.lists(st.integers(20, 1000), max_size=5, unique=True),
    st.booleans(),
)
golfers = st.builds(
    lambda name, speed, angle, spin, tilt, window: Golfer(
        name=name,
        launch=Launch(ball_speed_m_s=speed, launch_angle_rad=angle, backspin_rad_s=spin, axis_tilt_rad=tilt),
        flight_window=FlightWindow(lowest_m=window, highest_m=window + 1.0) if window else None,
    ),
    st.text("abc de", min_size=1).filter(str.strip),
    in_range(5, 120),
    in_range(-0.17, 1.04),
    in_range(0, 1570),
    in_range(-1.57, 1.57),
    st.none() | in_range(1, 100),
)
airs = st.builds(
    lambda altitude, share: AirSpec(humidity=share, **({"altitude_m": altitude} if altitude else {})),
    st.none() | in_range(-400, 5000),
    in_range(0, 1),
)


@given(patterns, golfers, airs, in_range(0.01, 0.5), in_range(0.001, 1))
def test_json_round_trip_is_exact(tmp_path_factory, pattern, golfer, air, diameter, mass):
    ball = BallSpec(diameter_m=diameter, mass_kg=mass)
    study = small_study(patterns=[pattern], golfers=[golfer], air=air, ball=ball)
    path = tmp_path_factory.getbasetemp() / "study.json"
    path.write_text(json.dumps(study.to_json()), encoding="utf-8")
    assert Study.from_json(path) == study


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "cannot be read"), ("{", "is not a resolved study"), ("[" * 100000, "is not"), ("{}", "missing")],
)
def test_a_spoilt_study_json_gives_one_line(tmp_path, content, words):
    path = tmp_path / "study.json"
    if content is not None:
        path.write_text(content)
    with pytest.raises(InputError) as caught:
        Study.from_json(path)
    assert words in str(caught.value)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("case", ["demo", "overnight"])
def test_schema_accepts_the_cases(case):
    jsonschema.Draft202012Validator.check_schema(study_schema())
    content = yaml.safe_load((CASES / case / "study.yaml").read_text(encoding="utf-8"))
    # PyYAML reads 9e4 as text (YAML 1.1); editors read YAML 1.2
    if content["flow"]["reynolds"] != "auto":
        content["flow"]["reynolds"] = [float(value) for value in content["flow"]["reynolds"]]
    jsonschema.Draft202012Validator(study_schema()).validate(content)


def demo_with(change):
    content = yaml.safe_load((CASES / "demo" / "study.yaml").read_text(encoding="utf-8"))
    content["flow"]["reynolds"] = [9e4]
    change(content)
    return content


@pytest.mark.parametrize(
    "change",
    [
        lambda study: study.update(patern=1),
        lambda study: study["ball"].update(diametre="42.70 mm"),
        lambda study: study["ball"].update(diameter="42.70"),
        lambda study: study["ball"].update(diameter=42.70),
        lambda study: study["ball"].update(diameter="42.70 kg"),
        lambda study: study["patterns"][0].update(name="../p"),
        lambda study: study["patterns"][0].pop("depths"),
        lambda study: study["patterns"][0].update(edge_angles=["12 deg"]),
        lambda study: study["patterns"][0]["layout"].pop("count"),
        lambda study: study["patterns"][0]["layout"].update(file="layout.csv"),
        lambda study: study["flow"].update(level="corse"),
        lambda study: study["flow"].update(reynolds=["9e4 rpm"]),
        lambda study: study["flow"].update(iterations=1.5),
        lambda study: study["air"].update(altitude="100 m"),
        lambda study: study.pop("golfers"),
        lambda study: study["golfers"][0].pop("launch"),
        lambda study: study["flow"].update(reynolds="atuo"),
        lambda study: study["flow"].update(spin_ratios=[]),
    ],
)
def test_schema_rejects_what_the_reader_rejects(change):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(study_schema()).validate(demo_with(change))


@pytest.mark.parametrize(
    "change",
    [
        lambda study: study["flow"].update(reynolds="auto"),
        lambda study: (study["flow"].pop("reynolds"), study["flow"].pop("spin_ratios")),
        lambda study: (
            study["golfers"][0].pop("launch"),
            study["golfers"][0].update(measured={"file": "a.csv"}),
        ),
    ],
)
def test_schema_accepts_what_may_be_left_out(change):
    jsonschema.Draft202012Validator(study_schema()).validate(demo_with(change))


def test_a_study_whose_conditions_are_not_resolved_has_no_runs(tmp_path):
    study = small_study(flow=FlowSettings(fidelity="steady-rans", level="coarse", spin_ratios=[0.1]))
    assert study.flow.reynolds == [] and not study.flow.resolved
    assert study.to_json()["flow"]["reynolds"] == "auto"
    with pytest.raises(ValueError, match="auto"):
        runs(study)
    path = tmp_path / "study.json"
    path.write_text(json.dumps(study.to_json()), encoding="utf-8")
    with pytest.raises(InputError, match="is not a resolved study"):
        Study.from_json(path)


def test_schema_documents_every_key():
    def undocumented(node, where):
        for key, value in node.get("properties", {}).items():
            described = "description" in value or "$ref" in value
            if not described:
                yield f"{where}.{key}"

    schema = study_schema()
    nodes = {"study": schema, **schema["$defs"]}
    assert [name for where, node in nodes.items() for name in undocumented(node, where)] == []
    assert all(node["additionalProperties"] is False for node in nodes.values())


def test_exported_schema_is_current():
    exported = json.loads((CASES / "study.schema.json").read_text(encoding="utf-8"))
    assert exported == study_schema()
