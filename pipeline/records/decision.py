"""Record of the decision station: best depths, their intervals and tolerances, and the decision in words."""

from typing import ClassVar

from pydantic import Field

from pipeline.records.record import Part, Record


class DecisionRow(Part):
    """A golfer with a pattern: the columns of decision.csv, in their order; lengths in m, angles in deg.

    The best depth is that of the greatest carry, or total distance where the golfer aims at that, less what a
    flight outside a preferred or required window costs. Its interval covers 5 to 95 % of the joint draws of
    the coefficients and of the errors that the study states. `p_best` is the share of draws in which the
    pattern, at its best depth, is the best; `p_edge` that in which its best depth is the shallowest or
    deepest; `tolerance_m` the change of depth that costs a yard; `regret_m` what the golfer gives away, on
    average over the draws, with the pattern at the depth that is best for all golfers against his own best;
    `moulding_limit` the scatter that costs the most of `share_within_yard`, and `share_without_limit` that
    share if it were zero; `total_m` is less certain than its standard error says; `unresolved_from` names the
    patterns, "; " between them, from which the mesh does not resolve it.

    None stands where there is no value: no interval with one usable depth, no window, no scatter of moulding;
    a pattern that another stands for has the `p_best` of that one, and no regret.
    """

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
    descent_deg: float | None = None
    p_edge: float | None
    regret_m: float | None = None
    tolerance_edge_angle_deg: float | None = None
    tolerance_diameter_m: float | None = None
    share_within_yard: float | None = None
    total_m: float | None = None
    total_se_m: float | None = None
    state: str
    carry_lo_m: float | None = None
    carry_hi_m: float | None = None
    crisis_m: float | None = None
    moulding_limit: str | None = None
    share_without_limit: float | None = None
    unresolved_from: str | None = None


class DecisionCurve(Part):
    """Carry, its interval and peak height of a golfer with a pattern over depth, all in m."""

    golfer: str
    pattern: str
    depth_m: list[float]
    carry_m: list[float]
    carry_lo_m: list[float]
    carry_hi_m: list[float]
    peak_height_m: list[float]


class Prototype(Part):
    """An entry of the short list: a depth to cut [m].

    `p_within_yard` is the probability that it is within a yard of the best pattern and depth, `p_so_far` that
    it or one before it in the list is.
    """

    pattern: str
    depth_m: float
    p_within_yard: float
    p_so_far: float


class PlaceOutcome(Part):
    """Depth that would be best, were the critical Reynolds number of a ball, not spinning, measured [m]."""

    pattern: str
    depth_m: float
    reynolds: float
    best_depth_m: float


class DecisionState(Part):
    """State of a decision and its reasons (`pipeline.decide.state.State`); no depth where there is none."""

    state: str = ""
    why: list[str] = Field(default_factory=list)
    pattern: str = ""
    depth_m: float | None = None
    p_within_yard: float | None = None
    short_list: list[Prototype] = Field(default_factory=list)
    places: list[PlaceOutcome] = Field(default_factory=list)


class GolferAdvice(DecisionState):
    """The decision for one golfer in words: what to do, what it is worth, and why."""

    golfer: str
    headline: str
    sentences: list[str]


class ScenarioRow(Part):
    """What one scenario of weather makes of the depth named, and the depth that is best in it."""

    golfer: str
    pattern: str
    scenario: str
    weight: float
    carry_m: float
    best_depth_m: float


class PatternOfProduct(Part):
    """One pattern as the product for all golfers; lengths in m.

    `value_m` is the weighted mean of what its best depth is worth to the golfers; `p_best` and `p_edge` as of
    `DecisionRow`; `regret_m` and `regret_hi_m` are the mean and the 95th percentile over draws of what
    cutting it at `depth_m` gives away against the best pattern and depth of that draw; `regrets_m` is, by
    golfer, the mean of what the golfer gives away against his own best.
    """

    pattern: str
    depth_m: float
    depth_lo_m: float
    depth_hi_m: float
    value_m: float
    p_best: float
    p_edge: float
    regret_m: float
    regret_hi_m: float
    regrets_m: dict[str, float]


