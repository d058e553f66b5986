"""The guard: one step of the decision code, and two ways to run it that agree bit for bit."""

from collections.abc import Sequence
from struct import Struct
from typing import Any, ClassVar, Final

from rules import channels as ch
from rules.facts import Rig
from rules.learned import Learned
from rules.step.from_rig import constants_of
from rules.step.state import N_DECISION, Decision, State
from rules.step.step import fresh_state, step

# Between Python's numbers and the arrays, faster than numpy's own ways.
_ROW: Final = Struct(f"{ch.ROW_WIDTH}d")
_DECISION: Final = Struct(f"{N_DECISION}d")


class Guard:
    """Judges a stream of samples against a rig.

    ``step`` takes one sample, ``run_rows`` many; both go through the same ``step`` function above,
    and may be mixed. A guard keeps no clock: the result depends on the samples alone.

    Attributes:
        machine_code: What stands in for ``compiled.run_all`` in this process; None: that itself.
    """

    machine_code: ClassVar[Any] = None

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.constants = constants_of(rig)
        self._state = fresh_state(self.constants)
        self._compiled: Any = None
        # Constants, state, the same flat, a row. Where compiled code runs, the state is there.
        self._arrays: Any = None

    def step(self, sample: Sequence[float]) -> Decision:
        """Take one sample (``Sample``, or a row of ``ROW_WIDTH`` floats); return the decision."""
        if self._compiled is None:
            if self._arrays is not None:
                self._state, self._arrays = self._now(), None
            step(self.constants, self._state, sample, 0)
            return Decision.copy_of(self._state)
        constants, states, flat, row = self._arrays
        _ROW.pack_into(row, 0, *sample)
        self._compiled(constants, states, row)
        return Decision.of_flat(_DECISION.unpack_from(flat))

    def use_compiled(self) -> None:
        """Step compiled from now on: three times as fast, the same to the last bit.

        Loading the compiler takes half a second, compiling (once a machine) some seconds, so a
        live guard does this before it starts, or not at all.
        """
        from rules.step import compiled

        constants, states, _, row = self._in_arrays()
        # One step on a copy makes numba load or compile it now, not in the first decision.
        compiled.step_row(constants, states.copy(), row)
        self._compiled = compiled.step_row

    def run_rows(self, rows: Any) -> Any:
        """Take an (n, ROW_WIDTH) float64 matrix of samples; return (n, N_DECISION) decisions."""
        return self._run(rows, (), changes_alone=False)[1]

    def run_changes(self, rows: Any, columns: Sequence[int] = ()) -> tuple[Any, Any, Any]:
        """Take samples as ``run_rows`` does, but return only the decisions that changed something.

        Args:
            rows: (n, ROW_WIDTH) float64.
            columns: Of a flat decision, those to return of every row.

        Returns:
            Row numbers (m,), decisions (m, N_DECISION), m <= n, and these columns of all rows,
            (len(columns), n).
        """
        return self._run(rows, columns, changes_alone=True)

    def arrays(self) -> tuple[Any, Any]:
        """Return copies of constants and state as arrays of one record, for compiled loops.

        What such a loop does to the state stays there: this guard does not see it.
        """
        return self.constants.array(), self._now().array()

    def decision(self) -> Decision:
        """Return the newest decision again."""
        return Decision.copy_of(self._now())

    def state(self) -> list[float]:
        """Return a copy of everything this guard remembers, flat; see ``restore``."""
        state: list[float]
        state = self._state.flat() if self._arrays is None else self._arrays[2].tolist()
        return state

    def restore(self, state: Sequence[float]) -> None:
        """Go on from another guard's ``state`` (same rig, same version), as if this were that one.

        Raises:
            ValueError: Not as long as a state is.
        """
        self._go_on_from(State.of_flat(state))

    def learned(self) -> Learned:
        """Return what this guard has learned of the car."""
        return Learned.of(self._now())

    def know(self, learned: Learned) -> None:
        """Know from the first sample on what another guard learned of this car.

        Raises:
            ValueError: A value is no finite number. Nothing has changed then.
        """
        state = fresh_state(self.constants)
        learned.restore(self.constants, state)
        self._go_on_from(state)

    def change(self, rig: Rig) -> None:
        """Judge by another rig from the next sample on, and forget nothing.

        Debt, latches, ages and timers stand as they are; what the new terms say of them shows in
        the next decision.

        Raises:
            ValueError: What is remembered would not fit: other channels are mapped, needed, limited
                or watched, or the flow sensor differs. Nothing has changed then.
        """
        constants = constants_of(rig)
        if constants.columns() != self.constants.columns():
            raise ValueError("found other channels mapped, limited or watched, expected the same")
        if rig.flow_sensor != self.rig.flow_sensor:
            raise ValueError("found another flow sensor, expected the same")
        self.rig, self.constants = rig, constants
        if self._arrays is not None:
            self._arrays[0][:] = constants.array()

    def _now(self) -> State:
        if self._arrays is not None:
            self._state = State.of_flat(self._arrays[2].tolist())
        return self._state

    def _go_on_from(self, state: State) -> None:
        self._state = state
        if self._arrays is not None:
            self._arrays[1][:] = state.array()

    def _in_arrays(self) -> Any:
        import numpy as np

        if self._arrays is None:
            constants, states = self.arrays()
            row = np.full(ch.ROW_WIDTH, np.nan)
            self._arrays = constants, states, states.view(np.float64), row
        return self._arrays

    def _run(
        self, rows: Any, columns: Sequence[int], *, changes_alone: bool
    ) -> tuple[Any, Any, Any]:
        import numpy as np

        if rows.ndim != 2 or rows.shape[1] != ch.ROW_WIDTH:
            raise ValueError(f"samples: found shape {rows.shape}, expected (n, {ch.ROW_WIDTH})")
        out = np.empty((len(rows), N_DECISION))
        where = np.empty(len(rows), dtype=np.int64)
        every = np.empty((len(columns), len(rows)))
        which = np.array(columns, dtype=np.int64)
        constants, states, flat, _ = self._in_arrays()
        # As what may be written to: for rows that may not, numba would compile a second time.
        in_a_row = np.require(rows, np.float64, ("C", "W")).reshape(-1)
        run_all = self.machine_code
        if run_all is None:
            from rules.step.compiled import run_all
        count = run_all(constants, states, flat, in_a_row, out, where, which, every, changes_alone)
        return where[:count], out[:count], every
