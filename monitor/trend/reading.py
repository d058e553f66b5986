"""One log, read once, into what a trend wants of it: in bounded memory, on whatever core."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.commission.rig_logs import series_in
from monitor.review.judge import Judge
from monitor.review.log import Progress, open_log
from monitor.review.spray_account import KEPT, SprayAccount
from rules.channels import DELIVERED, LINE
from rules.facts import Action, Rig
from rules.step.constants import Constants
from rules.step.from_rig import witness_column
from rules.step.hydraulics import full_flow_ml_min, line_due_kpa
from rules.step.line import LEAST_COMMAND
from simulator.identify import Series
from simulator.identify.flow import fit_flow
from simulator.identify.flow_numbers import flow_numbers
from simulator.identify.intervals import doubt_of
from simulator.identify.line_pressure import fit_line, line_numbers, line_parts
from simulator.identify.spraying import spraying
from simulator.rig import RigFile
from simulator.strict import BadInput, called, clean
from simulator.trend.sessions import Session, by_band, measured

MOST_ROWS: Final = 400_000  # that delay and lag are told from: an hour at 100 rows a second
MOST_STRETCHES: Final = 100_000  # fourteen hours of steady spray
BYTES_WORTH_IT: Final = 6_000_000  # of all logs: below, starting processes takes as long
NO_SPRAY: Final = "found no spray asked for in rows that could be judged, expected some"


class Reading(NamedTuple):
    """What one log came to.

    Attributes:
        session: Its numbers; None where it was refused.
        worst: The worst action a guard asks for in it.
        starts: When it begins by its own clock, as written; empty where it has none.
        refused: Why it tells nothing, a line; empty where it does.
    """

    session: Session | None = None
    worst: Action = Action.NO_ACTION
    starts: str = ""
    refused: str = ""


@dataclass(frozen=True, slots=True)
class Reader:
    """Reads logs of one car.

    Attributes:
        rig_file: All are judged by it.
        edges_kpa: Of boost bands, as ``band_edges_kpa`` gives them.
        own_car: Refuse a session of another car: one recorded with a rig of another name.
    """

    rig_file: RigFile
    edges_kpa: tuple[float, ...]
    own_car: bool = False

    def read(self, path: Path, progress: Progress | None = None) -> Reading:
        """Read a log or a session; whatever is wrong with it is told in what is returned.

        Args:
            path: Log, or session's folder.
            progress: Told 1 once it is read.
        """
        try:
            return self._read(path)
        except BadInput as error:
            return Reading(refused=str(error))
        finally:
            if progress is not None:
                progress(1.0)

    def _read(self, path: Path) -> Reading:
        rig = self.rig_file.rig
        log = open_log(path, self.rig_file)
        if self.own_car and log.own is not None and log.own.rig.name != rig.name:
            raise BadInput(
                f'{called(path)}: found a session of car "{clean(log.own.rig.name)}", expected one '
                f'of "{clean(rig.name)}" (--rig judges all by one rig)'
            )
        judge = Judge(self.rig_file, None, follows=False, compares=False)
        judge.wants_all = False
        account = SprayAccount(kept=[])
        rows: list[Any] = []
        n_rows = 0
        for block in log.stream():
            judged = judge.take(block)
            account.take(judge.constants, judged.every, judged.judged)
            if n_rows < MOST_ROWS:
                rows.append(block.as_read)
                n_rows += len(block.as_read)
            if sum(part.shape[1] for part in account.kept or ()) >= MOST_STRETCHES:
                break
        judge.finish()
        account.finish()
        if not account.sprayed_s:
            raise BadInput(f"{called(path)}: {NO_SPRAY}")
        worst = max((event.action for event in judge.events), default=Action.NO_ACTION)
        delay_s, lag_s = timing_of(series_in(np.concatenate(rows)), rig)
        session = _session(account, judge.constants, self.edges_kpa, delay_s, lag_s)
        return Reading(session, worst, log.reader.starts)


def _session(
    account: SprayAccount,
    k: Constants,
    edges: Sequence[float],
    delay_s: float | None,
    lag_s: float | None,
) -> Session:
    kept = np.concatenate([np.empty((len(KEPT), 0)), *(account.kept or ())], axis=1)
    of = dict(zip(KEPT, kept, strict=True))
    nothing = np.full(kept.shape[1], np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        flow = of["reads"] / of["due"] if account.witness == DELIVERED else nothing
        line = of["value_line_kpa"] / _line_due_kpa(k, of["boost_kpa"], of["commanded_ml_min"])
    # The guard's own, which it learns, only says where it takes the reading for one.
    line[~np.isfinite(of["line_due_kpa"])] = np.nan
    supply_v = np.where(of["value_supply_v"] > 0.0, of["value_supply_v"], np.nan)
    return Session(
        account.sprayed_s,
        by_band(of["boost_kpa"], flow, edges),
        by_band(of["boost_kpa"], line, edges),
        measured(supply_v),
        delay_s,
        lag_s,
    )


def _line_due_kpa(k: Constants, boost_kpa: Any, commanded: Any) -> Any:
    """Return what each stretch's line pressure should be by the rig alone, (n,).

    A guard learns how far its line is off, and would take a slow fade for the car's own; NaN where
    too little is commanded for the pressure to depend on the pump.
    """
    due = np.full(len(boost_kpa), np.nan)
    for i, (boost, asked) in enumerate(zip(boost_kpa.tolist(), commanded.tolist(), strict=True)):
        full = full_flow_ml_min(k, boost)
        if asked >= LEAST_COMMAND * full > 0.0:
            due[i] = line_due_kpa(k, boost, asked, full)
    return due


def timing_of(series: Sequence[Series], rig: Rig) -> tuple[float | None, float | None]:
    """Return delay and lag, s, where a log tells them well enough for an interval; else None.

    Without a flow sensor the lag is that of line and gauge together.
    """
    spray = spraying(series, rig)
    if spray.seen.any():
        fit = fit_flow(spray)
        numbers = flow_numbers(fit, doubt_of(fit, spray), spray)
        names = ("flow_sensor.transport_delay", "flow_sensor.lag")
    elif spray.pulls and witness_column(rig) == LINE:
        numbers = line_numbers(fit_line(line_parts(series, rig, spray.pulls)), rig)
        names = ("", "line_sensor.lag")
    else:
        return None, None
    told = [numbers.get(name) for name in names]
    delay_s, lag_s = (None if one is None or one.low is None else one.value for one in told)
    return delay_s, lag_s
