"""``flowdebt prove --sweep``: many settings of a rig's keys, and which of them to take."""

import json
import shlex
import sys
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from monitor.clock import stamp
from monitor.commands.parameters import check_report_files
from monitor.commands.printed import for_output, tell_written
from monitor.pictures.figure import save_figure
from monitor.pictures.write import ENDINGS as PICTURES
from monitor.proof import sweep_words as words
from monitor.proof.sweep_keys import Setting, SweptKey, settings, swept_keys
from monitor.proof.sweep_picture import draw
from monitor.proof.sweep_rig import written
from monitor.proof.words import as_table
from monitor.review.edit import save_as
from monitor.scheduling import processors
from simulator.proof.outcomes import Cars
from simulator.proof.proving import Proving, Standing, prove_here
from simulator.proof.reasons import explained
from simulator.proof.requirements import Requirements
from simulator.proof.results import Proof
from simulator.proof.sweep import sweep
from simulator.rig import RigFile
from simulator.strict import clean, ending_of, new_file, refuse_taken

_JSON = ".json"
_LONGEST = 1000  # command that is told


class Sweeping:
    """A sweep: checked first, then run.

    Args:
        texts: Keys with their ends, as they were given.
        points: So many points; None: as is usual.
        rig_file: The rig as it is.
        to: Rig to write; None: none.
        reports: Files to write beside it.
        given: Requirements and the cars' rig, as they were given.

    Raises:
        BadInput: Anything of that is wrong.
    """

    def __init__(
        self,
        texts: Sequence[str],
        points: int | None,
        rig_file: RigFile,
        to: Path | None,
        reports: Sequence[Path],
        given: tuple[str, str],
    ) -> None:
        self._rig_file = rig_file
        self._requirements, self._car = given
        self._to, self._reports = to, reports
        check_report_files(reports, (*PICTURES, _JSON))
        if to is not None:
            ending_of(to, ".toml")
            refuse_taken(to)
        self._keys: tuple[SweptKey, ...] = swept_keys(texts)
        self._settings: list[Setting]
        self._settings, self._left_out = settings(rig_file, self._keys, points)

    def run(
        self,
        asked: Requirements,
        cars: Cars,
        about: dict[str, Any],
        runs: int,
        most_runs: int | None,
        jobs: int | None,
        *,
        as_json: bool,
    ) -> Proof:
        """Sweep, judge the recommended point again, tell and write; return that proof."""
        keys, all_of = self._keys, self._settings
        jobs = jobs or processors()
        if self._left_out:
            sys.stderr.write(for_output(self._left_out) + "\n")
        points = [(setting.place, setting.rig_file.rig) for setting in all_of]
        progress = _tell if sys.stderr.isatty() else None
        swept = sweep(asked, cars, points, runs, jobs=jobs, progress=progress)
        taken = all_of[swept.recommended]
        told = words.reasons(swept, keys, all_of)
        again = Cars(taken.rig_file.rig, cars.driven, cars.population, cars.seed_set)
        rig_sha256 = sha256(taken.rig_file.text.encode()).hexdigest()
        about = about | {"rig_sha256": rig_sha256}
        proof = self._judged(asked, again, about, most_runs or swept.runs, jobs)
        told.append(words.judged_again(proof))
        date = stamp()[: len("2026-01-31")]
        new = written(self._rig_file, keys, taken, asked.name, date, told)
        plain = words.as_json(swept, keys, all_of, self._left_out, proof)
        text = json.dumps(plain, allow_nan=False) + "\n"
        if as_json:
            sys.stdout.write(text)
        else:
            lines = [*words.as_table(swept, keys, all_of), "", *told]
            lines += [*words.beside(swept, keys, all_of), "", *as_table(proof, self._replay)]
            lines += ["", "nothing is written: --to new.toml writes the rig"] * (self._to is None)
            sys.stdout.write("".join(for_output(line) + "\n" for line in lines))
        for path in self._reports:
            if path.suffix.lower() == _JSON:
                with new_file(path) as file:
                    file.write(text.encode())
            else:
                save_figure(lambda: draw(swept, keys), path)
            tell_written(path)
        if self._to is not None:
            save_as(new.text, self._to)
            tell_written(self._to)
        return proof

    def _judged(
        self, asked: Requirements, cars: Cars, about: dict[str, Any], runs: int, jobs: int
    ) -> Proof:
        """Return what cars say that chose nothing."""
        proving = Proving(asked, cars, runs)
        progress = _tell_again if sys.stderr.isatty() else None
        prove_here(proving, jobs=jobs, kept={}, keep=lambda job, came: None, progress=progress)
        return explained(proving.proof(about), cars)

    def _replay(self, row: int, run: int) -> str:
        """Return the command that replays a run of the recommended rig."""
        rig = str(self._to or "new.toml")
        command = ["flowdebt", "prove", self._requirements, "--rig", rig, "--car", self._car]
        whole = shlex.join([*command, "--replay", f"{row}:{run}", "--to", "run.csv"])
        return clean(whole, _LONGEST)


def _tell(done: int, of: int) -> None:
    _line("" if done == of else f"the same cars at every point: {done} of {of} jobs")


def _tell_again(standing: Standing) -> None:
    runs = f"other cars, at the point recommended: {standing.runs} runs"
    _line(runs if standing.left else "")


def _line(line: str) -> None:
    sys.stderr.write(f"\r{line:<79}\r")
    sys.stderr.flush()
