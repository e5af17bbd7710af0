"""Study file: keys of the flow (fidelity, mesh level, conditions), and the study as a whole."""

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from pipeline.errors import InputError
from pipeline.study.family import Family, OrSearched, family_in
from pipeline.study.fields import Number, OrAuto, Quantity, Section, distinct
from pipeline.study.golfers import (
    AirSpec,
    FlightWindow,
    Golfer,
    Launch,
    Moulding,
    ScenarioSpec,
    Spread,
    Wind,
)
from pipeline.study.keys import reynolds_key, spin_ratio_key
from pipeline.study.names import SafeName, balls_there, distinct_names, found_folder
from pipeline.study.patterns import BallSpec, CavitySpec, LayoutSpec, Pattern
from pipeline.study.points import RunPoint
from pipeline.study.units import ANGLE, CORE_TIME, DURATION

__all__ = [
    "AirSpec",
    "BallSpec",
    "CavitySpec",
    "ErrorTarget",
    "FlightWindow",
    "FlowSettings",
    "Golfer",
    "Launch",
    "LayoutSpec",
    "MeshErrorSpec",
    "Moulding",
    "Pattern",
    "ScenarioSpec",
    "Spread",
    "Study",
    "Wind",
]

CoreTime = Annotated[float, Quantity(CORE_TIME, "1 core min", "1e6 core hours", "8 core hours")]

LARGEST_MASS_KG = 0.04593
"""Equipment Rules of the game's governing bodies, in force in 2025."""
SMALLEST_DIAMETER_M = 0.04267
"""Equipment Rules of the game's governing bodies, in force in 2025."""


class ErrorTarget(Section):
    """Standard errors at which a run may stop."""

    cd: Annotated[float, Number(1e-5, 0.1, 0.001)] = Field(
        0.001, description="Standard error of Cd at which a run may stop, 1e-5 to 0.1."
    )
    cl: Annotated[float, Number(1e-5, 0.1, 0.002)] = Field(
        0.002, description="Standard error of Cl at which a run may stop, 1e-5 to 0.1."
    )


class MeshErrorSpec(Section):
    """Error of Cd and Cl that all runs on a mesh level share; part of every interval."""

    cd: Annotated[float, Number(0, 0.2, 0.01)] = Field(
        0.0, description="Standard deviation of the mesh and model error of Cd, 0 to 0.2."
    )
    cl: Annotated[float, Number(0, 0.2, 0.01)] = Field(
        0.0, description="Standard deviation of the mesh and model error of Cl, 0 to 0.2."
    )
    shared: Annotated[float, Number(0, 1, 0.9)] = Field(
        0.9,
        description="Share of its variance that is the same for all patterns and depths, 0 to 1; the rest "
        "changes slowly with depth.",
    )
    cd_slope: Annotated[float | None, Number(0, 2, 0.2)] = Field(
        None,
        description="Relative standard deviation of the change of Cd with depth, 0 to 2; when absent the one "
        "that was measured for the mesh level, if any.",
    )
    cl_slope: Annotated[float | None, Number(0, 2, 0.2)] = Field(None, description="The same for Cl, 0 to 2.")


FINENESS = ("coarse", "graded", "medium", "fine")
"""Mesh levels, each with smaller cells along the ball or more of them than the one before."""


class FinerRuns(Section):
    """Some of the flows of a study once more on a finer mesh, whose difference corrects all of them."""

    level: Literal["graded", "medium", "fine"] = Field(
        description="Mesh level of these runs, finer than the study's own.", examples=["graded"]
    )
    runs: Annotated[int, Number(2, 100, 4, whole=True)] = Field(
        4, description="Runs for each pattern, 2 to 100, spread over its depths and flows."
    )


CAN_BE_TRIPPED = ("steady-rans", "transient-rans")
"""Models with a turbulence model for the whole boundary layer; the others resolve eddies, or know none."""


def _state_of_layer(fidelity: str | None) -> Literal["turbulent", "tripped"]:
    """State of the boundary layer where a study names none."""
    return "tripped" if fidelity in CAN_BE_TRIPPED else "turbulent"


FidelityName = Literal[
    "laminar", "steady-rans", "transient-laminar", "transient-rans", "transient-des", "transient-les"
]


