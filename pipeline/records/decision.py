"""Record of the decision station: best depths, their intervals and tolerances, and the decision in words."""

from pydantic import Field

from pipeline.records.record import Part, Record


class DecisionRow(Part):
    """A golfer with a pattern: the columns of decision.csv; lengths in m, angles in deg."""

    golfer: str
    pattern: str
    best_depth_m: float
    best_depth_lo_m: float | None
    best_depth_hi_m: float | None
    carry_m: float
    carry_se_m: float | None
    peak_height_m: float
    in_window: bool | None
    p_best: float | None
    tolerance_m: float | None
    at_edge: bool
    p_edge: float | None
    state: str
    descent_deg: float | None = None
    regret_m: float | None = None
    tolerance_edge_angle_deg: float | None = None
    tolerance_diameter_m: float | None = None
    share_within_yard: float | None = None
    total_m: float | None = None
    total_se_m: float | None = None
    carry_lo_m: float | None = None
    carry_hi_m: float | None = None
    crisis_m: float | None = None
    moulding_limit: str | None = None
    share_without_limit: float | None = None
    not_told_from: str | None = None


class DecisionCurve(Part):
    """Carry, its interval and peak height of a golfer with a pattern over depth, all in m."""

    golfer: str
    pattern: str
    depth_m: list[float]
    carry_m: list[float]
    carry_lo_m: list[float]
    carry_hi_m: list[float]
    peak_height_m: list[float]


class GolferAdvice(Part):
    """The decision for one golfer in words."""

    golfer: str
    headline: str
    sentences: list[str]
    state: str
    why: list[str] = Field(default_factory=list)
    pattern: str = ""
    depth_m: float | None = None
    p_within_yard: float | None = None


class ScenarioRow(Part):
    """What one scenario of weather makes of the depth named, and the depth that is best in it."""

    golfer: str
    pattern: str
    scenario: str
    weight: float
    carry_m: float
    best_depth_m: float


class ProductAdvice(Part):
    """The decision for all golfers in words."""

    sentences: list[str] = Field(default_factory=list)


class RuleRow(Part):
    """A number of the Equipment Rules beside the figure of a study; None of a figure that it has not."""

    rule: str
    pattern: str | None
    depth_m: float | None
    unit: str
    limit: float
    ours: float | None
    ours_se: float | None
    inside: bool | None
    note: str
    source: str = ""


class NotToldApart(Part):
    """Two patterns whose surfaces differ by less than the solver mesh resolves."""

    pattern: str
    other: str
    sentence: str


class MadeOf(Part):
    """Fingerprints of the study and of the coefficients that a decision was made of."""

    study: str
    coefficients: str


class Decision(Record):
    """decision.json, as far as others read it; the file has more for people's own scripts."""

    golfers: list[str]
    patterns: list[str]
    notes: list[str]
    rows: list[DecisionRow]
    curves: list[DecisionCurve]
    advice: list[GolferAdvice]
    scenarios: list[ScenarioRow] = Field(default_factory=list)
    product: ProductAdvice = ProductAdvice()
    not_told_apart: list[NotToldApart] = Field(default_factory=list)
    equipment_rules: list[RuleRow] = Field(default_factory=list)
    made_of: MadeOf | None = None
