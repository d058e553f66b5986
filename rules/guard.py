"""The guard: one step of the decision code, and two ways to run it that agree bit for bit."""

from collections.abc import Mapping, Sequence
from typing import Any

from rules import channels as ch
from rules.facts import Rig
from rules.step.constants import (
    DELAY_S,
    constants_of,
)
from rules.step.state import (
    N_DECISION,
    N_STATE,
    Decision,
)
from rules.step.step import fresh_state, step


class Guard:
    """Judges a stream of samples against a rig.

    ``step`` takes one sample, ``run`` many; both go through the same ``step`` function above, and
    may be mixed. A guard keeps no clock: the result depends on the samples alone.
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.constants = constants_of(rig)
        self._k, self._columns = self.constants
        self._state = fresh_state(self.constants)
        self._compiled: Any = None
        self._arrays: Any = None

    def step(self, sample: Sequence[float]) -> Decision:
        """Take one sample (``Sample``, or a row of ``ROW_WIDTH`` floats); return the decision."""
        if self._compiled is None:
            step(self._k, self._columns, self._state, sample, 0)
            return Decision._make(self._state[:N_DECISION])
        k, columns, state, row = self._arrays
        row[:] = sample
        self._compiled(k, columns, state, row)
        return Decision._make(state[:N_DECISION].tolist())

    def use_compiled(self) -> None:
        """Step compiled from now on: three times as fast, the same to the last bit.

        Loading the compiler takes half a second, compiling (once a machine) some seconds, so a
        live guard does this before it starts, or not at all.
        """
        import numpy as np

        from rules.step import compiled

        self._arrays = (
            np.array(self._k),
            np.array(self._columns, dtype=np.int64),
            np.array(self._state),
            np.empty(ch.ROW_WIDTH),
        )
        self._compiled = compiled.step_row
        k, columns, state, row = self._arrays
        # One step on a copy makes numba load or compile it now, not in the first decision.
        row[:] = (float("nan"), *row[1:])
        self._compiled(k, columns, state.copy(), row)

    def run(self, columns: Mapping[str, Any]) -> dict[str, Any]:
        """Take many samples, as columns, and return the decisions as columns.

        Args:
            columns: ``time_s`` and any channels (and ``operator``), float arrays of one length n.
                A channel left out is not sent.

        Returns:
            One float64 array of length n for each field of ``Decision``.

        Raises:
            ValueError: An unknown column, no ``time_s``, or lengths that differ.
        """
        decisions = self.run_rows(rows_of(columns))
        return {name: decisions[:, i] for i, name in enumerate(Decision._fields)}

    def run_rows(self, rows: Any) -> Any:
        """Take an (n, ROW_WIDTH) float64 matrix of samples; return (n, N_DECISION) decisions."""
        import numpy as np

        from rules.step import compiled

        out = np.empty((len(rows), N_DECISION))
        self._run(compiled.run_all, rows, out)
        return out

    def run_changes(self, rows: Any) -> tuple[Any, Any, Any]:
        """Take samples as ``run_rows`` does, but return only the decisions that changed something.

        Returns:
            Row numbers (m,), decisions (m, N_DECISION), m <= n, and of all n rows whether they were
            judged: see ``Decision.judged``.
        """
        import numpy as np

        from rules.step import compiled

        out = np.empty((len(rows), N_DECISION))
        where = np.empty(len(rows), dtype=np.int64)
        judged = np.empty(len(rows), dtype=np.bool_)
        count = self._run(compiled.run_changed, rows, out, where, judged)
        return where[:count], out[:count], judged

    def arrays(self) -> tuple[Any, Any, Any]:
        """Return copies of constants, columns and state as arrays, for compiled loops elsewhere.

        What such a loop does to the state stays there: this guard does not see it.
        """
        import numpy as np

        return (
            np.array(self._k),
            np.array(self._columns, dtype=np.int64),
            np.array(self._now()),
        )

    def decision(self) -> Decision:
        """Return the newest decision again."""
        return Decision._make(self._now()[:N_DECISION])

    def state(self) -> list[float]:
        """Return a copy of everything this guard remembers; see ``take_up``."""
        return self._now()[:]

    def take_up(self, state: Sequence[float]) -> None:
        """Go on from another guard's ``state`` (same rig, same version), as if this were that one.

        Raises:
            ValueError: Not as long as a state is.
        """
        if len(state) != N_STATE:
            raise ValueError(f"state: found {len(state)} numbers, expected {N_STATE}")
        if self._compiled is None:
            self._state = [float(value) for value in state]
        else:
            self._arrays[2][:] = state

    def change(self, rig: Rig) -> None:
        """Judge by another rig from the next sample on, and forget nothing.

        Debt, latches, ages and timers stand as they are; what the new terms say of them shows in
        the next decision.

        Raises:
            ValueError: What is remembered would not fit: other channels are mapped, needed, limited
                or watched, or the transport delay differs. Nothing has changed then.
        """
        constants = constants_of(rig)
        if constants.columns != self._columns:
            raise ValueError("found other channels mapped, limited or watched, expected the same")
        if constants.k[DELAY_S] != self._k[DELAY_S]:
            raise ValueError("found another transport delay, expected the same")
        self.rig, self.constants = rig, constants
        self._k = constants.k
        if self._compiled is not None:
            self._arrays[0][:] = self._k

    def _now(self) -> list[float]:
        if self._compiled is None:
            return self._state
        state: list[float] = self._arrays[2].tolist()
        return state

    def _run(self, function: Any, rows: Any, *out: Any) -> int:
        import numpy as np

        if rows.ndim != 2 or rows.shape[1] != ch.ROW_WIDTH:
            raise ValueError(f"samples: found shape {rows.shape}, expected (n, {ch.ROW_WIDTH})")
        state = np.array(self._now())
        count = int(
            function(
                np.array(self._k),
                np.array(self._columns, dtype=np.int64),
                state,
                np.ascontiguousarray(rows, dtype=np.float64).reshape(-1),
                *out,
            )
        )
        if self._compiled is None:
            self._state = state.tolist()
        else:
            self._arrays[2][:] = state
        return count


def rows_of(columns: Mapping[str, Any]) -> Any:
    """Lay columns out as an (n, ROW_WIDTH) matrix of samples; see ``Guard.run``."""
    import numpy as np

    unknown = set(columns) - set(ch.ROW_NAMES)
    if unknown or "time_s" not in columns:
        raise ValueError(f"columns: found {sorted(columns)}, expected time_s and channels")
    rows = np.full((len(columns["time_s"]), ch.ROW_WIDTH), ch.NOT_SENT)
    rows[:, ch.OPERATOR] = ch.OPERATOR_NOTHING
    for name, values in columns.items():
        if len(values) != len(rows):
            raise ValueError(f"column {name}: found {len(values)} values, expected {len(rows)}")
        rows[:, ch.ROW_NAMES.index(name)] = values
    return rows
