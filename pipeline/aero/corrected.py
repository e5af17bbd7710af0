"""A coefficient model corrected for discrepancies of its flows; flown and decided like any other."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from pipeline.aero.discrepancy import Discrepancy, columns
from pipeline.aero.model import CoefficientModel
from pipeline.aero.stated_error import StatedError
from pipeline.aero.table import BOUNDS, CoefficientTable, TableBatch
from pipeline.arrays import FloatArray


class CorrectedModel(CoefficientModel):
    """Computed coefficients of a pattern, with discrepancies of `pipeline.aero.discrepancy` applied.

    Drag is added to, lift multiplied. Both were learned where the boundary layer is tripped all round, so
    they fade with the share of the meridians that is not: the drag crisis is a regime of its own, whose place
    measured critical Reynolds numbers move. What compares the model with its runs stays that of the computed
    model.

    Parameters
    ----------
    computed : CoefficientModel
        Of the runs, or one that is corrected already: this discrepancy is then added.
    discrepancy : Discrepancy
        Of all patterns.
    measured : bool
        Whether measured balls taught it (else other flows: `pipeline.aero.moving_dimples`).
    finer_mesh : bool
        Whether these were flows on a finer mesh (`pipeline.aero.finer_mesh`).
    """

    def __init__(
        self,
        computed: CoefficientModel,
        discrepancy: Discrepancy,
        measured: bool = True,
        finer_mesh: bool = False,
    ) -> None:
        self.__dict__.update(computed.__dict__)
        self._forget_tables()
        before = computed.discrepancies if isinstance(computed, CorrectedModel) else ()
        self.discrepancies: tuple[Discrepancy, ...] = (*before, discrepancy)
        self.corrected = measured or computed.corrected
        self.finer_mesh = finer_mesh or computed.finer_mesh
        # What measured balls say is the sum of all that flows lack: it leaves the earlier parts no spread of
        # their own.
        self._uncertain = (discrepancy,) if measured else self.discrepancies

    def _forget_tables(self) -> None:
        super()._forget_tables()
        self._last_corrected: tuple[object, TableBatch] | None = None

    def without_spread(self) -> Self:
        """Return the same model with the most probable discrepancies, and the crisis at one place."""
        found = super().without_spread()
        found._uncertain = ()
        return found

    def tables(self, depth_m: ArrayLike) -> list[CoefficientTable]:
        """Return the corrected tables, with the standard deviation of the discrepancy in their errors."""
        found = []
        for depth, table in zip(np.atleast_1d(depth_m), super().tables(depth_m), strict=True):
            found.append(self._table(float(depth), table))
        return found

    def most_probable(self, depth_m: ArrayLike, crisis: bool = True, coarse: bool = False) -> TableBatch:
        """Return the tables with the mean discrepancy."""
        tables = super().most_probable(depth_m, crisis, coarse)
        depth = np.asarray(depth_m, float)
        at = self._columns(depth, tables)
        shift = self._discrepancy_at(at)
        tripped = self._tripped(depth, tables, np.array([self._shift()]))[:, 0] if crisis else 1.0
        return _applied(tables, shift[0] * tripped, shift[1] * tripped)

    def runs_table(self, depth_m: float) -> CoefficientTable | None:
        """Return the runs' own grid with the mean discrepancy."""
        table = super().runs_table(depth_m)
        return None if table is None else self._table(depth_m, table, errors=False)

    def added(self, depth_m: ArrayLike, reynolds: ArrayLike, spin_ratio: ArrayLike) -> FloatArray:
        """Return the most probable sum of the discrepancies, faded with the share that is not tripped."""
        at = columns(depth_m, reynolds, spin_ratio)
        return np.asarray(self._discrepancy_at(at) * (1.0 - self.untripped(depth_m, reynolds, spin_ratio)))

    def draws(self, depth_m: ArrayLike, n: int, seed: int, stated: Sequence[StatedError] = ()) -> TableBatch:
        """Draw tables, each with its own draw of the discrepancy, the same for all patterns."""
        depth = np.asarray(depth_m, float)
        key = (depth.tobytes(), n, seed, tuple(stated))
        if self._last_corrected is not None and self._last_corrected[0] == key:
            return self._last_corrected[1]
        tables = super().draws(depth, n, seed, stated)
        at = self._columns(depth, tables)
        shift = self._discrepancy_at(at)[:, :, None]  # (2, d, n, r, s)
        for place, of in enumerate(self._uncertain):
            drawn = of.of_parameters(self.pattern, at, of.draws(n, seed + place))
            shift = shift + np.moveaxis(drawn, 1, 2) - of.mean_at(self.pattern, at)[:, :, None]
        tripped = self._tripped(depth, tables, self._places(n, seed)[1])
        every, shape = (depth.size, n, *at.shape[1:3]), tables.values.shape[:3]
        drag, lift = (np.broadcast_to(of * tripped, every).reshape(shape) for of in shift)
        found = _applied(tables, drag, lift)
        self._last_corrected = (key, found)
        return found

    def _table(self, depth_m: float, table: CoefficientTable, errors: bool = True) -> CoefficientTable:
        re, s = table.reynolds[:, None], table.spin_ratio[None, :]
        at = columns(depth_m, re, s)
        tripped = 1.0 - self.untripped(depth_m, re, s)
        drag, lift = self.added(depth_m, re, s)
        variance = np.zeros((2, *at.shape[:-1]))
        for of in self._uncertain:
            variance += of.deviation_at(self.pattern, at) ** 2
        drag_sd, lift_sd = np.sqrt(variance) * tripped
        cl = table.cl * np.exp(lift)
        changes = {"cd": np.clip(table.cd + drag, *BOUNDS["cd"]), "cl": np.clip(cl, *BOUNDS["cl"])}
        if errors:
            changes["cd_se"] = np.hypot(table.cd_se, drag_sd)
            changes["cl_se"] = np.hypot(table.cl_se * np.exp(lift), cl * lift_sd)
        return replace(table, **changes)

    def _discrepancy_at(self, at: FloatArray) -> FloatArray:
        return np.asarray(sum(of.mean_at(self.pattern, at) for of in self.discrepancies))

    @staticmethod
    def _columns(depth_m: FloatArray, tables: TableBatch) -> FloatArray:
        """Terms at the nodes of tables at depths, shape (d, r, s, 4)."""
        re = np.exp(tables.log_reynolds)[:, None]
        return columns(depth_m[:, None, None], re, tables.spin_ratio)

    def _tripped(self, depth_m: FloatArray, tables: TableBatch, shift: FloatArray) -> FloatArray:
        """Share of the meridians that is tripped, the crisis moved by `shift`, shape (d, k, r, s)."""
        if self.criterion is None:
            return np.ones((1, 1, 1, 1))
        off = tables.log_reynolds - self.criterion.log_critical(depth_m)[:, None]
        log_ratio = off[:, None, :, None] - shift[:, None, None]
        place = self.surfaces[0].surface.place
        return np.asarray(1.0 - place.untripped(log_ratio, tables.spin_ratio))


def _applied(tables: TableBatch, drag: FloatArray, lift: FloatArray) -> TableBatch:
    values = tables.values.copy()
    values[..., 0] = np.clip(values[..., 0] + drag, *BOUNDS["cd"])
    values[..., 1] *= np.exp(lift)
    return replace(tables, values=values)
