"""The sheet of a firing, to print: what is fired in which order, and how exactly carries will be known."""

import math
from pathlib import Path

from pipeline.files.atomic import write_text
from pipeline.range.plan import Plan
from pipeline.range.results import CAUTION
from pipeline.report.pictures import render
from pipeline.report.table import Cell, Table
from pipeline.study.trade_units import yards


def write_sheet(path: Path, of: Plan, wanted_m: float) -> Path:
    """Write the sheet as HTML; its path."""
    rows = [
        [
            Cell(str(shot)),
            Cell(str(block)),
            Cell(ball),
            Cell(f"{speed:.1f}"),
            Cell(f"{spin * 30 / math.pi:.0f}"),
            Cell(""),
        ]
        for shot, (block, ball, _, speed, spin) in enumerate(of.order, start=1)
    ]
    lines = [
        f"{of.balls} balls of each kind, {len(of.order)} shots in blocks of one speed and spin; "
        f"a reference ball is "
        "fired first and last in each. Keep the order: it makes drift of the range cancel.",
        f"Standard error of a difference in carry to the reference: {yards(max(of.se_m.values()))} at most, "
        f"{yards(max(of.found_m.values()))} found in simulated ranges, {yards(wanted_m)} wanted.",
        "Weigh and measure every ball; note temperature and pressure at every block.",
    ]
    columns = ("shot", "block", "ball", "speed, m/s", "spin, rpm", "done")
    order = Table("Order of firing", columns, rows, labels=3)
    values = {"caution": CAUTION, "lines": lines, "order": order}
    write_text(path, render(Path(__file__).with_name("sheet.html.j2"), values))
    return path
