"""What the report reads: the files that the stations before it have left in the results folder."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import InputError
from pipeline.files import read_json
from pipeline.flow.run import RESULT
from pipeline.geometry.build import SKIN_PLY, TOTALS
from pipeline.matrix import RunSpec, Variant, runs, variants
from pipeline.study import Study

if TYPE_CHECKING:
    import pandas as pd

_DECISION_KEYS = ("golfers", "patterns", "rows", "curves", "advice", "notes")
_FLIGHT_NAMES = ("pattern", "golfer")


@dataclass(frozen=True)
class Inputs:
    """Results of a study, as far as they are there.

    Parameters
    ----------
    study : Study
        The study.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    flights : DataFrame
        Columns of `pipeline.flight.station.COLUMNS`.
    decision : dict
        decision.json.
    plan : list of RunSpec
        Every run of the study.
    runs : dict
        run.json of each run that has one, by run identifier.
    variants : list of Variant
        Every pattern and depth.
    totals : dict
        totals.json of each variant that has one, by (pattern, key).
    skins : dict of Path
        The surface of each variant that has one, by (pattern, key).
    """

    study: Study
    coefficients: "pd.DataFrame"
    flights: "pd.DataFrame"
    decision: dict[str, Any]
    plan: list[RunSpec]
    runs: dict[str, dict[str, Any]]
    variants: list[Variant]
    totals: dict[tuple[str, str], dict[str, Any]]
    skins: dict[tuple[str, str], Path]

    def depth_m(self, variant: Variant) -> float | None:
        """Surface depth of a variant, the mean over its dimples; None when it is not known [m]."""
        found = self.totals.get((variant.pattern, variant.key), {}).get("depth_m", variant.depth_m)
        return None if found is None else float(found)


def read_inputs(study: Study, results: Path) -> Inputs:
    """Read a study's results.

    Parameters
    ----------
    study : Study
        The study.
    results : Path
        Its results folder, with coefficients.csv, flights.csv and decision.json; run.json, totals.json and
        skin.ply are used where they are.

    Returns
    -------
    Inputs
        The results.

    Raises
    ------
    InputError
        One of the three is missing, a file is broken, or the decision is about other golfers or patterns.
    """
    from pipeline.aero.collect import read_coefficients

    results = Path(results)
    plan, everything = runs(study), variants(study)
    geometry = {
        (variant.pattern, variant.key): results / "geometry" / variant.pattern / variant.key
        for variant in everything
    }
    return Inputs(
        study=study,
        coefficients=read_coefficients(results / "coefficients.csv"),
        flights=read_flights(results / "flights.csv"),
        decision=_read_decision(results / "decision.json", study),
        plan=plan,
        runs={
            run.run_id: read_json(path) for run in plan if (path := results / run.run_id / RESULT).is_file()
        },
        variants=everything,
        totals={
            key: read_json(folder / TOTALS) for key, folder in geometry.items() if (folder / TOTALS).is_file()
        },
        skins={key: folder / SKIN_PLY for key, folder in geometry.items() if (folder / SKIN_PLY).is_file()},
    )


def _read_decision(path: Path, study: Study) -> dict[str, Any]:
    decision = read_json(path)
    for key in _DECISION_KEYS:
        if not isinstance(decision, dict) or key not in decision:
            raise InputError(f'{path}: the key "{key}" is missing; remove the file and run the study again')
    for key, sections in (("golfers", study.golfers), ("patterns", study.patterns)):
        if decision[key] != [section.name for section in sections]:
            raise InputError(
                f"{path}: {key}: is about {', '.join(decision[key])}, not the study's "
                f"{', '.join(section.name for section in sections)}; run the study again"
            )
    return decision


def read_flights(path: Path) -> "pd.DataFrame":
    """Read flights.csv.

    Raises
    ------
    InputError
        It is missing, is no CSV, lacks a column, or has text where a number belongs.
    """
    import pandas as pd

    from pipeline.flight.station import COLUMNS

    try:
        # A golfer may be called "NA" or "7": names stay the text that they are.
        frame = pd.read_csv(path, dtype=str, keep_default_na=False)
    except FileNotFoundError:
        raise InputError(f"{path}: missing; the flight station has not finished") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read as CSV ({error}); run the study again") from None
    for name in COLUMNS:
        if name not in frame:
            raise InputError(f'{path}: column "{name}" is missing; run the study again')
        if name in _FLIGHT_NAMES:
            continue
        numbers = pd.to_numeric(frame[name], errors="coerce")
        wrong = numbers.isna() & ~frame[name].str.lower().isin(["", "nan"])
        if wrong.any():
            line = int(wrong.to_numpy().argmax()) + 2
            raise InputError(f'{path}:{line}: {name}: "{frame[name][line - 2]}" is not a number')
        frame[name] = numbers.astype(float)
    return frame
