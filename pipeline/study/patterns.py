"""Study file: keys of the ball, its patterns and their dimples, with units, ranges, descriptions."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Field, ValidationInfo, field_validator

from pipeline.study.fields import Number, Quantity, Section, distinct
from pipeline.study.keys import depth_key, edge_angle_key
from pipeline.study.names import SafeName, found_file
from pipeline.study.units import ANGLE, LENGTH, MASS, SHARE

Diameter = Annotated[float, Quantity(LENGTH, "10 mm", "500 mm", "42.70 mm")]
BallMass = Annotated[float, Quantity(MASS, "1 g", "1 kg", "45.9 g")]
ChordDiameter = Annotated[float, Quantity(LENGTH, "0.2 mm", "20 mm", "3.6 mm")]
Land = Annotated[float, Quantity(LENGTH, "0 mm", "10 mm", "0.10 mm")]
Depth = Annotated[float, Quantity(LENGTH, "0.01 mm", "2 mm", "0.25 mm")]
Symmetry = Literal[
    "icosahedral", "octahedral", "tetrahedral", "dihedral-2", "dihedral-3", "dihedral-4", "dihedral-5",
    "dihedral-6", "dihedral-7", "dihedral-8", "dihedral-9", "dihedral-10", "dihedral-11", "dihedral-12",
    "none",
]  # fmt: skip
EdgeAngle = Annotated[float, Quantity(ANGLE, "1 deg", "60 deg", "14 deg")]


class BallSpec(Section):
    """The ball without dimples (phantom sphere) and its mass."""

    diameter_m: Diameter = Field(
        alias="diameter", description="Diameter of the phantom sphere, 10 mm to 500 mm."
    )
    mass_kg: BallMass = Field(alias="mass", description="Mass of the ball, 1 g to 1 kg.")


class LayoutSpec(Section):
    """Where the dimples are: spread by a symmetry and a count, or read from a file."""

    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [
                {"required": ["symmetry", "count"], "not": {"required": ["file"]}},
                {
                    "required": ["file"],
                    "not": {
                        "anyOf": [
                            {"required": [key]}
                            for key in (
                                "symmetry",
                                "count",
                                "seed",
                                "starts",
                                "narrowest_land",
                                "mirror",
                                "classes",
                                "shares",
                                "seam",
                                "seam_amplitude",
                                "seam_waves",
                            )
                        ]
                    },
                },
            ]
        }
    )

    symmetry: Symmetry | None = Field(
        None,
        description="Rotation group under which the layout repeats itself.",
        examples=["icosahedral"],
    )
    count: Annotated[int, Number(1, 5000, 332, whole=True)] | None = Field(
        None, description="Number of dimples; it must suit the symmetry.", examples=[332]
    )
    seed: Annotated[int, Number(0, 2**31 - 1, 1, whole=True)] = Field(
        1, description="Seed of the optimiser that spreads the dimples."
    )
    starts: Annotated[int, Number(1, 200, 24, whole=True)] | None = Field(
        None,
        description="Random starts of the optimiser, the best of which is kept, 1 to 200; when absent 24, or "
        "8 with classes, and fewer without symmetry.",
        examples=[24],
    )
    narrowest_land_m: Land = Field(
        0.0001,
        alias="narrowest_land",
        description="Least land between two dimples' edges, 0 mm to 10 mm; 0.10 mm when absent.",
    )
    classes: Annotated[int, Number(1, 12, 3, whole=True)] | None = Field(
        None,
        description="Number of chord diameters, found together with the positions so that the dimples cover "
        "most, 1 to 12; instead of the cavity's chord_diameter.",
        examples=[3],
    )
    shares: (
        Annotated[
            list[Annotated[float, Quantity(SHARE, "1 %", "100 %", "30 %")]],
            Field(min_length=1, max_length=12),
        ]
        | None
    ) = Field(
        None,
        description="Share of the dimples wanted in each class, widest first, together 100 %; met as nearly "
        "as whole orbits can. What covers most when absent.",
        examples=[["20 %", "60 %", "20 %"]],
    )
    seam: Literal["straight", "undulating"] | None = Field(
        None,
        description="Seam kept free of dimples, half of the narrowest land wide on either side: straight "
        "(the plane through the centre at right angles to the pole, and its images under the symmetry) or "
        "undulating about it.",
        examples=["straight"],
    )
    seam_amplitude_m: Annotated[float, Quantity(LENGTH, "0.05 mm", "10 mm", "0.8 mm")] | None = Field(
        None,
        alias="seam_amplitude",
        description="Greatest distance of an undulating seam from the plane, along the ball, 0.05 mm to "
        "10 mm.",
        examples=["0.8 mm"],
    )
    seam_waves: Annotated[int, Number(1, 60, 10, whole=True)] | None = Field(
        None,
        description="Waves of an undulating seam around the ball, 1 to 60; a multiple of the symmetry's "
        "fold.",
        examples=[10],
    )
    mirror: bool = Field(
        False,
        strict=True,
        description="Whether the plane through the pole and the flight direction mirrors the layout; such a "
        "ball is computed on one half.",
    )
    orientation: Literal["pole-up", "seam-up"] = Field(
        "pole-up",
        description="How the ball flies: with its pole up, so that it spins pole over pole, or with its seam "
        "up, so that it spins about its pole. Two patterns that differ only in this show how symmetrical "
        "the ball is.",
        examples=["seam-up"],
    )
    file: Path | None = Field(
        None,
        description="CSV with polar_deg, azimuth_deg and chord_diameter_mm, where wanted with depth_mm or "
        "edge_angle_deg and profile of each dimple; relative to the study file.",
        examples=["layout.csv"],
    )

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Ask for either a file or a symmetry and a count."""
        if given.get("file") is not None:
            unused = {"symmetry": None, "count": None, "seed": 1, "narrowest_land": 0.0001, "mirror": False}
            unused |= {"classes": None, "shares": None, "starts": None}
            unused |= {"seam": None, "seam_amplitude": None, "seam_waves": None}
            for key, default in unused.items():
                if given.get(key, default) != default:
                    yield key, 'goes with a layout that is spread, not with "file"; remove one of the two'
        elif given.get("symmetry") is None and given.get("count") is None:
            yield "symmetry", 'is missing; give "symmetry" and "count", or "file"'
        elif given.get("symmetry") is None:
            yield "symmetry", "is missing; write for instance symmetry: icosahedral"
        elif given.get("count") is None:
            yield "count", "is missing; write for instance count: 332"
        seam = given.get("seam")
        for key, example in (("seam_amplitude", "0.8 mm"), ("seam_waves", "10")):
            if seam == "undulating" and given.get(key) is None:
                yield key, f"is missing; an undulating seam needs it, write for instance {key}: {example}"
            elif seam != "undulating" and given.get(key) is not None and given.get("file") is None:
                yield key, "goes with seam: undulating; write that too, or remove it"
        classes, shares = given.get("classes"), given.get("shares")
        if shares is not None and classes is None:
            yield "shares", 'goes with "classes", the number of sizes; write for instance classes: 3'
        elif isinstance(shares, list) and isinstance(classes, int) and len(shares) != classes:
            yield "shares", f"has {len(shares)} entries for {classes} classes; write one for each"

    @field_validator("file", mode="before")
    @classmethod
    def _find_file(cls, value: Any, info: ValidationInfo) -> Any:
        return found_file(value, info, "layout.csv")


