"""Keys of the study file for golfers and the air that they play in: units, ranges, descriptions."""

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import ConfigDict, Field, ValidationInfo, field_validator, model_validator

from pipeline.arrays import FloatArray
from pipeline.study.fields import Number, Quantity, Section, problem
from pipeline.study.names import Title, found_file
from pipeline.study.units import ANGLE, LENGTH, PRESSURE, SHARE, SPEED, SPIN, TEMPERATURE


class Launch(Section):
    """A shot just after impact."""

    ball_speed_m_s: Annotated[float, Quantity(SPEED, "5 m/s", "120 m/s", "165 mph")] = Field(
        alias="ball_speed", description="Ball speed, 5 m/s to 120 m/s."
    )
    launch_angle_rad: Annotated[float, Quantity(ANGLE, "-10 deg", "60 deg", "11 deg")] = Field(
        alias="launch_angle", description="Angle above the horizontal, -10 deg to 60 deg."
    )
    backspin_rad_s: Annotated[float, Quantity(SPIN, "0 rpm", "15000 rpm", "2600 rpm")] = Field(
        alias="backspin", description="Rate of spin about the tilted axis, 0 rpm to 15000 rpm."
    )
    axis_tilt_rad: Annotated[float, Quantity(ANGLE, "-90 deg", "90 deg", "0 deg")] = Field(
        0.0,
        alias="axis_tilt",
        description="Tilt of the spin axis, -90 deg to 90 deg, 0 deg when absent; positive curves to the "
        "golfer's right.",
    )


POWER_LAW_EXPONENT = 1.0 / 7.0
"""Exponent of the wind's power law where none is stated: open ground in neutral air [memory]."""

LAUNCH_KEYS = ("ball_speed", "launch_angle", "backspin", "axis_tilt")
"""Quantities of a launch, by their keys in a study file."""


class Correlation(Section):
    """Correlation of two quantities of a launch from shot to shot."""

    between: Annotated[
        list[Literal["ball_speed", "launch_angle", "backspin", "axis_tilt"]],
        Field(min_length=2, max_length=2),
    ] = Field(description="The two quantities.", examples=[["launch_angle", "backspin"]])
    value: Annotated[float, Number(-0.99, 0.99, -0.4)] = Field(description="Correlation, -0.99 to 0.99.")

    @model_validator(mode="after")
    def _different(self) -> Self:
        if self.between[0] == self.between[1]:
            raise problem("is between a quantity and itself; name two different ones")
        return self


class Measured(Section):
    """Measured launches of a golfer."""

    file: Path = Field(
        description="CSV with one launch a row: ball_speed_m_s or ball_speed_mph, launch_angle_deg, "
        "backspin_rpm and, where known, axis_tilt_deg; relative to the study file.",
        examples=["launches.csv"],
    )
    use: Literal["fitted", "drawn"] = Field(
        "fitted",
        description="fitted: shots are drawn from the normal distribution with the means, standard "
        "deviations and correlations of the launches; drawn: the launches themselves are flown.",
    )

    @field_validator("file", mode="before")
    @classmethod
    def _find_file(cls, value: Any, info: ValidationInfo) -> Any:
        return found_file(value, info, "launches.csv")


class Spread(Section):
    """Standard deviations of a golfer's launches; zero where not given."""

    ball_speed_m_s: Annotated[float, Quantity(SPEED, "0 m/s", "20 m/s", "2 mph")] = Field(
        0.0, alias="ball_speed", description="Standard deviation of the ball speed, 0 m/s to 20 m/s."
    )
    launch_angle_rad: Annotated[float, Quantity(ANGLE, "0 deg", "15 deg", "1 deg")] = Field(
        0.0, alias="launch_angle", description="Standard deviation of the launch angle, 0 deg to 15 deg."
    )
    backspin_rad_s: Annotated[float, Quantity(SPIN, "0 rpm", "3000 rpm", "200 rpm")] = Field(
        0.0, alias="backspin", description="Standard deviation of the backspin, 0 rpm to 3000 rpm."
    )
    axis_tilt_rad: Annotated[float, Quantity(ANGLE, "0 deg", "30 deg", "2 deg")] = Field(
        0.0, alias="axis_tilt", description="Standard deviation of the axis tilt, 0 deg to 30 deg."
    )
    correlations: Annotated[list[Correlation], Field(max_length=6)] = Field(
        default_factory=list,
        description="Correlations between the quantities of a launch; those not named are zero.",
    )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        pairs = [frozenset(entry.between) for entry in self.correlations]
        if len(set(pairs)) < len(pairs):
            raise problem("has two correlations between the same quantities; keep one")
        if self.correlations and np.linalg.eigvalsh(self.correlation_matrix()).min() < -1e-9:
            raise problem("has correlations that no scatter can have together; make them weaker")
        return self

    def correlation_matrix(self) -> FloatArray:
        """Return the correlations of `LAUNCH_KEYS`, shape (4, 4)."""
        matrix = np.eye(len(LAUNCH_KEYS))
        for entry in self.correlations:
            i, j = (LAUNCH_KEYS.index(key) for key in entry.between)
            matrix[i, j] = matrix[j, i] = entry.value
        return matrix


