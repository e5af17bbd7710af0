"""Records of the flow station: a run's inputs, how its case was started, its progress, and its result."""

from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator

from pipeline.records.geometry import MeshQuality
from pipeline.records.record import AtLeastOne, Count, NotNegative, Part, Record

USABLE = ("settled", "noisy", "oscillating", "drifting")
"""Verdicts whose means a table may use (the standard errors of the last include the drift)."""

WRONG = ("diverged", "implausible")
"""Verdicts of flows that went wrong; they are computed once more from rest, with more robust settings."""

RETRIED = ("crashed", "killed")
"""Verdicts that the next `depthline run` takes up again; a flow that went wrong twice would do so again."""

FAILED = (*WRONG, *RETRIED)
"""Verdicts of runs without coefficients."""

Verdict = Literal[
    "settled", "noisy", "oscillating", "drifting", "diverged", "implausible", "crashed", "killed"
]

CD_BOUNDS, CL_BOUNDS = (0.0, 10.0), (-3.0, 3.0)
"""What drag and lift of a ball that flies can be, generously (`pipeline.aero.table.BOUNDS`)."""

NAMES = ("run", "pattern", "variant", "geometry", "starts_from")
"""Keys of a run's spec.json that only name things: two studies may name the same run differently."""


class StandardErrors(Part):
    """Target standard errors of Cd and Cl; negative ones let a run go on to its ceiling of iterations."""

    cd: float
    cl: float


class RunInputs(Record):
    """spec.json of a run: the flow, its model and mesh, and the run whose fields it starts from.

    `geometry` and `starts_from` are folders below the results. Angles in rad, lengths in m; `templates` is
    the fingerprint of the case's templates; `courant` replaces the fidelity's largest Courant number.
    """

    run: str
    pattern: str
    variant: str = ""
    geometry: str
    reynolds: NotNegative
    spin_ratio: NotNegative
    fidelity: str
    level: str
    iterations: Count
    standard_error: StandardErrors
    boundary_layer: str
    trip_angle_rad: float | None = None
    ball_diameter_m: NotNegative
    starts_from: str | None
    templates: str = ""
    courant: float | None = None

    def numbers(self) -> dict[str, object]:
        """Content without `NAMES`: what the coefficients of the run depend on."""
        return {key: value for key, value in self.content().items() if key not in NAMES}


class CaseStart(Record):
    """start.json: what a solver case was started for, and fingerprints of its files as they were written."""

    remedy: ClassVar[str] = "the run is started again"

    spec: RunInputs
    solver: str
    ranks: AtLeastOne
    attempt: AtLeastOne
    warnings: list[str]
    files: dict[str, str]


class RunProgress(Record):
    """progress.json: iterations so far and the judgement of the force history, while the solver runs."""

    remedy: ClassVar[str] = "the solver writes it anew"

    iterations: NotNegative
    verdict: str
    cd: float | None = None
    cd_se: NotNegative | None = None
    cl: float | None = None
    cl_se: NotNegative | None = None


class SourceInputs(Part):
    """All that the coefficients of a run depend on; equal ones have equal keys.

    `spec` is that of the run without names, `geometry` the fingerprint of its mesh, `starts_from_key` the key
    of the run that it started from, `code` the fingerprint of our sources of geometry and flow.
    """

    spec: dict[str, object] | None = None
    geometry: str | None = None
    starts_from_key: str | None = None
    solver: str | None = None
    code: str | None = None


class Machine(Part):
    """The computer of a run."""

    host: str | None = None
    cpu: str | None = None
    system: str | None = None


class Provenance(Part):
    """Where the numbers of a run come from; `job` is that of a queue."""

    inputs: SourceInputs = SourceInputs()
    case_files: dict[str, str] = Field(default_factory=dict)
    versions: dict[str, str] = Field(default_factory=dict)
    machine: Machine = Machine()
    job: str | None = None
    started_at: str | None = None
    finished_at: str | None = None