class CavitySpec(Section):
    """The shape of one dimple."""

    profile: Literal["arc", "two-radius", "cone", "catenary"] = Field(
        "arc",
        description="Section of the dimple: arc (a spherical cap), two-radius (a bottom arc and an outer arc "
        "of another radius, tangent to it), cone (a bottom arc and a straight wall, tangent to it), catenary",
    )
    chord_diameter_m: ChordDiameter | None = Field(
        None,
        alias="chord_diameter",
        description="Diameter of the dimple's edge, 0.2 mm to 20 mm; absent when the layout file gives it.",
        examples=["3.6 mm"],
    )
    joint: Annotated[float, Quantity(SHARE, "5 %", "95 %", "60 %")] | None = Field(
        None,
        description="Radius at which the bottom arc of a two-radius or cone profile ends, 5 % to 95 % of the "
        "edge's.",
        examples=["60 %"],
    )
    radius_ratio: Annotated[float, Number(0.05, 20, 0.5)] | None = Field(
        None,
        description="Radius of a two-radius profile's outer arc over that of its bottom arc, 0.05 to 20.",
        examples=[0.5],
    )
    edge_radius_m: Annotated[float, Quantity(LENGTH, "0 mm", "5 mm", "0.3 mm")] = Field(
        0.0,
        alias="edge_radius",
        description="Radius that rounds the edge between wall and land, 0 mm (sharp) to 5 mm; chord "
        "diameter, depth and edge angle remain those of the sharp edge.",
        examples=["0.3 mm"],
    )
    sides: Annotated[int, Number(4, 8, 6, whole=True)] | None = Field(
        None,
        description="Sides of polygonal dimples, 4 to 8, which face their neighbours; chord_diameter is then "
        "across flats. Round dimples when absent. Goes with a layout that is spread; a file has its own.",
        examples=[6],
    )
    scale_depth: bool = Field(
        False,
        strict=True,
        description="Whether depths grow in proportion to the chord diameter, the depth named being their "
        "mean; all dimples have it when false.",
    )

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Ask for the measures of the profile's shape, and for no others."""
        profile = given.get("profile", "arc")
        for key, example, profiles in (
            ("joint", "joint: 60 %", ("two-radius", "cone")),
            ("radius_ratio", "radius_ratio: 0.5", ("two-radius",)),
        ):
            present = given.get(key) is not None
            if profile in profiles and not present:
                yield key, f"is missing; a {profile} profile needs it, write for instance {example}"
            elif present and profile not in profiles:
                yield key, f"goes with {' or '.join(profiles)} only; remove it"


