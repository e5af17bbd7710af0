"""Study file: keys of a family of patterns that is searched (`patterns: search:`), in ranges and lists."""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import Field, GetCoreSchemaHandler, ValidationInfo, model_validator
from pydantic_core import CoreSchema, core_schema

from pipeline.study.fields import Number, Quantity, Section, problem
from pipeline.study.patterns import Depth, EdgeAngle, Land, Symmetry
from pipeline.study.units import LENGTH, SHARE

Share = Annotated[float, Quantity(SHARE, "0 %", "100 %", "80 %")]
Joint = Annotated[float, Quantity(SHARE, "5 %", "95 %", "60 %")]
Ratio = Annotated[float, Number(0.05, 20, 0.5)]
Count = Annotated[int, Number(1, 5000, 332, whole=True)]


SeamChoice = Literal["none", "straight", "undulating"]


def _no_seam() -> list[SeamChoice]:
    return ["none"]


class Ends(Section):
    """Two ends of a range."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        low, high = self.model_dump().values()
        if low > high:
            names = [self._key(name) for name in type(self).model_fields]
            raise problem(f'has its "{names[0]}" above its "{names[1]}"; exchange the two')
        return self


class CountRange(Ends):
    """Fewest and most dimples."""

    lowest: Count = Field(description="Fewest dimples.", examples=[300])
    highest: Count = Field(description="Most dimples.", examples=[400])


class LandRange(Ends):
    """Range of the narrowest land of a ball."""

    lowest_m: Land = Field(
        alias="lowest", description="Least narrowest land, 0 mm to 10 mm.", examples=["0.10 mm"]
    )
    highest_m: Land = Field(
        alias="highest", description="Greatest narrowest land, 0 mm to 10 mm.", examples=["0.60 mm"]
    )


class CoverageRange(Ends):
    """Range of the dimpled share of the phantom sphere."""

    lowest: Share = Field(description="Least coverage.", examples=["72 %"])
    highest: Share = Field(description="Greatest coverage.", examples=["86 %"])


class JointRange(Ends):
    """Range of the radius at which the bottom arc ends."""

    lowest: Joint = Field(description="Least, 5 % to 95 % of the edge's.", examples=["40 %"])
    highest: Joint = Field(description="Greatest, 5 % to 95 % of the edge's.", examples=["80 %"])


class RatioRange(Ends):
    """Range of the outer arc's radius over that of the bottom arc."""

    lowest: Ratio = Field(description="Least, 0.05 to 20.", examples=[0.3])
    highest: Ratio = Field(description="Greatest, 0.05 to 20.", examples=[0.9])


class DepthRange(Ends):
    """Range of the surface depths."""

    shallowest_m: Depth = Field(
        alias="shallowest", description="Shallowest depth, 0.01 mm to 2 mm.", examples=["0.12 mm"]
    )
    deepest_m: Depth = Field(
        alias="deepest", description="Deepest depth, 0.01 mm to 2 mm.", examples=["0.30 mm"]
    )


class AngleRange(Ends):
    """Range of the edge angles of all dimples."""

    lowest_rad: EdgeAngle = Field(
        alias="lowest", description="Least edge angle, 1 deg to 60 deg.", examples=["8 deg"]
    )
    highest_rad: EdgeAngle = Field(
        alias="highest", description="Greatest edge angle, 1 deg to 60 deg.", examples=["20 deg"]
    )