class RunResult(Record):
    """run.json: coefficients of a run with standard errors, its verdict, and how it was computed.

    Coefficients are on the frontal area, Cm on that times the diameter; None in a run that failed, whose
    `reason` says why. `averaged_from` is the first iteration of each mean, `judged_samples` the number of
    samples judged; `cd_change_50` and `cl_change_50` are the largest changes over the last 50 of them.
    """

    run: str
    pattern: str
    verdict: Verdict
    reason: str = ""
    depth_m: NotNegative | None
    edge_angle_deg: float | None
    reynolds: NotNegative
    spin_ratio: NotNegative
    cd: float | None
    cd_se: NotNegative | None
    cl: float | None
    cl_se: NotNegative | None
    cd_change_50: float | None = None
    cl_change_50: float | None = None
    cm: float | None
    cm_se: NotNegative | None
    cs: float | None = None
    cs_se: NotNegative | None = None
    fidelity: str
    level: str = ""
    boundary_layer: str = ""
    solver: str
    cells: Count
    yplus_max: float | None
    yplus_min: float | None = None
    yplus_mean: float | None = None
    iterations: Count
    core_seconds: NotNegative
    wall_seconds: NotNegative | None = None
    legs: Count | None = None
    ranks: AtLeastOne | None = None
    attempts: AtLeastOne = 1
    resumed: bool | None = None
    kept: str = "numbers"
    starts_from: str | None = None
    standard_error_target: StandardErrors | None = None
    averaged_from: dict[str, float] | None = None
    judged_samples: Count | None = None
    residuals: dict[str, float] | None = None
    mesh: MeshQuality | None = None
    cells_across_dimple: float | None = None
    cells_across_boundary_layer: Count | None = None
    boundary_layer_thickness: float | None = None
    warnings: list[str] = Field(default_factory=list)
    started_at: str | None = None
    host: str | None = None
    key: str | None = None
    reused_from: str | None = None
    provenance: Provenance | None = None

    @model_validator(mode="after")
    def _numbers_of_a_ball(self) -> Self:
        """Coefficients of a run that its verdict calls usable are those of a ball, with standard errors."""
        if self.verdict not in USABLE:
            return self
        for name, value, (low, high) in (("cd", self.cd, CD_BOUNDS), ("cl", self.cl, CL_BOUNDS)):
            if value is None or not low <= value <= high:
                raise ValueError(f"a usable run: {name} is not a number from {low:g} to {high:g}")
        for name, error in (("cd_se", self.cd_se), ("cl_se", self.cl_se)):
            if error is None:
                raise ValueError(f"a usable run: {name} is not a number from 0 up")
        if self.cm is not None and self.cm_se is None:
            raise ValueError("a usable run: cm has no standard error")
        return self

    def coefficient(self, name: str) -> tuple[float, float]:
        """Value and standard error of "cd", "cl", "cm" or "cs" of a usable run.

        Raises
        ------
        ValueError
            The run has no such coefficient.
        """
        known = {
            "cd": (self.cd, self.cd_se),
            "cl": (self.cl, self.cl_se),
            "cm": (self.cm, self.cm_se),
            "cs": (self.cs, self.cs_se),
        }
        value, error = known[name]
        if value is None or error is None:
            raise ValueError(f"{self.run}: has no {name}")
        return value, error


class ReuseEntry(Record):
    """KEY.json of the store of results: a finished run, its folder, and sizes and times of its files."""

    remedy: ClassVar[str] = "it is set aside, and the run is computed"

    folder: str
    files: dict[str, list[int] | None]
    result: RunResult


class DueFlow(Part):
    """A flow of the validation that is due: the flow that it waits for, its MPI ranks, its memory."""

    after: str | None
    ranks: AtLeastOne
    memory_mb: Count


class FlowPlan(Record):
    """flows.json of the validation: the flows that its workflow is to compute, by run."""

    due: dict[str, DueFlow]


class FlowMeasures(Record):
    """measures.json of the validation: what was measured in a run's final state, and the run's inputs."""

    spec: RunInputs
    measures: dict[str, float | None]
