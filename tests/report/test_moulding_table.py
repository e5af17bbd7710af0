"""The page on moulded balls: their share within a yard, and what limits it."""

from dataclasses import replace

from report_studies import Results

from pipeline.report.decision_tables import moulding_table
from pipeline.report.inputs import read_inputs
from pipeline.study.model import Moulding


def test_share_and_limit_are_shown(small: Results) -> None:
    inputs = read_inputs(*small)
    (row,) = inputs.decision.rows
    assert moulding_table(inputs) is None
    scatter = Moulding(depth_m=20e-6, edge_angle_rad=0.005)
    moulded = {"share_within_yard": 0.62, "moulding_limit": "edge angle", "share_without_limit": 0.96}
    for change, limited, mark in (
        ({}, "scatter of the edge angle; without it 96 %", "warn"),
        (
            {"share_within_yard": 1.0, "moulding_limit": None, "share_without_limit": 1.0},
            "nothing: all are within it",
            "",
        ),
    ):
        table = moulding_table(
            replace(
                inputs,
                study=inputs.study.model_copy(update={"moulding": scatter}),
                decision=inputs.decision.model_copy(
                    update={"rows": [row.model_copy(update=moulded | change)]}
                ),
            )
        )
        assert table is not None
        assert "depth ± 20 µm, edge angle ± 0.29 deg" in table.caption.replace("\u00a0", " ")
        assert "diameter" not in table.caption
        (cells,) = table.rows
        assert cells[4].text.replace("\u00a0", " ") == limited
        assert cells[3].mark == mark