class ProductAdvice(DecisionState):
    """The decision for all golfers: its words, the golfers' weights, and every pattern that is ranked."""

    sentences: list[str] = Field(default_factory=list)
    weights: dict[str, float] = Field(default_factory=dict)
    patterns: list[PatternOfProduct] = Field(default_factory=list)


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


class NextDepth(Part):
    """A depth that could be computed, at all Reynolds numbers and spin ratios of the study.

    Attributes
    ----------
    pattern : str
        Name.
    depth_m : float
        Surface depth [m].
    edge_angle_rad : float or None
        Its edge angle, for a pattern whose study lists edge angles [rad].
    gain_m : float
        Expected gain of carry (weighted over the golfers) from choosing with its runs instead of without [m].
    runs : int
        Their number.
    core_hours : float
        Their price.
    """

    pattern: str
    depth_m: float
    edge_angle_rad: float | None
    gain_m: float
    runs: int
    core_hours: float

    @property
    def gain_per_core_hour(self) -> float:
        """Expected gain for each core hour [m/h]."""
        return self.gain_m / self.core_hours


class NextConditions(Part):
    """Reynolds numbers and spin ratios beyond those of a study that its flights need, at every depth."""

    reynolds: list[float]
    spin_ratios: list[float]


class RunsToAdd(Part):
    """What to compute next: depths with enough expected gain, best first, and conditions beyond the table."""

    depths: list[NextDepth] = Field(default_factory=list)
    conditions: NextConditions | None = None


class PlaceOfFit(Part):
    """A place of the drag crisis that a model weighs: its shift and width in the logarithm of Re."""

    weight: float
    shift: float
    width: float


class CoefficientFit(Part):
    """How the model of one coefficient was fitted, and how it meets the runs, in units of their errors."""

    hyperparameters: dict[str, float]
    converged: bool
    leave_one_out_ratio: float | None
    worst_run: str
    worst_ratio: float | None
    furthest_run: str | None = None
    furthest_ratio: float | None = None


class ModelFit(Part):
    """How the coefficients of one pattern were fitted; `inside_crisis` counts the runs in the drag crisis."""

    pattern: str
    runs: int
    inside_crisis: int
    places: list[PlaceOfFit] | None = None
    cd: CoefficientFit
    cl: CoefficientFit
    cm: CoefficientFit | None = None

    @property
    def coefficients(self) -> dict[str, CoefficientFit]:
        """Fits by name: "cd", "cl" and, when moments can be flown, "cm"."""
        found = {"cd": self.cd, "cl": self.cl}
        return found if self.cm is None else found | {"cm": self.cm}


class Unresolved(Part):
    """Two patterns whose surfaces differ by less than the solver mesh of a study resolves.

    Attributes
    ----------
    pattern, other : str
        Names, in the study's order.
    depth_m : float
        Mean surface depth at which they were compared [m].
    level : str
        Mesh level of the study.
    cell_m : float
        Width of its cells [m].
    exact_m, missed_m : float
        As of `pipeline.geometry.shell.surface_difference.SurfaceDifference` [m].
    resolved_at : str or None
        The coarsest finer level that resolves the difference; None when none does.
    sentence : str
        What is not resolved, why, and which level would resolve it.
    """

    pattern: str
    other: str
    depth_m: float
    level: str
    cell_m: float
    exact_m: float
    missed_m: float
    resolved_at: str | None
    sentence: str


class StatedMeshError(Part):
    """Error of the mesh: of Cd and Cl, the share that depths have in common, of their slopes with depth."""

    cd: float
    cl: float
    shared: float
    cd_slope: float
    cl_slope: float


class CorrectionBall(Part):
    """A measured ball beside the computed one: mean differences of Cd and ln Cl, and carries [m]."""

    name: str
    pattern: str
    place: str
    depth_m: float
    conditions: int
    difference: list[float]
    left_over: list[float]
    level: list[float]
    carry_measured_m: float
    carry_computed_m: float
    carry_others_m: float
    carry_patterns_m: float
    carry_corrected_m: float