class FlightWindow(Section):
    """The peak heights, and where given the descent angles, that a golfer wants."""

    lowest_m: Annotated[float, Quantity(LENGTH, "0 m", "150 m", "25 m")] = Field(
        alias="lowest", description="Lowest peak height wanted, 0 m to 150 m."
    )
    highest_m: Annotated[float, Quantity(LENGTH, "0 m", "150 m", "35 m")] = Field(
        alias="highest", description="Highest peak height wanted, 0 m to 150 m."
    )
    flattest_rad: Annotated[float, Quantity(ANGLE, "0 deg", "90 deg", "38 deg")] = Field(
        0.0, alias="flattest_descent", description="Flattest descent wanted, 0 deg to 90 deg."
    )
    steepest_rad: Annotated[float, Quantity(ANGLE, "0 deg", "90 deg", "50 deg")] = Field(
        0.5 * math.pi, alias="steepest_descent", description="Steepest descent wanted, 0 deg to 90 deg."
    )
    role: Literal["reported", "preference", "constraint"] = Field(
        "reported",
        description="What the window does: reported (the report says whether the flight is in it), "
        "preference (each metre or degree outside costs as much carry as `cost` says) or constraint (depths "
        "outside it are ruled out while any depth is inside).",
    )
    cost: Annotated[float, Number(0, 100, 1)] = Field(
        1.0,
        description="Carry that a metre of height or a degree of descent outside costs, in metres, 0 to 100.",
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.lowest_m >= self.highest_m:
            raise problem('has its "lowest" not below its "highest"; write for instance 25 m and 35 m')
        if self.flattest_rad >= self.steepest_rad:
            raise problem('has its "flattest_descent" not below its "steepest_descent"')
        return self


class Golfer(Section):
    """One golfer: the shot, its scatter, and the flight wanted."""

    model_config = ConfigDict(
        json_schema_extra={"anyOf": [{"required": ["launch"]}, {"required": ["measured"]}]}
    )

    name: Title = Field(description="Name of the golfer, shown in the report.", examples=["long hitter"])
    launch: Launch | None = Field(None, description="The mean shot; not needed beside measured launches.")
    measured: Measured | None = Field(
        None, description="Measured launches, which are flown in place of a mean shot and its spread."
    )
    spread: Spread = Field(
        default_factory=Spread, description="Standard deviations of the shot; not of measured launches."
    )
    flight_window: FlightWindow | None = Field(None, description="The peak heights wanted.")
    aim: Literal["carry", "total"] = Field(
        "carry",
        description="What the depth is chosen for: carry, or total (carry and run, much less certain).",
    )
    weight: Annotated[float, Number(0, 1000, 1)] = Field(
        1.0, description="Weight of the golfer where one product is chosen for all, 0 to 1000."
    )

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Ask for a launch where no launches were measured."""
        if given.get("launch") is None and given.get("measured") is None:
            yield (
                "launch",
                'is missing; write "launch:" and its keys below it, indented, or "measured:" with the file '
                "of measured launches",
            )


class Wind(Section):
    """Steady wind, and how it grows with the height."""

    speed_m_s: Annotated[float, Quantity(SPEED, "0 m/s", "30 m/s", "3 m/s")] = Field(
        0.0, alias="speed", description="Wind speed, 0 m/s to 30 m/s."
    )
    from_rad: Annotated[float, Quantity(ANGLE, "-360 deg", "360 deg", "0 deg")] = Field(
        0.0,
        alias="from",
        description="Where it comes from: 0 deg is a headwind, 90 deg from the golfer's right, 180 deg a "
        "tailwind.",
    )
    profile: Literal["uniform", "logarithmic", "power"] = Field(
        "uniform",
        description="How it grows with the height: uniform (the same everywhere), logarithmic (over ground "
        "of a roughness) or power (by an exponent).",
        examples=["logarithmic"],
    )
    height_m: Annotated[float, Quantity(LENGTH, "0.5 m", "100 m", "10 m")] = Field(
        10.0, alias="height", description="Height at which the speed is stated, 0.5 m to 100 m."
    )
    roughness_m: Annotated[float, Quantity(LENGTH, "0.1 mm", "2 m", "30 mm")] = Field(
        0.03,
        alias="roughness",
        description="Roughness length of the ground for the logarithmic profile, 0.1 mm to 2 m; 30 mm is "
        "open grassland.",
    )
    exponent: Annotated[float, Number(0.01, 1, 0.2)] = Field(
        POWER_LAW_EXPONENT, description="Exponent of the power profile, 0.01 to 1; 1/7 over open ground."
    )


def _unless_altitude(data: Mapping[str, Any], standard: float) -> float | None:
    return None if data.get("altitude_m") is not None else standard


class AirSpec(Section):
    """The air of the flights: temperature and pressure, or an altitude in the standard atmosphere."""

    model_config = ConfigDict(json_schema_extra={"not": {"required": ["altitude", "pressure"]}})

    altitude_m: Annotated[float, Quantity(LENGTH, "-450 m", "5000 m", "1600 m")] | None = Field(
        None,
        alias="altitude",
        description="Altitude in the standard atmosphere instead of a pressure, -450 m to 5000 m.",
        examples=["1600 m"],
    )
    temperature_k: Annotated[float, Quantity(TEMPERATURE, "-30 degC", "55 degC", "20 degC")] | None = Field(
        default_factory=lambda data: _unless_altitude(data, 293.15),
        alias="temperature",
        description="Air temperature, -30 degC to 55 degC; 20 degC, or that of the altitude, when absent.",
        examples=["20 degC"],
    )
    pressure_pa: Annotated[float, Quantity(PRESSURE, "500 hPa", "1100 hPa", "1013.25 hPa")] | None = Field(
        default_factory=lambda data: _unless_altitude(data, 101325.0),
        alias="pressure",
        description="Air pressure, 500 hPa to 1100 hPa; 1013.25 hPa, or that of the altitude, when absent.",
        examples=["1013.25 hPa"],
    )
    humidity: Annotated[float, Quantity(SHARE, "0 %", "100 %", "50 %")] = Field(
        0.5, description="Relative humidity, 0 % to 100 %; 50 % when absent."
    )
    wind: Wind = Field(default_factory=Wind, description="Steady wind; none when absent.")

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Refuse an altitude beside a pressure."""
        if given.get("altitude") is not None and given.get("pressure") is not None:
            yield "altitude", 'cannot stand beside "pressure"; remove one of the two'


class ScenarioSpec(Section):
    """Weather that the golfers play in, instead of the study's air."""

    name: Title = Field(description="Name of the scenario, shown in the report.", examples=["cold headwind"])
    weight: Annotated[float, Number(0.001, 1000, 1)] = Field(
        1.0, description="How often it is met, against the others, 0.001 to 1000."
    )
    air: AirSpec = Field(default_factory=AirSpec, description="Its air and wind.")


class Moulding(Section):
    """How balls scatter about what the mould is cut to; standard deviations."""

    depth_m: Annotated[float, Quantity(LENGTH, "0 um", "100 um", "5 um")] = Field(
        0.0, alias="depth", description="Standard deviation of the surface depth, 0 um to 100 um."
    )
    edge_angle_rad: Annotated[float, Quantity(ANGLE, "0 deg", "5 deg", "0.2 deg")] = Field(
        0.0,
        alias="edge_angle",
        description="Standard deviation of the edge angle at a fixed chord diameter, 0 deg to 5 deg; it "
        "adds to that of the depth.",
    )
    diameter_m: Annotated[float, Quantity(LENGTH, "0 um", "500 um", "20 um")] = Field(
        0.0, alias="diameter", description="Standard deviation of the ball's diameter, 0 um to 500 um."
    )
