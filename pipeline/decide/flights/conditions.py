"""What a study's shots are flown in: its ball, air and wind, or its scenarios of weather."""

from pipeline.decide.flights.population import Scenario
from pipeline.flight.air import air_from
from pipeline.flight.trajectory import Conditions
from pipeline.flight.wind import WindProfile
from pipeline.study.model import AirSpec, BallSpec, Study

SEED = 1
"""Seed of the shots and of the coefficient draws, the same in every study, so that studies compare."""


def conditions_of(study: Study) -> Conditions:
    """Ball, air and wind of a study, without its scenarios."""
    return conditions_in(study.ball, study.air)


def conditions_in(ball: BallSpec, spec: AirSpec) -> Conditions:
    """Ball, air and wind as a study file states them."""
    wind = spec.wind
    return Conditions(
        ball.diameter_m,
        ball.mass_kg,
        air_from(spec.temperature_k, spec.pressure_pa, spec.humidity, spec.altitude_m),
        wind.speed_m_s,
        wind.from_rad,
        wind_profile=WindProfile(wind.profile, wind.height_m, wind.roughness_m, wind.exponent),
    )


def scenarios_of(study: Study) -> list[Scenario]:
    """Conditions that a study's shots are flown in; those of its air alone when it names no scenarios."""
    if not study.scenarios:
        return [Scenario("", 1.0, conditions_of(study))]
    return [Scenario(spec.name, spec.weight, conditions_in(study.ball, spec.air)) for spec in study.scenarios]