class SharedTerm(Part):
    """A term of the discrepancy that all patterns share: of "Cd" or "ln Cl"."""

    term: str
    of: str
    value: float
    sd: float


class CorrectionEffect(Part):
    """Carry, peak height and best depth of a golfer with a pattern before and after a correction [m]."""

    golfer: str
    pattern: str
    depth_m: list[float]
    carry_before_m: list[float]
    carry_m: list[float]
    peak_height_before_m: list[float]
    peak_height_m: list[float]
    best_depth_before_m: float
    best_depth_m: float


class CorrectionRecord(Part):
    """What measured balls made of the computed coefficients (`pipeline.aero.correction.Correction`)."""

    applied: bool
    for_all: bool
    why: str
    left_out: list[str]
    before_m: float | None
    others_m: float | None
    patterns_m: float | None
    balls: list[CorrectionBall]
    shared: list[SharedTerm]
    effect: list[CorrectionEffect]


class Addition(Part):
    """What a correction by other flows adds at a depth, in the middle of the study's: to Cd, and of Cl."""

    pattern: str
    depth_m: float
    cd: float
    cd_sd: float
    cl_share: float
    cl_share_sd: float


class DepthWithout(Part):
    """Most probable best depth of a golfer with a pattern without such a correction [m]."""

    golfer: str
    pattern: str
    best_depth_m: float


class MovingDimples(Part):
    """What the flights have of dimples that move, which the runs lack (`pipeline.aero.moving_dimples`).

    `reynolds` and `spin_ratio` are where the additions are given, `pairs` how many pairs of runs taught them.
    """

    pairs: int
    reynolds: float
    spin_ratio: float
    added: list[Addition]
    without: list[DepthWithout]


class FinerPair(Part):
    """A flow on the study's mesh and on the finer one; `used` outside the crisis, with lift, settled."""

    run: str
    finer_run: str
    used: bool
    depth_m: float
    reynolds: float
    spin_ratio: float
    cd: float
    cd_finer: float
    cl: float
    cl_finer: float


class FinerMesh(Part):
    """How runs on a finer mesh correct those of a study (`pipeline.aero.finer_mesh`).

    `reynolds` and `spin_ratio` are where the additions are given; `added` is empty where too few pairs could
    be used, and nothing is corrected.
    """

    level: str
    pairs: list[FinerPair]
    reynolds: float
    spin_ratio: float
    added: list[Addition]
    without: list[DepthWithout]


class MadeOf(Part):
    """Fingerprints of the study and of the coefficients that a decision was made of."""

    study: str
    coefficients: str


class Decision(Record):
    """decision.json: the depth to cut for every golfer and pattern, and one product for all golfers.

    `models` says how the coefficients were fitted, `notes` what was left out or extrapolated, `next` what to
    compute next, `interval` between which quantiles of the draws intervals lie, `shots` and `draws` how many
    of each were flown.
    """

    version: ClassVar[int] = 2

    study: str = ""
    golfers: list[str]
    patterns: list[str]
    state: str = ""
    rows: list[DecisionRow]
    curves: list[DecisionCurve]
    advice: list[GolferAdvice]
    scenarios: list[ScenarioRow] = Field(default_factory=list)
    product: ProductAdvice = ProductAdvice()
    equipment_rules: list[RuleRow] = Field(default_factory=list)
    next: RunsToAdd = RunsToAdd()
    models: list[ModelFit] = Field(default_factory=list)
    notes: list[str]
    unresolved: list[Unresolved] = Field(default_factory=list)
    mesh_error: StatedMeshError | None = None
    interval: list[float] = Field(default_factory=list)
    shots: int = 0
    draws: int = 0
    correction: CorrectionRecord | None = None
    moving_dimples: MovingDimples | None = None
    finer_mesh: FinerMesh | None = None
    made_of: MadeOf | None = None
