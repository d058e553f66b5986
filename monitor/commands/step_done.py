"""A step of commissioning noted in the rig it was done for: ``flowdebt check --done``."""

from pathlib import Path
from typing import Final

from monitor.clock import stamp
from monitor.commission.rig_logs import sha256_of
from monitor.commission.rig_text import left_to_do
from monitor.review.review import NOT_JUDGED, Review, review
from rules.facts import Action
from simulator.rig import shipped_rigs, with_step
from simulator.strict import BadInput, called, read_text, replace_text

# What a step finds out: no guess of a draft may stand there any more.
_FINDS: Final = {"dry_limit": "paid.dry_limit", "jug": "spray.nozzles[0].rated_flow"}
_OF_SPRAY: Final = ("under_delivery", "cooling_missing")


def note_done(
    path: Path, step: str, by: str | None, *, on: str | None, result: str | None, log: Path | None
) -> None:
    """Write into a rig file that a step was done; nothing else in it changes.

    Args:
        path: The rig file.
        step: Which one, of ``simulator.rig.STEPS``.
        by: Who did it.
        on: When, as 2026-01-31; None: today (UTC).
        result: What came of it; None: what the log says by this rig.
        log: A log or a session in which it is seen; its hash is kept.

    Raises:
        BadInput: The rig is shipped or wrong; who or what came of it isn't told; a log that can't
            be read, or, of a trip, in which no missing spray pulled timing; a guess that is still
            marked TO DO where the step finds it out.
    """
    if by is None:
        raise BadInput("check: found --done without --by, expected who did it (an alias)")
    if path in shipped_rigs().values():
        raise BadInput(f"{called(path)}: found a shipped rig, expected a rig file of your own")
    text = read_text(path)
    if (key := _FINDS.get(step, "")) in left_to_do(text):
        raise BadInput(
            f"{called(path)}: found {key} still marked TO DO, expected what was found, and its "
            "mark taken out"
        )
    seen = ""
    if log is not None:
        told = review(log, str(path))
        if not told.judged:
            raise BadInput(f"{called(log)}: {NOT_JUDGED}")
        if step == "trip" and not _trips(told):
            raise BadInput(
                f"{called(log)}: found no timing pulled for missing spray, expected it in the log "
                "of a confirmed trip"
            )
        result = _came_of(told) if result is None else result
        seen = sha256_of(log)
    if result is None:
        raise BadInput("check: found --done without --log or --result, expected one of the two")
    on = stamp()[:10] if on is None else on
    new = with_step(text, str(path), step, by=by, on=on, result=result, log_sha256=seen)
    replace_text(path, text, new)


def _trips(told: Review) -> list[str]:
    """Return in words each event in which missing spray pulled timing or cut boost."""
    return [
        f"{event.action.word.replace('_', ' ')} at {event.action_time_s:z.2f} s"
        for event in told.events
        if event.finding in _OF_SPRAY and event.action >= Action.PULL_TIMING
    ]


def _came_of(told: Review) -> str:
    """Return in a few words what a log says of the spray."""
    spray = told.spray
    share = f"evidence at most {spray.evidence.value:z.1f} of {spray.evidence.limit:z.1f}"
    trips = _trips(told)
    worst = trips[0] if trips else told.worst.word.replace("_", " ")
    return f"{worst}; {spray.sprayed_s:z.1f} s of spray, {share}"