class FlowSettings(Section):
    """Which flows are computed, by which model, on how fine a mesh."""

    fidelity: FidelityName = Field(
        description="Flow model: steady-rans (k-omega SST, boundary layer in the state that boundary_layer "
        "names); laminar (verification at low Reynolds numbers); time-accurate: transient-rans (the same "
        "model, the dimples turning with the ball) and, at many times the cost, transient-laminar, "
        "transient-des (SST-DDES), transient-les (WALE).",
        examples=["steady-rans"],
    )
    level: Literal["coarse", "graded", "medium", "fine"] = Field(
        description="Fineness of the mesh; graded: the cells of medium along the ball, in two thirds of its "
        "cells (steady-rans, transient-rans, transient-des).",
        examples=["coarse"],
    )
    boundary_layer: Literal["turbulent", "tripped", "laminar"] = Field(
        default_factory=lambda given: _state_of_layer(given.get("fidelity")),
        description="State of the boundary layer, of steady-rans and transient-rans alone: tripped (laminar "
        "up to where dimples of the depth trip it; when absent), turbulent (as the model makes it, which "
        "favours shallow dimples), laminar (never tripped).",
        examples=["tripped"],
    )
    trip_angle_rad: Annotated[float, Quantity(ANGLE, "10 deg", "82 deg", "60 deg")] | None = Field(
        None,
        alias="trip_angle",
        description="Measured trip angle from the front, 10 deg to 82 deg, instead of the criterion; goes "
        "with boundary_layer: tripped.",
        examples=["60 deg"],
    )
    reynolds: Annotated[
        list[Annotated[float, Number(1, 1e6, 9e4)]],
        Field(min_length=1, max_length=100),
        AfterValidator(distinct(reynolds_key)),
        OrAuto("[90000, 180000]"),
    ] = Field(
        default_factory=list,
        description="Reynolds numbers U D / nu, 1 to 1e6; auto, or absent: those that the golfers' flights "
        "pass through.",
        examples=[[90000, 180000]],
    )
    spin_ratios: Annotated[
        list[Annotated[float, Number(0, 2, 0.1)]],
        Field(min_length=1, max_length=100),
        AfterValidator(distinct(spin_ratio_key)),
        OrAuto("[0.08, 0.2]"),
    ] = Field(
        default_factory=list,
        description="Spin ratios omega D / (2 U), 0 to 2; auto, or absent: those that the golfers' flights "
        "pass through.",
        examples=[[0.08, 0.20]],
    )
    standard_error: ErrorTarget = Field(
        default_factory=ErrorTarget, description="Standard errors at which a run may stop."
    )
    mesh_error: MeshErrorSpec | None = Field(
        None,
        description="Error that the runs' standard errors do not contain, for instance from a finer level.",
    )
    finer: FinerRuns | None = Field(
        None,
        description="Some of the study's flows once more on a finer mesh. What they differ by is learned, "
        "smooth in depth, Reynolds number and spin ratio, and corrects the coefficients of all runs.",
    )
    iterations: Annotated[int, Number(10, 200_000, 1500, whole=True)] = Field(
        1500,
        description="Ceiling of iterations a run; of a time-accurate run, of samples of the forces, a tenth "
        "of D / U apart.",
    )
    wall_time_s: Annotated[float, Quantity(DURATION, "10 s", "30 day", "4 h")] | None = Field(
        None,
        alias="wall_time",
        description="Ceiling of the time that the solver takes for a run, 10 s to 30 day; none when absent. "
        "A change of it holds for runs that are computed from then on.",
    )
    ranks: Annotated[int, Number(1, 1024, 1, whole=True)] = Field(1, description="MPI ranks a run.")
    keep: Literal["numbers", "surface", "all"] = Field(
        "numbers",
        description="What stays of a run: numbers; also its surface with pressure and friction (VTK); or "
        "all, the solver's case too. A change of it holds for runs that are computed from then on.",
    )

    @property
    def resolved(self) -> bool:
        """Whether Reynolds numbers and spin ratios are there: empty lists stand for `auto`."""
        return bool(self.reynolds and self.spin_ratios)

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Ask for a state only where the fidelity has one, and for a trip angle only when tripped."""
        model = given.get("fidelity")
        state = given.get("boundary_layer", _state_of_layer(model))
        if model not in CAN_BE_TRIPPED and state != "turbulent":
            names = " or ".join(CAN_BE_TRIPPED)
            yield "boundary_layer", f"goes with fidelity: {names}, not with {model}; remove it"
        own, finer = given.get("level"), given.get("finer")
        level = finer.get("level") if isinstance(finer, Mapping) else None
        if own in FINENESS and level in FINENESS[1:] and FINENESS.index(level) <= FINENESS.index(own):
            yield "finer", f"level: {level} is no finer mesh than {own}, that of the study"
        elif level == "graded" and model not in ("steady-rans", "transient-rans", "transient-des"):
            yield "finer", f"level: {model} has no mesh graded; write medium or fine"
        if given.get("trip_angle") is not None and state != "tripped":
            yield "trip_angle", "goes with boundary_layer: tripped; write that too, or remove it"


class Study(Section):
    """A whole study, as its file says; SI values, names that carry their units.

    Reynolds numbers and spin ratios that the file leaves to its golfers are empty until
    `pipeline.decide.flights.passage.with_conditions` resolves them.
    """

    name: SafeName = Field(
        description="Short name, used for the results folder: letters, digits, - and _.", examples=["demo"]
    )
    about: Annotated[str, Field(max_length=5000)] = Field(
        "", description="What the study is for, in free text; shown in the report."
    )
    ball: BallSpec = Field(description="Diameter and mass.")
    patterns: Annotated[
        list[Pattern], Field(min_length=1, max_length=200), AfterValidator(distinct_names), OrSearched()
    ] = Field(description="The dimple patterns to be compared, or a family that is searched for the best.")
    flow: FlowSettings = Field(description="Which flows are computed, and how.")
    golfers: Annotated[list[Golfer], Field(min_length=1, max_length=100), AfterValidator(distinct_names)] = (
        Field(description="The golfers whose shots are flown.")
    )
    air: AirSpec = Field(default_factory=AirSpec, description="The air of the flights.")
    scenarios: Annotated[list[ScenarioSpec], Field(max_length=50), AfterValidator(distinct_names)] = Field(
        default_factory=list,
        description="Weather that the shots are flown in, as a weighted mean, instead of the study's air.",
    )
    budget_core_s: CoreTime | None = Field(
        None,
        alias="budget",
        description="Computing that may be spent, 1 core min to 1e6 core hours. With it the study chooses "
        "its runs itself, in rounds, anywhere between its depths, Reynolds numbers and spin ratios.",
        examples=["8 core hours"],
    )
    moulding: Moulding | None = Field(
        None, description="Scatter of moulded balls, for the share of them within a yard of the best."
    )

    units: Literal["trade", "SI"] = Field(
        "trade",
        description="Units of page and terminal: trade (yd with m in brackets, mph, mm), or SI (m, m/s, mm). "
        "Files of results are SI either way.",
    )
    shelf: Path | None = Field(
        None,
        description="Folder of the shelf (depthline shelf), whose balls `references` and `measured` name; "
        "relative to the study file.",
        examples=["shelf"],
    )
    references: Annotated[list[SafeName], Field(max_length=12), AfterValidator(balls_there)] = Field(
        default_factory=list,
        description="Balls of the shelf that stand in the report beside the computed ones, flown alike.",
        examples=[["tour-old"]],
    )
    measured: Annotated[list[SafeName], Field(max_length=200), AfterValidator(balls_there)] = Field(
        default_factory=list,
        description="Measured balls of the shelf, of patterns of this study, that correct the computed "
        "coefficients where leaving each out in turn shows that it helps.",
        examples=[["ico332-0_14-mm-range-A", "ico332-0_18-mm-range-A"]],
    )

    _points: tuple[RunPoint, ...] | None = PrivateAttr(None)
    _family: Family | None = PrivateAttr(None)

    @model_validator(mode="wrap")
    @classmethod
    def _with_family(cls, data: Any, handler: ModelWrapValidatorHandler[Self], info: ValidationInfo) -> Self:
        study = handler(data)
        study._family = family_in(data, info)
        return study

    @property
    def family(self) -> Family | None:
        """Family of patterns that is searched; None where the study file lists its patterns."""
        return self._family

    @property
    def points(self) -> tuple[RunPoint, ...] | None:
        """Runs that take the place of the matrix; None where the matrix of the study file is computed."""
        return self._points

    def with_points(self, points: Sequence[RunPoint] | None) -> Self:
        """Return the study with its runs anywhere, in the order given, instead of on its matrix."""
        found = self.model_copy()
        found._points = None if points is None else tuple(points)
        return found

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """A study that chooses its runs itself has no matrix from which finer runs could be taken."""
        flow = given.get("flow")
        if given.get("budget") is not None and isinstance(flow, Mapping) and flow.get("finer") is not None:
            yield (
                "budget",
                "does not go with flow.finer, whose runs are taken from a matrix; remove one of them",
            )

    @field_validator("shelf", mode="before")
    @classmethod
    def _find_shelf(cls, value: Any, info: ValidationInfo) -> Any:
        return found_folder(value, info, "shelf")

    @property
    def balls_named(self) -> list[str]:
        """Balls of the shelf that results depend on."""
        return list(dict.fromkeys([*self.references, *self.measured]))

    def to_json(self) -> dict[str, object]:
        """Return the study as a JSON-ready mapping: SI values under unit-bearing names.

        Keys of a shelf that is not used are left out, and the units when they are those of the trade: with
        another text all results would be made again.
        """
        unused = {key for key in ("references", "measured") if not getattr(self, key)}
        if not self.balls_named:
            unused.add("shelf")
        if self.budget_core_s is None:
            unused.add("budget_core_s")
        if self.units == "trade":
            unused.add("units")
        found = self.model_dump(mode="json", by_alias=False, exclude=unused)
        if self.flow.finer is None:
            del found["flow"]["finer"]
        if self.points is not None:
            found["points"] = [point.content() for point in self.points]
        return found

    @classmethod
    def from_json(cls, path: Path) -> Self:
        """Read a study that `to_json` and `pipeline.files.atomic.write_json` have written.

        Raises
        ------
        InputError
            The file is missing, not JSON, or not a study.
        """
        try:
            content = json.loads(Path(path).read_text(encoding="utf-8"))
            points = content.pop("points", None)
            study = cls.model_validate(content, by_alias=False, by_name=True)
            if points is not None:
                study = study.with_points([RunPoint(**point) for point in points])
        except OSError as error:
            raise InputError(f"{path}: cannot be read ({error.strerror}); run the study first") from None
        except (ValueError, RecursionError, AttributeError, TypeError) as error:
            first = error.errors()[0] if isinstance(error, ValidationError) else None
            where = f"{'.'.join(map(str, first['loc']))} {first['msg']}" if first else str(error)
            raise InputError(f"{path}: is not a resolved study ({where}); remove it and run again") from None
        if not study.flow.resolved:
            raise InputError(
                f"{path}: is not a resolved study (flow.reynolds or flow.spin_ratios is auto); remove it and "
                "run again"
            )
        return study

    def warnings(self) -> list[str]:
        """Return what is allowed but should be known before money is spent, one sentence each."""
        found = []
        if self.ball.mass_kg > LARGEST_MASS_KG:
            found.append(
                f"ball.mass: {self.ball.mass_kg * 1e3:.2f} g is above the {LARGEST_MASS_KG * 1e3:.2f} g that "
                "the governing bodies' Equipment Rules allow; fine for a practice ball only"
            )
        if self.ball.diameter_m < SMALLEST_DIAMETER_M:
            found.append(
                f"ball.diameter: {self.ball.diameter_m * 1e3:.2f} mm is below the "
                f"{SMALLEST_DIAMETER_M * 1e3:.2f} mm that the governing bodies' Equipment Rules ask for; "
                "fine for a practice ball only"
            )
        for index, golfer in enumerate(self.golfers):
            if golfer.measured is not None:
                found += [
                    f"golfers[{index}].{key}: is not used, since measured launches are flown; remove it"
                    for key, given in (
                        ("launch", golfer.launch is not None),
                        ("spread", golfer.spread != Spread()),
                    )
                    if given
                ]
        return found
