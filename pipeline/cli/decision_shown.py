"""The decision as `depthline run` ends with it: a line a golfer, one for all, and the short list to cut."""

from rich.table import Table
from rich.text import Text

from pipeline.cli.output import tables
from pipeline.decide.state import DECIDED
from pipeline.records.decision import Decision, DecisionState
from pipeline.study.trade_units import breakable, millimetres, number, shown


def show_decision(decision: Decision) -> None:
    """Print what was decided: headlines with the depth and its 90 % interval, and the short list.

    Parameters
    ----------
    decision : Decision
        decision.json. Lengths are written in the units that are shown
        (`pipeline.study.trade_units.shown_in`); colours only where a terminal shows them.
    """
    console = tables()
    several = len(decision.advice) > 1
    lines: list[tuple[str, str, DecisionState]] = [(of.golfer, of.headline, of) for of in decision.advice]
    if several and decision.product.sentences:
        lines.append(("all golfers", decision.product.sentences[0].rstrip("."), decision.product))
    for whom, headline, of in lines:
        style = "green" if of.state == DECIDED else "yellow"
        said = Text.assemble((f"{whom}: ", "bold"), (breakable(shown(headline)), style))
        console.print(said, soft_wrap=True)
    state = decision.product if several else decision.advice[0] if decision.advice else None
    if state is not None and len(state.short_list) > 1:
        console.print(_short_list(state, "all golfers" if several else decision.advice[0].golfer))


def _short_list(state: DecisionState, whom: str) -> Table:
    table = Table(title=f"Short list for {whom}: depths that may be the best")
    for head in ("pattern", "depth", "within a yard of the best, probability", "this one or one above"):
        table.add_column(head, justify="left" if head == "pattern" else "right")
    for one in state.short_list:
        table.add_row(
            one.pattern,
            breakable(millimetres(one.depth_m)),
            number(one.p_within_yard, 2),
            number(one.p_so_far, 2),
        )
    return table