class CriticalReynolds(Section):
    """Measured critical Reynolds number of a ball of the pattern, not spinning."""

    reynolds: Annotated[float, Number(1e4, 5e5, 7e4)] = Field(
        description="Reynolds number in the middle of the fall of drag, 1e4 to 5e5.", examples=[7e4]
    )
    depth_m: Depth = Field(
        alias="depth", description="Surface depth of the ball measured.", examples=["0.18 mm"]
    )
    spread: Annotated[float, Quantity(SHARE, "0 %", "100 %", "5 %")] = Field(
        0.05,
        description="Relative standard deviation of the measurement and of what other depths of the pattern "
        "do, 0 % to 100 %.",
        examples=["5 %"],
    )


class Pattern(Section):
    """A layout, a cavity and the depths (or edge angles) to be compared."""

    model_config = ConfigDict(
        json_schema_extra={"oneOf": [{"required": ["depths"]}, {"required": ["edge_angles"]}]}
    )

    name: SafeName = Field(
        description="Short name, used for folders: letters, digits, - and _.", examples=["ico332"]
    )
    layout: LayoutSpec = Field(description="Where the dimples are.")
    cavity: CavitySpec = Field(default_factory=CavitySpec, description="The shape of one dimple.")
    depths_m: (
        Annotated[list[Depth], Field(min_length=1, max_length=100), AfterValidator(distinct(depth_key))]
        | None
    ) = Field(
        None,
        alias="depths",
        description="Surface depths (below the phantom sphere, at the dimple's centre), 0.01 mm to 2 mm.",
        examples=[["0.15 mm", "0.20 mm", "0.25 mm", "0.30 mm"]],
    )
    edge_angles_rad: (
        Annotated[
            list[EdgeAngle], Field(min_length=1, max_length=100), AfterValidator(distinct(edge_angle_key))
        ]
        | None
    ) = Field(
        None,
        alias="edge_angles",
        description="Edge angles (dimple wall against the phantom sphere's tangent), 1 deg to 60 deg; "
        "instead of depths.",
        examples=[["12 deg", "14 deg", "16 deg"]],
    )
    critical_reynolds: CriticalReynolds | None = Field(
        None,
        description="Measured critical Reynolds number, which replaces the criterion's in the flights; flows "
        "stay as they are. Without it the criterion's place of the drag crisis has a spread of 25 %.",
    )

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Ask for depths or edge angles, and for a chord diameter unless a layout file may give it."""
        depths, angles = given.get("depths"), given.get("edge_angles")
        if depths is None and angles is None:
            yield "depths", 'is missing; write for instance depths: [0.15 mm, 0.20 mm], or give "edge_angles"'
        elif depths is not None and angles is not None:
            yield "edge_angles", 'cannot stand beside "depths"; remove one of the two'
        if angles is not None and (_given(given.get("cavity", {})) or {}).get("scale_depth"):
            yield "cavity", 'has "scale_depth", which goes with "depths"; edge angles are the same for all'
        layout, cavity = _given(given.get("layout")), _given(given.get("cavity", {}))
        if layout and cavity and layout.get("file") is not None and cavity.get("sides") is not None:
            yield "cavity", 'has "sides", which goes with a layout that is spread; a file has its own column'
        if layout is None or cavity is None or layout.get("file") is not None:
            return
        chord = cavity.get("chord_diameter", cavity.get("chord_diameter_m"))
        if layout.get("classes") is not None:
            if chord is not None:
                yield "cavity", 'has "chord_diameter", which the layout finds for its classes; remove one'
        elif chord is None:
            yield "cavity", "has no chord diameter; write for instance cavity: {chord_diameter: 3.6 mm}"


def _given(section: Any) -> Mapping[str, Any] | None:
    """Return the keys of a section, read or still raw; None when it is neither."""
    if isinstance(section, Section):
        return section.model_dump(by_alias=True)
    return section if isinstance(section, Mapping) else None
