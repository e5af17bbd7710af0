"""Runs on a finer mesh: what they say of the study's own mesh, and each pair of runs."""

from pipeline.records.decision import Addition, FinerMesh
from pipeline.report.table import Cell, Table
from pipeline.study.trade_units import millimetres, number, whole


def sentences(of: FinerMesh, several: bool) -> str:
    """Say how finer runs correct those of the study, and what best depths would be without.

    Parameters
    ----------
    of : FinerMesh
        From the decision.
    several : bool
        Whether the study has several patterns, which are then named.
    """
    used = sum(pair.used for pair in of.pairs)
    if not of.added:
        return (
            f"{len(of.pairs)} flows were computed on the {of.level} mesh too, of which {used} can be "
            "compared: too few to correct the others."
        )
    low, high = min(of.added, key=_depth), max(of.added, key=_depth)
    both = " and ".join(
        f"{end.cd:+.3f} ± {end.cd_sd:.3f} of Cd and {100 * end.cl_share:+.0f} ± "
        f"{100 * end.cl_share_sd:.0f} % of Cl at {millimetres(end.depth_m)}"
        for end in ([low] if low is high else [low, high])
    )
    without = "; ".join(
        f"{millimetres(one.best_depth_m)} for {one.golfer}{f' with {one.pattern}' if several else ''}"
        for one in of.without
    )
    return (
        f"{used} flows were computed on the {of.level} mesh too. By what they differ all coefficients are "
        f"corrected: {both} (Re {whole(of.reynolds)}, S {of.spin_ratio:.2g}); the uncertainty is in all "
        f"bands. Without it the most probable best depths would be {without}."
    )


def _depth(of: Addition) -> float:
    return of.depth_m


def pairs_table(of: FinerMesh) -> Table:
    """One row a flow that was computed on both meshes."""
    rows = [
        [
            Cell(pair.run.split("/")[1]),
            Cell(millimetres(pair.depth_m)),
            Cell(whole(pair.reynolds)),
            Cell(f"{pair.spin_ratio:g}"),
            Cell(number(pair.cd, 4)),
            Cell(f"{pair.cd_finer - pair.cd:+.4f}"),
            Cell(number(pair.cl, 4)),
            Cell(f"{pair.cl_finer - pair.cl:+.4f}"),
            Cell(
                "yes" if pair.used else "no: drag crisis, no lift, or drifting", "" if pair.used else "warn"
            ),
        ]
        for pair in of.pairs
    ]
    columns = (
        "Pattern", "Surface depth", "Re", "S", "Cd", f"Cd, {of.level} less own mesh", "Cl",
        f"Cl, {of.level} less own mesh", "Used",
    )  # fmt: skip
    return Table("Flows computed on a finer mesh too", columns, rows, labels=2)
