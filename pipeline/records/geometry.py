"""Records of the geometry station: inputs of a layout and of a variant, totals of a ball, mesh quality."""

from typing import TypedDict

from pydantic import ConfigDict, Field

from pipeline.records.record import AtLeastOne, Count, NotNegative, Part, Record, Share


class LayoutInputs(Record):
    """layout.json: all that a pattern's layout depends on.

    A layout is read from `file`, whose content `file_sha256` knows, or found by an optimiser. Lengths in m;
    `chord_diameter_m` is None when the file gives it, or when there are `classes`, whose diameters are found.
    """

    pattern: str = ""
    ball_diameter_m: NotNegative
    chord_diameter_m: float | None
    file: str | None
    file_sha256: str | None = None
    symmetry: str | None
    count: Count | None = None
    seed: int | None = None
    mirror: bool = False
    narrowest_land_m: float | None = None
    starts: AtLeastOne | None = None
    classes: int | None = None
    shares: list[float] | None = None
    sides: int = 0
    seam: str | None = None
    seam_amplitude_m: float | None = None
    seam_waves: int | None = None


class SectionInputs(TypedDict, total=False):
    """Section of a pattern's dimples, as in `BallInputs`: what is other than an arc of one depth."""

    profile: str
    joint: float
    radius_ratio: float
    edge_radius_m: float
    scale_depth: bool


class BallInputs(Record):
    """What a ball is made of besides its layout: the mean depth, or edge angle, and the dimples' section.

    `depth_m` is the mean surface depth of the dimples, `edge_angle_rad` their mean edge angle; one of them is
    given. With `scale_depth` depths grow in proportion to the chord diameters.
    """

    ball_diameter_m: NotNegative
    depth_m: float | None
    edge_angle_rad: float | None
    profile: str = "arc"
    joint: float | None = None
    radius_ratio: float | None = None
    edge_radius_m: float = 0.0
    scale_depth: bool = False


class VariantInputs(BallInputs):
    """spec.json of a variant: all that its surface and mesh depend on besides its pattern's layout.

    `n` quadrilaterals along a cube edge, `layers` of cells, the first of a height of `first_cell` diameters;
    `wall_layers` and `coarsen_at` as of `pipeline.geometry.shell.mesh.Level`.
    """

    pattern: str
    key: str
    n: AtLeastOne
    layers: AtLeastOne
    first_cell: NotNegative
    wall_layers: Count = 0
    coarsen_at: list[AtLeastOne] = Field(default_factory=list)
    whole: bool = False
    orientation: str = "pole-up"

    def content(self) -> dict[str, object]:
        """JSON content of the file, names first: with another text of it all runs would be redone."""
        return {"pattern": self.pattern, "key": self.key} | super().content()


class ClassTotals(Part):
    """A size class: count, mean chord diameter and depth [m], and its share of the dimples' area."""

    model_config = ConfigDict(populate_by_name=True)

    name: str = Field(alias="class")
    count: Count
    chord_diameter_m: NotNegative
    depth_m: NotNegative
    area_share: Share


class FlowTotals(Record):
    """What a run needs of totals.json: mean depth and edge angle, and the mesh's cells across a dimple."""

    depth_m: NotNegative | None
    edge_angle_deg: NotNegative | None
    cells_across_dimple: float | None = None


class BallTotals(FlowTotals):
    """totals.json: totals of a ball, as of `pipeline.geometry.ball.totals.totals`; None has no value."""

    count: Count
    symmetry: str
    order: Count
    coverage: Share
    dimple_volume_share: Share
    narrowest_land_m: float | None
    depth_min_m: NotNegative | None
    depth_max_m: NotNegative | None
    edge_angle_min_deg: NotNegative | None
    edge_angle_max_deg: NotNegative | None
    chord_diameter_min_m: NotNegative | None
    chord_diameter_max_m: NotNegative | None
    dimple_volume_m3: NotNegative = 0.0
    enclosed_volume_m3: NotNegative = 0.0
    classes: list[ClassTotals] | None = None
    balance: dict[str, float | None] | None = None
    free_great_circles: Count | None = None
    seam: str | None = None
    seam_clearance_m: float | None = None
    skin: dict[str, int | float | bool | None] | None = None


class MeshQuality(Record):
    """quality.json: worst faces and smallest cell of a shell, as the solver's own mesh check defines them."""

    max_non_orthogonality_deg: float
    max_skewness: float
    min_volume: float
    cells: Count | None = None
    edges_fitted: bool | None = None