class FamilyLayout(Section):
    """Layouts of a family: what `layout` of one pattern has, in lists and ranges."""

    symmetry: Annotated[list[Symmetry], Field(min_length=1, max_length=20)] = Field(
        description="Rotation groups to try.", examples=[["icosahedral", "octahedral"]]
    )
    count: CountRange = Field(description="Fewest and most dimples; counts that suit a symmetry are tried.")
    classes: Annotated[
        list[Annotated[int, Number(1, 12, 3, whole=True)]], Field(min_length=1, max_length=12)
    ] = Field(
        default_factory=lambda: [1],
        description="Numbers of chord diameters to try; 1 when absent: dimples of one size, which the "
        "coverage gives.",
        examples=[[1, 3]],
    )
    seam: Annotated[list[SeamChoice], Field(min_length=1, max_length=3)] = Field(
        default_factory=_no_seam,
        description="Seams to try; none when absent, then dimples may lie across the seam.",
        examples=[["none", "straight"]],
    )
    seam_amplitude_m: Annotated[float, Quantity(LENGTH, "0.05 mm", "10 mm", "0.8 mm")] | None = Field(
        None,
        alias="seam_amplitude",
        description="Of undulating seams, as of one pattern.",
        examples=["0.8 mm"],
    )
    seam_waves: Annotated[int, Number(1, 60, 10, whole=True)] | None = Field(
        None, description="Of undulating seams, as of one pattern.", examples=[10]
    )
    mirror: bool = Field(
        False,
        strict=True,
        description="Whether the plane through the pole and the flight direction mirrors all layouts.",
    )
    starts: Annotated[int, Number(1, 200, 1, whole=True)] = Field(
        1,
        description="Random starts of the optimiser for each layout, as of one pattern; 1 when absent, so "
        "that hundreds are laid out in a minute.",
    )
    narrowest_land: LandRange = Field(description="Range of the narrowest land between two dimples.")

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Ask for the measures of an undulating seam where one is tried, and only there."""
        seams = given.get("seam") or []
        undulates = isinstance(seams, list) and "undulating" in seams
        for key, example in (("seam_amplitude", "0.8 mm"), ("seam_waves", "10")):
            if undulates and given.get(key) is None:
                yield key, f"is missing; an undulating seam needs it, write for instance {key}: {example}"
            elif not undulates and given.get(key) is not None:
                yield key, "goes with an undulating seam; add that to seam, or remove it"


class FamilyCavity(Section):
    """Cavities of one profile: what `cavity` of one pattern has, in ranges."""

    profile: Literal["arc", "two-radius", "cone", "catenary"] = Field(
        "arc", description="Section of the dimple, as of one pattern."
    )
    joint: JointRange | None = Field(
        None, description="Of two-radius and cone profiles: range of the bottom arc's end."
    )
    radius_ratio: RatioRange | None = Field(
        None, description="Of two-radius profiles: range of the outer arc's radius over the bottom arc's."
    )
    edge_radius_m: Annotated[float, Quantity(LENGTH, "0 mm", "5 mm", "0.3 mm")] = Field(
        0.0,
        alias="edge_radius",
        description="Radius that rounds the edge, 0 mm (sharp) to 5 mm.",
        examples=["0.3 mm"],
    )

    @classmethod
    def key_rules(cls, given: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Ask for the measures of the profile's shape, and for no others."""
        profile = given.get("profile", "arc")
        for key, example, profiles in (
            ("joint", "joint: {lowest: 40 %, highest: 80 %}", ("two-radius", "cone")),
            ("radius_ratio", "radius_ratio: {lowest: 0.3, highest: 0.9}", ("two-radius",)),
        ):
            if profile in profiles and given.get(key) is None:
                yield key, f"is missing; a {profile} profile needs it, write for instance {example}"
            elif profile not in profiles and given.get(key) is not None:
                yield key, f"goes with {' or '.join(profiles)} only; remove it"


class Family(Section):
    """A family of patterns among which the best one is searched, and what can be made of it."""

    candidates: Annotated[int, Number(2, 1000, 200, whole=True)] = Field(
        200, description="Patterns that can be made and are compared, 2 to 1000."
    )
    seed: Annotated[int, Number(0, 2**31 - 1, 1, whole=True)] = Field(
        1, description="Seed of the draws and of the layouts; the same seed gives the same patterns."
    )
    layout: FamilyLayout = Field(description="Layouts to try.")
    cavity: Annotated[list[FamilyCavity], Field(min_length=1, max_length=12)] = Field(
        default_factory=lambda: [FamilyCavity.model_validate({})],
        description="Profiles to try, each as often as any other; arcs when absent.",
    )
    coverage: CoverageRange = Field(description="Range of the coverage.")
    depths: DepthRange = Field(description="Range of the surface depths.")
    edge_angles: AngleRange | None = Field(
        None,
        description="Range of the edge angles of all dimples, to which the depths of each pattern are cut.",
    )
    smallest_cutter_m: Annotated[float, Quantity(LENGTH, "0.05 mm", "50 mm", "2 mm")] | None = Field(
        None,
        alias="smallest_cutter",
        description="Radius of the smallest ball-end cutter: dimples with a smaller hollow radius cannot be "
        "cut, 0.05 mm to 50 mm.",
        examples=["2 mm"],
    )


class SearchedPatterns(Section):
    """Patterns that are searched in place of a list of patterns."""

    search: Family = Field(description="The family of patterns.")


def family_in(data: Any, info: ValidationInfo) -> Family | None:
    """Family of a study's data; None where its patterns are a list."""
    given = data.get("patterns") if isinstance(data, Mapping) else None
    if not isinstance(given, Mapping):
        return None
    return SearchedPatterns.model_validate(
        given, context=info.context, by_alias=True, by_name=info.context is None
    ).search


class OrSearched:
    """Annotation of a list of patterns that may be searched instead: kept as an empty list (`family_in`)."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        listed, searched = handler(source), handler.generate_schema(SearchedPatterns)

        def validate(value: Any, inner: Any, info: Any) -> Any:
            if isinstance(value, Mapping):
                family_in({"patterns": value}, info)
                return []
            return inner(value)

        return core_schema.with_info_wrap_validator_function(
            validate, listed, json_schema_input_schema=core_schema.union_schema([listed, searched])
        )
