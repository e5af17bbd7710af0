"""Sections of the study file on golfers and the air that they play in."""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Self

from pydantic import ConfigDict, Field, model_validator

from pipeline.fields import Quantity, Section, problem
from pipeline.quantities import ANGLE, LENGTH, PRESSURE, SHARE, SPEED, SPIN, TEMPERATURE
from pipeline.study_names import Title


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


class FlightWindow(Section):
    """The peak heights that a golfer wants."""

    lowest_m: Annotated[float, Quantity(LENGTH, "0 m", "150 m", "25 m")] = Field(
        alias="lowest", description="Lowest peak height wanted, 0 m to 150 m."
    )
    highest_m: Annotated[float, Quantity(LENGTH, "0 m", "150 m", "35 m")] = Field(
        alias="highest", description="Highest peak height wanted, 0 m to 150 m."
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.lowest_m >= self.highest_m:
            raise problem('has its "lowest" not below its "highest"; write for instance 25 m and 35 m')
        return self


class Golfer(Section):
    """One golfer: the shot, its scatter, and the flight wanted."""

    name: Title = Field(description="Name of the golfer, shown in the report.", examples=["long hitter"])
    launch: Launch = Field(description="The mean shot.")
    spread: Spread = Field(default_factory=Spread, description="Standard deviations of the shot.")
    flight_window: FlightWindow | None = Field(None, description="The peak heights wanted.")


class Wind(Section):
    """Steady wind."""

    speed_m_s: Annotated[float, Quantity(SPEED, "0 m/s", "30 m/s", "3 m/s")] = Field(
        0.0, alias="speed", description="Wind speed, 0 m/s to 30 m/s."
    )
    from_rad: Annotated[float, Quantity(ANGLE, "-360 deg", "360 deg", "0 deg")] = Field(
        0.0,
        alias="from",
        description="Where it comes from: 0 deg is a headwind, 90 deg from the golfer's right, 180 deg a "
        "tailwind.",
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
