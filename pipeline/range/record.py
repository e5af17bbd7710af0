"""Record of a reduction (reduction.json): coefficients with their covariance, scatter, carries, findings."""

from typing import ClassVar

from pipeline.records.record import Part, Record


class GivenFile(Part):
    """A file of firings and its SHA-256 sum."""

    file: str
    sha256: str


class FiredPattern(Part):
    """What was fired of a pattern, and the ranges that its table covers; no depth where none was measured."""

    pattern: str
    depth_m: float | None
    balls: int
    shots: int
    reynolds: list[float]
    spin_ratio: list[float]


class CoefficientRow(Part):
    """Coefficient of one term of "cd" or "cl"; without value where the shots do not determine it."""

    pattern: str
    of: str
    term: str
    determined: bool
    value: float | None
    se: float | None


class Parameters(Part):
    """Common parameters in their order, means and covariance; Re in `reynolds_unit`, depth in m."""

    order: list[str]
    mean: list[float]
    covariance: list[list[float]]
    reynolds_unit: float
    depth_unit_m: float


class ScatterFound(Part):
    """Standard deviations of shots, and of balls where more than one of a pattern was fired."""

    shot_cd: float
    shot_cl: float
    ball_cd: float | None
    ball_cl: float | None


class Carry(Part):
    """Carry of one launch with a pattern: median, standard error, 90 % interval; lengths in m.

    `extrapolated` is the share of the flight time outside what the shots cover.
    """

    pattern: str
    depth_m: float | None
    carry_m: float
    carry_se_m: float
    carry_lo_m: float
    carry_hi_m: float
    peak_height_m: float
    extrapolated: float


class FindingRow(Part):
    """Something that is wrong, or worth knowing."""

    kind: str
    text: str


class ReductionRecord(Record):
    """reduction.json; SI, units in the names. `needed` is of `pipeline.range.measures.Needs`."""

    remedy: ClassVar[str] = "reduce the firings again (depthline range reduce)"
    version: ClassVar[int] = 2

    depthline: str
    files: list[GivenFile]
    shots: int
    shots_left_out: int
    times_left_out: int
    patterns: list[FiredPattern]
    coefficients: list[CoefficientRow]
    parameters: Parameters
    scatter: ScatterFound
    errors_over_stated: dict[str, float]
    needed: dict[str, float | None]
    carry: list[Carry]
    findings: list[FindingRow]
    caution: str
